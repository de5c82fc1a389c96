"""`sensor-offset`: two sensors that belong together differ by more than their limits of error where they must agree."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property
from typing import ClassVar

from analytics.by_day import once_a_day
from analytics.detection.findings import Clear, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.inlet_days import inlet_record, is_left_warm
from analytics.detection.moments import clock, day_word, instant_ms
from analytics.detection.outlet_witness import Witness, witness_of
from analytics.detection.pair_days import (
    PLACE_U_K,
    SETTLED_S,
    PairRecord,
    Seen,
    day_start_ms,
    judged_record,
    pairs_seen,
)
from analytics.detection.rest_step import in_different_rooms, moved_of
from analytics.detection.roof_step import roof_verdict
from analytics.detection.tank_warmth import at_least_k
from analytics.detection.uses import uses_of
from analytics.figures import DayLedger
from analytics.outlet_pairs import PATH, has_pair_along_path
from analytics.pair_check import AT_A_LOOP, PairMethod
from analytics.pair_order import pair_limit_k
from analytics.plant import PlantDay
from analytics.site import Point, Site
from analytics.units import to_si

__all__ = ["SensorOffset"]

_METHODS: Sequence[PairMethod] = (
    "circulation",
    "rest",
    "mixed",
    "inverted",
    "draw",
    "valve",
    "inlet",
)  # the better first
_ALONG_DRAWS: Sequence[PairMethod] = ("draw", "valve", "inlet")
_AT_LEAST: Sequence[PairMethod] = ("inverted", "valve", "inlet")  # what hides a part of the difference
_RIGHT_DAYS = timedelta(days=3)  # without any inversion: then it is over
_UNTOLD_DAYS = 6  # so long a pair along draws waits for a day that tells which of the two is off
_LAYERED_K = 1.0  # so much beyond the margin a top may be layered for days (common practice)
_EXPANDED = 2.0  # coverage factor for 95 %, GUM 6.3.3 (from memory)
_DRIFTS_K = 0.15  # over the days looked at: a sound pair moves by a few hundredths
_WORTH_KWH = 0.5  # a day: from here on the figures are no longer what they seem


@dataclass(frozen=True)
class _Judged:
    """
    A pair's record beside what its two classes and their rounding allow; of pairs seen along draws also what tells
    them apart.
    """

    record: PairRecord
    limit_k: float
    witness: Witness | None = None

    @cached_property
    def beyond_k(self) -> float:
        """
        How far the difference lies beyond the classes, all doubt in the sensors' favour.

        Layers make an outlet warmer than its tank's top on some days and not on others: an offset is there on each.
        """
        beyond_k = at_least_k(self.record, limit_k=self.limit_k)
        if self.record.newest.method == "draw" and self.record.difference_k > 0:
            beyond_k = min(beyond_k, *(check.difference_k for _, check in self.record.days))
        return beyond_k - self.limit_k

    @property
    def is_along_draws(self) -> bool:
        return self.record.newest.method in _ALONG_DRAWS

    @property
    def may_be_layers(self) -> bool:
        """Whether an outlet that reads more than its tank's top may lie in warmer water."""
        is_outlet = self.record.newest.method == "draw"
        return is_outlet and self.record.difference_k > 0 and self.beyond_k < _LAYERED_K

    @property
    def is_by_valve(self) -> bool:
        return self.record.newest.method == "valve"

    @property
    def waits(self) -> bool:
        """Whether days tell of the difference itself, so that later ones may tell which of the two is off."""
        return self.record.newest.method != "inlet"

    @property
    def is_sound(self) -> bool:
        """Whether the classes explain the difference, with a margin for the sensors' places along a draw."""
        margin_k = _EXPANDED * PLACE_U_K[self.record.newest.method] if self.is_along_draws else 0.0
        return abs(self.record.difference_k) <= self.limit_k + margin_k


@dataclass(frozen=True, kw_only=True)
class SensorOffset:
    """
    A pair of sensors that disagree beyond their classes in the quiet hours of several days.

    Not this: sensors that differ within their limits of error, however long; a difference that comes and goes.
    A collector's pair is judged while its pump runs in the dark, and at rest only where the morning's sun, which does
    not warm the outlet sensor before the pump runs, shows that it stands indoors; far apart, only if it was level on
    the nights before (`detection.rest_step`). Where water leaves a tank, layers
    make the outlet the warmer: only what holds in the least layered draw of a day counts.
    """

    kind: ClassVar[str] = "sensor-offset"
    rejoin: ClassVar[timedelta] = timedelta(days=7)

    def needs(self, site: Site) -> Sequence[Need]:
        loops = [Need(loop.id, _lacking_pair(loop.entering, loop.leaving, loop.id)) for loop in site.loops.values()]
        tanks = [Need(tank.id, _lacking_row(tank.temperatures, tank.id)) for tank in site.tanks.values()]
        return loops + tanks + ([Need(PATH)] if has_pair_along_path(site) else [])

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        if plant.until_s < SETTLED_S:
            return NotAssessed("The day before is judged ten minutes after midnight, when its readings have arrived.")
        judged = [] if component == PATH else [*_of_component(plant, history, component)]
        if component == PATH or component in plant.site.tanks:
            judged += self._along_path(plant, history, component)
        if not judged:
            return roof_verdict(plant, history, component) or NotAssessed(
                f"The sensors of {component} were seen to have to agree on fewer than three days lately."
            )
        # Water that was turned over tells more finely than draws do, and an outlet beside its tank more than a valve.
        worst = max(judged, key=lambda e: (e.beyond_k > 0, not e.is_along_draws, not e.is_by_valve, e.beyond_k))
        if worst.beyond_k > 0:
            return self._fault(plant, worst, judged)
        if _is_left_apart(plant, history, component) or (component == PATH and is_left_warm(history)):
            return NotAssessed(f"A pair of {component} was last seen apart, and too seldom since to be judged anew.")
        if all(each.is_sound for each in judged):
            return Clear(day_start_ms(plant, max(each.record.days[0][0] for each in judged)))
        return NotAssessed(f"The sensors of {component} differ by about what their classes allow.")

    def _fault(self, plant: PlantDay, worst: _Judged, judged: Sequence[_Judged]) -> Verdict:
        record, witness = worst.record, worst.witness
        if not worst.is_along_draws:
            pair = (record.newest.first, record.newest.second)
            named = [e.witness for e in judged if e.is_along_draws and e.witness and e.witness.point in pair]
            suspect = None if named else _suspect(worst, judged)
            witness = Witness(suspect, _LIKEWISE) if suspect else next(iter(named), None) or moved_of(record)
        elif worst.may_be_layers or (witness is None and worst.waits and len(record.days) < _UNTOLD_DAYS):
            return NotAssessed(f"Which of {record.newest.first} and {record.newest.second} is off is not known yet.")
        return Fault((self._finding(plant, worst, witness),))

    def _along_path(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> list[_Judged]:
        """Of pairs seen along draws, those that speak of the component: of its own sensor, or of no other's."""
        at_home = {point: tank.id for tank in plant.site.tanks.values() for point in tank.temperatures}
        found = []
        for each in _of_component(plant, history, PATH):
            if each.is_along_draws and each.beyond_k > 0:
                each = replace(each, witness=witness_of(plant.site, history, plant.day.date, found=each.record))
            named = at_home.get(each.witness.point, PATH) if each.witness else ""
            is_beside = at_home.get(each.record.newest.first) == component
            if named == component if named else (component == PATH or (is_beside and each.is_sound)):
                found.append(each)
        return found

    def _finding(self, plant: PlantDay, found: _Judged, witness: Witness | None) -> Finding:
        record, check = found.record, found.record.newest
        point = plant.site.points[witness.point if witness else check.second]
        began_ms = day_start_ms(plant, record.days[0][0], record.days[0][1].start_s)
        evidence = {"since": day_word(began_ms, plant.day.timezone), **_evidence(plant, found, point)}
        if witness is not None:
            evidence["witness"] = witness.says
        # A tank's sensor that stands beside the path shifts no heat of the water that passes.
        is_beside = check.method in ("draw", "inlet") and point.id == check.first
        shift_kwh = 0.0 if is_beside else _shift_kwh(record)
        drifts = found.waits and abs(_drift_k(record)) >= _DRIFTS_K and len(record.days) < len(record.seen)
        template = (_AT_LEAST_SENTENCE if check.method in _AT_LEAST else _SENTENCE) + (_NAMED if witness else _EITHER)
        return Finding(
            began_ms=began_ms,
            ended_ms=None,
            detected_ms=instant_ms(plant, SETTLED_S),
            severity="soon"
            if check.method in ("circulation", "draw", "inlet") and shift_kwh >= _WORTH_KWH
            else "watch",
            template=template + (_DRIFTS if drifts else "") + (_SHIFTS if shift_kwh > 0 else ""),
            evidence=evidence,
            likely_causes=_CAUSES[check.method],
            checks=_checks(point, evidence, method=check.method, since=record.days[0][0], drifts=drifts),
            cost_per_day=None,
            weight_s=record.minutes * 60,
            is_by_day=True,
        )


def _shift_kwh(record: PairRecord) -> float:
    """What the difference makes of a day's heat."""
    return abs(record.difference_k) * record.kwh_per_k


def _drift_k(record: PairRecord) -> float:
    return record.seen[-1][1].difference_k - record.seen[0][1].difference_k


def _evidence(plant: PlantDay, found: _Judged, point: Point) -> dict[str, float | int | str | None]:
    """Every number of the judgement, and the calibration of `point` that takes the difference away."""
    record, check = found.record, found.record.newest
    newest_day, zone = record.days[-1][0], plant.day.timezone
    sign = 1.0 if point.id == check.second else -1.0
    return {
        "component": check.component,
        "first": check.first,
        "second": check.second,
        "higher": check.second if record.difference_k > 0 else check.first,
        "lower": check.first if record.difference_k > 0 else check.second,
        "difference_k": round(abs(record.difference_k), 2),
        "plus_minus_k": round(_EXPANDED * record.u_k, 2),
        "limit_k": round(found.limit_k, 2),
        "rounding_k": round(record.rounding_k, 2),
        "when": _WHEN[check.method],
        "quiet_days": len(record.days),
        "quiet_min": round(record.minutes),
        "newest_from": clock(day_start_ms(plant, newest_day, check.start_s), zone),
        "newest_until": clock(day_start_ms(plant, newest_day, check.end_s), zone),
        "by_day_k": ", ".join(f"{day:%d %b} {each.difference_k:+.2f}" for day, each in record.days[-7:]),
        "drift_k": round(_drift_k(record), 2),
        "drift_days": (record.seen[-1][0] - record.seen[0][0]).days,
        "drift_limit_k": _DRIFTS_K,
        "shift_kwh_per_day": round(_shift_kwh(record), 2),
        "calibrate": point.id,
        "offset_now": point.offset,
        "offset_new": round(_offset(point, sign * record.difference_k), 2),
        "offset_unit": point.unit,
        "used_by": uses_of(plant.site, point.id),
    }


@once_a_day
def _of_component(plant: PlantDay, history: Sequence[DayLedger], component: str) -> Sequence[_Judged]:
    """The pairs of a component; those along draws are asked for by every tank."""
    seen = pairs_seen(history, plant.day.date, component, methods=_METHODS)
    return [found for days in _best(seen, plant.day.date) if (found := _judged(plant, days)) is not None]


def _judged(plant: PlantDay, days: Sequence[Seen]) -> _Judged | None:
    record_of = inlet_record if days[-1][1].method == "inlet" else judged_record
    record = record_of(days, plant.day.date)
    if record is None:
        return None
    pair = (record.newest.first, record.newest.second)
    if any(plant.last_s.get(point, -1.0) < 0 for point in pair):
        return None  # nothing was heard of them today
    if record.newest.method == "valve" and record.difference_k > 0:
        return None  # cold that a valve mixes in where it should not is no sensor's fault
    limit_k = pair_limit_k(plant.site, *pair) + record.rounding_k
    if record.newest.method == "inverted" and record.days[-1][0] < plant.day.date - _RIGHT_DAYS:
        return _Judged(replace(record, difference_k=0.0, days=record.days[-1:]), limit_k)
    return None if in_different_rooms(plant.site, record, limit_k) else _Judged(record, limit_k)


_SENTENCE = (
    "Sensor {higher} reads {difference_k:.2f} K more than {lower} {when}, where both must read the same: found on "
    "{quiet_days} days since {since}, good to {plus_minus_k:.2f} K; their classes allow {limit_k:.2f} K."
)
_EITHER = " Which of the two is off cannot be told from the pair alone."
_NAMED = " The one that is off is {calibrate}: {witness}."
_LIKEWISE = "the neighbour on the other side differs from it likewise"
_AT_LEAST_SENTENCE = (
    "Sensor {higher} reads at least {difference_k:.2f} K more than {lower} {when}, where it cannot be warmer: found "
    "on {quiet_days} days since {since}, good to {plus_minus_k:.2f} K; their classes allow {limit_k:.2f} K."
)
_DRIFTS = " The difference moved by {drift_k:+.2f} K in {drift_days} days."
_SHIFTS = " It shifts the heat of {component} by {shift_kwh_per_day:.2f} kWh a day."
_WHEN: dict[PairMethod, str] = {
    "rest": "at rest, after the pipes had become level",
    "circulation": "while water passed both and no heat was given or taken between them",
    "mixed": "while a coil below turned the tank's water over",
    "inverted": "for hours of each day, though it stands below it in the tank",
    "draw": "late in long draws, in the least layered of each day, with water of the tank's top passing the outlet",
    "valve": "late in long draws, with nothing but cold water added between them",
    "inlet": "on days on which the water of the one had flowed to the other for long",
}
_COMMON = (
    "sensor not deep enough in its pocket, without paste, or loose on its pipe",
    "sensors of different make or wiring; a long cable on two wires",
    "sensor aged or replaced without calibration",
)
_CAUSES: dict[PairMethod, Sequence[str]] = {
    "rest": (
        *_COMMON,
        "one of the two pipes is kept warm or cold where its sensor sits, by the tank, a flue or a draught",
    ),
    "circulation": _COMMON,
    "mixed": (*_COMMON, "one of the two sensors sits beside the coil, an inlet or an element"),
    "inverted": (*_COMMON, "the two sensors exchanged in their pockets, in a tank whose layers hardly differ"),
    "draw": (
        "sensor strapped to the pipe without paste or insulation, or not in the flow",
        *_COMMON[1:],
        "where the outlet reads lower: cold water reaches it past the tank, through a cross-connection or a broken dip "
        "tube",
    ),
    "valve": (*_COMMON, "the sensor behind the valve is warmed by a circulation line"),
    "inlet": (
        "sensor strapped to the cold pipe without paste or insulation, where the room or a warm pipe heats it",
        *_COMMON[1:],
        "the lowest sensor of the tank reads too little",
    ),
}


def _checks(
    point: Point, evidence: dict[str, float | int | str | None], *, method: PairMethod, since: date, drifts: bool
) -> Sequence[str]:
    moment = (
        "while a hot tap has run for some minutes (the water scalds)"
        if method in _ALONG_DRAWS
        else "both in the same water or with the pump running and no heat source on"
    )
    return (
        f"Hold a reference thermometer against {evidence['first']} and {evidence['second']}, {moment}: the one that "
        "differs from it is off.",
        "See that both sensors sit deep in their pockets with paste, under the insulation.",
        f'If both stay as they are, write offset = {evidence["offset_new"]:g} for point "{point.id}" into the site '
        f"file (now {point.offset:g}, in {point.unit}), and add the file with --from {since}, the first day of this "
        "difference: then the pair agrees. If the reference shows the other one to be off, give it the same change "
        "with the opposite sign.",
        *([_WILL_DRIFT] if drifts else []),
        "Pipes and pockets can be hot; sensors at mains voltage controllers are for a licensed electrician.",
    )


_WILL_DRIFT = (
    "The difference still moves, so an offset will be right for a while only: the sensor that drifts should be "
    "replaced."
)


def _offset(point: Point, difference_k: float) -> float:
    """The offset that takes a difference away, in the point's unit."""
    return point.offset - difference_k / to_si("temperature", point.unit)[0]


def _best(seen: dict[tuple[str, str, PairMethod], list[Seen]], today: date) -> list[Sequence[Seen]]:
    """
    For each pair the days of its best method that has enough of them.

    A coil turns a tank over on the days on which it heats from below: while those lie too far back to be judged, layers
    upside down tell.
    """
    best: dict[tuple[str, str], Sequence[Seen]] = {}
    for method in _METHODS:
        for (first, second, how), days in seen.items():
            if how != method or len(days) <= (1 if method in AT_A_LOOP else 2):
                continue
            better = best.setdefault((first, second), days)
            if better[-1][1].method == "mixed" and method == "inverted" and judged_record(better, today) is None:
                best[(first, second)] = days
    return list(best.values())


def _is_left_apart(plant: PlantDay, history: Sequence[DayLedger], component: str) -> bool:
    """Whether a tank's pair was beyond its classes when its water was last turned over, too long ago to be judged."""
    today = plant.day.date
    seen = pairs_seen(history, today, component, methods=("mixed",))
    return any(
        judged_record(days, today) is None
        and abs(days[-1][1].difference_k) - _EXPANDED * days[-1][1].u_k > pair_limit_k(plant.site, first, second)
        for (first, second, _), days in seen.items()
    )


def _suspect(found: _Judged, judged: Sequence[_Judged]) -> str | None:
    """The sensor between two neighbours that differs from both in the same way, if the pair has one."""
    mine, difference = found.record.newest, found.record.difference_k
    for other in judged:
        check = other.record.newest
        shared = {mine.first, mine.second} & {check.first, check.second}
        if other is found or len(shared) != 1:
            continue
        # Neighbours are listed downwards: a sensor that is off shows with opposite signs to its two sides.
        if -other.record.difference_k * difference > 0 and abs(other.record.difference_k) > 0.5 * abs(difference):
            return shared.pop()
    return None


def _lacking_pair(entering: str | None, leaving: str | None, loop: str) -> str:
    return "" if entering and leaving else f"Loop {loop} has no pair of temperature sensors to compare."


def _lacking_row(temperatures: Sequence[str], tank: str) -> str:
    return "" if len(temperatures) > 1 else f"Tank {tank} has fewer than two temperature sensors to compare."
