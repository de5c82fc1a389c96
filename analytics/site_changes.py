"""
What differs between two versions of a site file, in words such as "points.preheat.top offset 0 → 0.3".

The parsed sites are compared, not the texts: a comment is no change, and what is not given counts as what then holds.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields
from typing import Any

from analytics.site import Accuracy, Site, TariffBand

__all__ = ["site_changes"]

# Parts of the site that the file calls otherwise.
_IN_FILE = {
    "latitude_deg": "latitude",
    "longitude_deg": "longitude",
    "fluids": "fluid",
    "tanks": "tank",
    "loops": "loop",
    "heat_pumps": "heat_pump",
    "collectors": "collector",
    "heaters": "heater",
    "stages": "stage",
}

_WEEKDAYS = ("Mo", "Tu", "We", "Th", "Fr", "Sa", "Su")


def site_changes(before: Site, after: Site) -> list[str]:
    """Every difference as a phrase, in the order of the site model; empty where both say the same."""
    found: list[str] = []
    for each in fields(Site):
        name, old, new = _IN_FILE.get(each.name, each.name), getattr(before, each.name), getattr(after, each.name)
        if old == new and (not isinstance(old, Mapping) or list(old) == list(new)):
            continue
        if isinstance(old, Mapping):
            found += _parts(name, old, new)
        elif each.name in ("hot_water", "prices", "baseline"):
            found += _fields(name, old, new)
        else:
            found.append(f"site {name} {_shown(old)} → {_shown(new)}")
    return found


def _parts(table: str, before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[str]:
    """Differences of the tables of one kind, by id."""
    for part in dict.fromkeys([*before, *after]):
        yield from _fields(f"{table}.{part}", before.get(part), after.get(part))
    if [part for part in after if part in before] != [part for part in before if part in after]:
        yield f"{table} in another order: {', '.join(after)}"


def _fields(table: str, before: Any, after: Any) -> Iterator[str]:
    """Differences of one table; None where it does not stand in a file."""
    if before is None or after is None:
        yield f"{table} {'added' if before is None else 'taken out'}"
        return
    for each in fields(before):
        old, new = getattr(before, each.name), getattr(after, each.name)
        if old == new:
            continue
        yield f"{table} {each.name} " + ("changed" if each.name == "rating" else f"{_shown(old)} → {_shown(new)}")


def _shown(value: Any) -> str:
    match value:
        case None | "" | ():
            return "(not given)"
        case bool():
            return str(value).lower()
        case int() | float():
            return f"{value:.10g}"
        case Accuracy():
            return _accuracy(value)
        case TariffBand():
            return _band(value)
        case str():
            return value
        case Sequence():
            return f"[{', '.join(_shown(one) for one in value)}]"
    return str(value)


def _accuracy(accuracy: Accuracy) -> str:
    if accuracy.standard == "absolute":
        return f"{accuracy.value:g}"
    if accuracy.standard == "percent":
        return f"{accuracy.value:g} %"
    return f"{accuracy.standard} {'class ' if accuracy.standard == 'EN 1434' else ''}{accuracy.grade}"


def _band(band: TariffBand) -> str:
    first, last = (f"{minute // 60:02d}:{minute % 60:02d}" for minute in (band.from_minute, band.to_minute))
    told = f"{band.per_kwh:g} from {first} to {last}"
    if len(band.months) < 12:
        told += f" in months {'/'.join(str(month) for month in band.months)}"
    if len(band.days) < 7:
        told += f" on days {'/'.join(_WEEKDAYS[day] for day in band.days)}"
    return told
