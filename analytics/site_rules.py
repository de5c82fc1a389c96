"""
What the tables of a site file must be to one another: references that exist, units that fit, loops that are metered.

Each rule is a function of the whole draft and yields faults. A rule is silent about a value that is already at fault
by itself, so that one slip makes one sentence.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analytics.site_fields import DAYS, MONTHS, Entry, Fault, Field, nearest, quoted
from analytics.site_tables import LISTS, SINGLE, SITE_FIELDS
from analytics.units import is_unit, known_units

__all__ = ["RULES", "Draft"]


_POINT_ID = re.compile(r"[a-z0-9_.-]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """A site file with every value checked by itself; `ids` also holds the ids of entries that have other faults."""

    site: Entry
    points: Mapping[str, Entry]
    lists: Mapping[str, Sequence[Entry]]
    single: Mapping[str, Entry]
    ids: Mapping[str, frozenset[str]]


def _tables(draft: Draft) -> Iterator[tuple[Entry, Sequence[Field]]]:
    yield draft.site, SITE_FIELDS
    for kind, entries in draft.lists.items():
        for entry in entries:
            yield entry, LISTS[kind]
    for kind, entry in draft.single.items():
        yield entry, SINGLE[kind]


def references(draft: Draft) -> Iterator[Fault]:
    """Every id named must exist, and a point must measure what its role asks for."""
    for entry, fields in _tables(draft):
        for field in fields:
            for named in _named(entry.values, field):
                yield from _reference(draft, entry, field, named=named)


def _named(values: Mapping[str, Any], field: Field) -> Sequence[str]:
    value = values.get(field.name) if field.refers else None
    if isinstance(value, tuple):
        return value
    return [value] if isinstance(value, str) else []


def _reference(draft: Draft, entry: Entry, field: Field, *, named: str) -> Iterator[Fault]:
    if named not in draft.ids[field.refers]:
        noun = "point" if field.refers == "points" else f"[[{field.refers}]]"
        yield entry.place.fault(field.name, f"there is no {noun} {quoted(named)}", _remedy(draft, field, named))
    elif field.quantities and named in draft.points:
        quantity = draft.points[named].values.get("quantity")
        if quantity is not None and quantity not in field.quantities:
            yield entry.place.fault(
                field.name,
                f"point {quoted(named)} measures {quantity}",
                f"this needs a {' or '.join(field.quantities)} point",
            )


def _remedy(draft: Draft, field: Field, named: str) -> str:
    if close := nearest(named, draft.ids[field.refers]):
        return f"did you mean {quoted(close)}?"
    if field.refers == "points":
        if not _POINT_ID.fullmatch(named):
            return field.hint
        return f"add [points.{quoted(named)}] or name a point that is there"
    known = sorted(draft.ids[field.refers])
    return f"the file has {', '.join(known)}" if known else f"add a [[{field.refers}]] with that id"


def own_ids(draft: Draft) -> Iterator[Fault]:
    """An id belongs to one entry of its kind; `carried-over` is the ledger's own origin."""
    for kind, entries in draft.lists.items():
        counts = Counter(entry.values["id"] for entry in entries if "id" in entry.values)
        for id, count in counts.items():
            if count > 1:
                place = next(entry.place for entry in entries if entry.values.get("id") == id)
                yield place.fault("id", f"{count} [[{kind}]] tables have this id", "give each its own")
    for entry in draft.lists["stage"]:
        if entry.values.get("id") == "carried-over":
            yield entry.place.fault("id", '"carried-over" is the heat in store at the start', "choose another id")


def point_units(draft: Draft) -> Iterator[Fault]:
    """A point's unit, sampling and accuracy class must fit what it measures."""
    for entry in draft.points.values():
        quantity = entry.values.get("quantity")
        if quantity is not None:
            yield from _unit(entry, quantity)
            yield from _sampling(entry, quantity)
            yield from _class(entry, quantity)


def _unit(entry: Entry, quantity: Any) -> Iterator[Fault]:
    unit = entry.values.get("unit")
    if unit is not None and not is_unit(quantity, unit):
        *most, last = known_units(quantity)
        near = nearest(unit, known_units(quantity))
        right = f"did you mean {quoted(near)}?" if near else f"use {', '.join(most)} or {last}"
        yield entry.place.fault("unit", f"{quoted(unit)} is not a unit of {quantity}", right)


def _sampling(entry: Entry, quantity: str) -> Iterator[Fault]:
    sampling = entry.values.get("sampling")
    if quantity in ("energy", "volume") and sampling in ("instant", "mean"):
        wrong = f"{quoted(sampling)} does not fit {quantity}, which only a counter can give"
        yield entry.place.fault("sampling", wrong, 'use "counter" or leave it out')
    if quantity not in ("energy", "volume") and sampling == "counter":
        remedy = {"power": "quantity energy", "flow": "quantity volume"}.get(quantity)
        right = f'use {remedy}, or "instant" or "mean"' if remedy else 'use "instant" or "mean"'
        yield entry.place.fault("sampling", f"{quantity} cannot be a counter", right)


def _class(entry: Entry, quantity: str) -> Iterator[Fault]:
    accuracy = entry.values.get("accuracy")
    fits = {"IEC 60751": ("temperature",), "EN 1434": ("flow", "volume", "energy")}
    if accuracy is not None and quantity not in fits.get(accuracy.standard, (quantity,)):
        *most, last = fits[accuracy.standard]
        fitting = f"{', '.join(most)} and {last}" if most else last
        wrong = f"{accuracy.standard} is a standard for {fitting}, not for {quantity}"
        yield entry.place.fault("accuracy", wrong, 'give a percentage ("2 %") or a number in the point\'s unit')


def topics(draft: Draft) -> Iterator[Fault]:
    """A topic is one topic, not a filter, and not one that packs arrive on; `field` is a path in its payload."""
    for entry in draft.points.values():
        topic = entry.values.get("topic")
        if topic is None:
            if "field" in entry.values:
                yield entry.place.fault("field", "there is no topic to find it in", "give the topic too")
        elif re.search(r"[+#\0]", topic):
            yield entry.place.fault("topic", f"{quoted(topic)} is a filter", 'name one topic, without "+" and "#"')
        elif re.fullmatch(r"sites/[^/]*/(readings(/cbor)?|presence)", topic):
            wrong = f"{quoted(topic)} is where SenML packs and presence arrive"
            yield entry.place.fault("topic", wrong, "name another topic, or leave it out for points in packs")


def fluids(draft: Draft) -> Iterator[Fault]:
    """A mixture needs its strength; water has none."""
    for entry in draft.lists["fluid"]:
        kind, strength = entry.values.get("kind"), entry.values.get("mass_percent")
        if kind == "water" and strength:
            yield entry.place.fault(
                "mass_percent", f"water cannot be {strength:g} %", "leave it out, or change the kind"
            )
        elif kind not in (None, "water") and strength is None and not _faulty(entry, "mass_percent"):
            yield entry.place.fault("mass_percent", "is missing", f"give the percent by mass of {kind}, above 0 to 60")
        elif kind not in (None, "water") and strength == 0:
            yield entry.place.fault(
                "mass_percent", f"0 % of {kind} is water", 'use kind = "water", or give the strength'
            )


def _faulty(entry: Entry, *names: str) -> bool:
    """Whether one of these fields already has its sentence."""
    return not entry.faulty.isdisjoint(names)


def metering(draft: Draft) -> Iterator[Fault]:
    """Every loop can be metered one way or the other, and its two temperatures are two."""
    for entry in draft.lists["loop"]:
        values = entry.values
        if "entering" in values and values["entering"] == values.get("leaving"):
            yield entry.place.fault("leaving", "is the same point as entering", "name the other sensor")
        if "energy" not in values and not _faulty(entry, "energy"):
            yield from _without_heat_meter(entry)


_METERED = ("entering", "leaving", "flow", "assumed_flow_l_per_s", "pump", "fluid")


def _without_heat_meter(entry: Entry) -> Iterator[Fault]:
    values = entry.values
    if _faulty(entry, *_METERED):
        return
    missing = [name for name in ("entering", "leaving") if name not in values]
    if "flow" not in values and "assumed_flow_l_per_s" not in values:
        missing.append("flow (or assumed_flow_l_per_s)")
    if missing:
        wrong = f"cannot be metered without {', '.join(missing)}"
        yield entry.place.fault("", wrong, "give entering, leaving and flow, or energy, a heat meter's counter")
    elif "flow" not in values and "pump" not in values:
        wrong = "nothing says when the assumed flow runs"
        yield entry.place.fault("pump", wrong, "name the status or power point of the loop's pump")
    if "fluid" not in values:
        yield entry.place.fault("fluid", "is missing", "name the [[fluid]] in the loop")


def heat_pumps(draft: Draft) -> Iterator[Fault]:
    """The loops of a heat pump are different ones."""
    for entry in draft.lists["heat_pump"]:
        seen: dict[str, str] = {}
        for side in ("source_loop", "load_loop", "desuperheater_loop"):
            loop = entry.values.get(side)
            if loop in seen:
                yield entry.place.fault(side, f"{quoted(loop)} is the {seen[loop]} too", "name two different loops")
            elif loop is not None:
                seen[loop] = side


def heaters(draft: Draft) -> Iterator[Fault]:
    """A heater's input is metered, or known while it is on; a burner's efficiency is never guessed."""
    for entry in draft.lists["heater"]:
        values, kind = entry.values, entry.values.get("kind")
        if "power" not in values and "status" not in values and not _faulty(entry, "power", "status"):
            yield entry.place.fault("power", "is missing", "name its power point, or a status point with rated_w")
        if "status" in values and not {"power", "rated_w"} & values.keys() and not _faulty(entry, "power", "rated_w"):
            yield entry.place.fault("rated_w", "is missing", "a status needs the input power of the name plate in W")
        if "efficiency" not in values and kind not in (None, "electric") and not _faulty(entry, "efficiency"):
            yield entry.place.fault(
                "efficiency", "is missing", f"a {kind} heater needs heat made to fuel put in, such as 0.8"
            )
        if kind == "electric" and values.get("efficiency", 0) > 1:
            wrong = "an electric heater cannot give more heat than it takes"
            yield entry.place.fault("efficiency", wrong, "give 1 or less, or leave it out")


def hot_water(draft: Draft) -> Iterator[Fault]:
    """The path passes each tank once; water between tanks is between them."""
    entry = draft.single.get("hot_water")
    if entry is None or "tanks" not in entry.values:
        return
    tanks, between = entry.values["tanks"], entry.values.get("between", ())
    for tank, count in Counter(tanks).items():
        if count > 1:
            yield entry.place.fault("tanks", f"{quoted(tank)} stands {count} times", "name each tank once")
    if len(between) > max(len(tanks) - 1, 0):
        wrong = f"has {len(between)} points for {len(tanks)} tanks"
        yield entry.place.fault("between", wrong, 'give one less than tanks; the last tank\'s outlet is "hot"')
    if entry.values.get("flow_at") == "mixed" and "mixed" not in entry.values and not _faulty(entry, "mixed"):
        yield entry.place.fault("mixed", "is missing", 'flow_at = "mixed" needs the temperature after the mixing valve')


def stages(draft: Draft) -> Iterator[Fault]:
    """A stage has one source of heat, shares it with no other stage, and heats a tank that the hot water passes."""
    path = draft.single.get("hot_water")
    passed = path.values.get("tanks") if path is not None else None
    taken: dict[tuple[str, str], str] = {}
    for entry in draft.lists["stage"]:
        yield from _one_source(entry)
        yield from _on_path(entry, passed, draft.ids["tank"])
        for kind in ("loop", "heater"):
            source = entry.values.get(kind)
            if source is not None and (kind, source) in taken:
                wrong = f"{quoted(source)} already heats for stage {quoted(taken[kind, source])}"
                yield entry.place.fault(kind, wrong, "its heat would count twice: name another")
            elif source is not None:
                taken[kind, source] = entry.values.get("id", "")


def _one_source(entry: Entry) -> Iterator[Fault]:
    if {"loop", "heater"} <= entry.values.keys():
        yield entry.place.fault("", "has both a loop and a heater", "keep the one that brings the heat")
    elif not {"loop", "heater"} & entry.values.keys() and not _faulty(entry, "loop", "heater"):
        yield entry.place.fault("", "has neither a loop nor a heater", "name the one that brings the heat")


def _on_path(entry: Entry, passed: Sequence[str] | None, known: frozenset[str]) -> Iterator[Fault]:
    tank = entry.values.get("tank")
    if passed is not None and known.issuperset(passed) and tank in known and tank not in passed:
        wrong = f"{quoted(tank)} is not on the hot-water path"
        yield entry.place.fault("tank", wrong, "add it to tanks of [hot_water], or name a tank that is there")


def tariff(draft: Draft) -> Iterator[Fault]:
    """Bands of a tariff have a length, and together they hold at every minute of the week, all year round."""
    entry = draft.single.get("prices")
    bands = entry.values.get("electricity_per_kwh") if entry is not None else None
    if entry is None or not isinstance(bands, list) or entry.faults:
        return
    if not bands:
        yield entry.place.fault("electricity_per_kwh", "is an empty list", "give a number or at least one band")
        return
    empty = [n for n, band in enumerate(bands, 1) if band["from"] == band["to"] or band["from"] == 1440]
    for n in empty:
        wrong = 'begins at "24:00"' if bands[n - 1]["from"] == 1440 else "begins and ends at the same time"
        right = 'write from = "00:00", to = "24:00" for a whole day'
        yield entry.place.fault(f"electricity_per_kwh {n}", wrong, right)
    if not empty:
        yield from _uncovered(entry, bands)


def _uncovered(entry: Entry, bands: Sequence[Mapping[str, Any]]) -> Iterator[Fault]:
    priced = np.zeros((12, 7, 1440), dtype=bool)
    minutes = np.arange(1440)
    for band in bands:
        start, end = band["from"], band["to"] or 1440
        held = (minutes >= start) & (minutes < end) if start < end else (minutes >= start) | (minutes < end)
        months = [month - 1 for month in band.get("months", range(1, 13))]
        priced[np.ix_(months, band.get("days", range(7)), held)] = True
    if not priced.all():
        month, day, minute = np.argwhere(~priced)[0]
        when = f"{DAYS[day]} {minute // 60:02d}:{minute % 60:02d} in {MONTHS[month]}"
        yield entry.place.fault(
            "electricity_per_kwh", f"no band holds on {when}", "add a last band from 00:00 to 24:00 for all other times"
        )


def baseline(draft: Draft) -> Iterator[Fault]:
    """Only a heat pump gives more than it buys; the usual efficiencies hold standby losses, which count once."""
    entry = draft.single.get("baseline")
    if entry is None or entry.faults:
        return
    kind, efficiency = entry.values.get("kind", "electric-tank"), entry.values.get("efficiency")
    # Of a fuel counted by its net calorific value a condensing burner gives up to 1.1.
    most = {"heat-pump-tank": 6.0, "electric-tank": 1.0}.get(kind, 1.2)
    if efficiency is not None and efficiency > most:
        wrong = f"{kind} cannot give {efficiency:g} times what it buys"
        yield entry.place.fault("efficiency", wrong, f"give {most:g} or less, or the kind that is meant")
    if not entry.values.get("standby_w") or efficiency is not None:
        return
    yield entry.place.fault(
        "standby_w",
        "the usual efficiency, which holds where none is given, has the standby losses in it already",
        "give efficiency too, of heating alone, such as 0.98 for an electric rod",
    )


RULES: Sequence[Callable[[Draft], Iterator[Fault]]] = (
    own_ids,
    references,
    point_units,
    topics,
    fluids,
    metering,
    heat_pumps,
    heaters,
    hot_water,
    stages,
    tariff,
    baseline,
)
