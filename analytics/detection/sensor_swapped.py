"""`sensor-swapped`: two sensors stand in each other's place, as the sign between them shows on several days."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import ClassVar

from analytics.detection.findings import Clear, Fault, Finding, Need, NotAssessed, Verdict
from analytics.detection.moments import day_word, instant_ms
from analytics.detection.pair_days import SETTLED_S, Seen, day_start_ms, judged_record, pairs_seen
from analytics.figures import DayLedger
from analytics.pair_check import PairCheck
from analytics.pair_order import pair_limit_k
from analytics.plant import PlantDay
from analytics.site import Site

__all__ = ["SensorSwapped"]

_Two = tuple[str, str]


@dataclass(frozen=True, kw_only=True)
class SensorSwapped:
    """
    A loop's entering and leaving, or neighbours of a tank, whose difference has the wrong sign while it is large.

    Not this: one sensor that is off (`sensor-offset`), which differs also where both must read the same; a start or
    a stop, when the fluid for a while goes the other way.
    """

    kind: ClassVar[str] = "sensor-swapped"
    rejoin: ClassVar[timedelta] = timedelta(days=7)
    min_days: int = 2
    within: timedelta = timedelta(days=10)
    wrong_k: float = 1.0  # beyond the limits of error, as the day's mean
    min_wrong_part: float = 0.98  # of a tank's moments
    wrong_at_once_k: float = 2.0  # of a heat pump's load: then one day is enough
    min_minutes_at_once: float = 60.0
    min_spread_k: float = 1.5  # a tank's layers come and go; one sensor's error stays

    def needs(self, site: Site) -> Sequence[Need]:
        loops = [
            Need(loop.id, "" if loop.entering and loop.leaving else f"Loop {loop.id} has no pair of sensors.")
            for loop in site.loops.values()
        ]
        tanks = [
            Need(tank.id, "" if len(tank.temperatures) > 1 else f"Tank {tank.id} has fewer than two sensors.")
            for tank in site.tanks.values()
        ]
        return loops + tanks

    def assess(self, plant: PlantDay, history: Sequence[DayLedger], component: str) -> Verdict:
        if plant.until_s < SETTLED_S:
            return NotAssessed("The day before is judged ten minutes after midnight, when its readings have arrived.")
        today = plant.day.date
        seen = pairs_seen(history, today, component, methods=("order",))
        lately = {
            pair: days
            for pair, days in seen.items()
            if len(days) >= self.min_days
            and days[-self.min_days][0] >= today - self.within
            and all(plant.last_s.get(point, -1.0) >= 0 for point in pair[:2])
        }
        for days in seen.values():
            if self._is_wrong_at_once(plant, days) and not self._is_offset(plant, history, days):
                return Fault((self._finding(plant, self._wrong_days(plant, days), {}),))
        if not lately:
            return NotAssessed(f"On fewer than {self.min_days} days lately {component} showed which sensor is warmer.")
        for days in lately.values():
            if self._is_wrong(plant, days) and not self._is_offset(plant, history, days):
                newest = {pair[:2]: each[-1][1] for pair, each in lately.items()}
                return Fault((self._finding(plant, self._wrong_days(plant, days), newest),))
        if all(days[-1][1].difference_k > 0 for days in lately.values()):
            return Clear(day_start_ms(plant, max(days[-1][0] for days in lately.values())))
        return NotAssessed(f"The sensors of {component} differ the wrong way, but not beyond doubt.")

    def _wrong_days(self, plant: PlantDay, days: Sequence[Seen]) -> Sequence[Seen]:
        """The newest days, as far back as each has the wrong sign beyond doubt."""
        limit_k = pair_limit_k(plant.site, days[0][1].first, days[0][1].second)
        count = 0
        while count < len(days) and days[-count - 1][1].difference_k < -(limit_k + self.wrong_k):
            count += 1
        wrong = days[len(days) - count :]
        # The day on which they changed places shows both signs.
        changed_then = len(wrong) > self.min_days and wrong[0][1].wrong_part < self.min_wrong_part
        return wrong[1:] if changed_then else wrong

    def _is_wrong(self, plant: PlantDay, days: Sequence[Seen]) -> bool:
        wrong = self._wrong_days(plant, days)
        if len(wrong) < self.min_days:
            return False
        # Only layers that come and go tell of exchanged places in a tank; a loop is told by its work. Layers on a
        # sensor that is off show both signs.
        is_loop = days[0][1].component in plant.site.loops
        both_signs = min(check.wrong_part for _, check in wrong) < self.min_wrong_part
        return is_loop or (_spread_k(wrong) >= self.min_spread_k and not both_signs)

    def _is_wrong_at_once(self, plant: PlantDay, days: Sequence[Seen]) -> bool:
        """Whether yesterday alone will do: a compressor that ran for an hour cannot have cooled what it heats."""
        day, check = days[-1]
        heated = [pump.load_loop for pump in plant.site.heat_pumps.values()]
        fed = [stage.loop for stage in plant.site.stages.values() if stage.tank and stage.loop in heated]
        if check.component not in fed or day < plant.day.date - timedelta(days=1):
            return False
        limit_k = pair_limit_k(plant.site, check.first, check.second)
        is_plain = check.wrong_part >= self.min_wrong_part and check.minutes >= self.min_minutes_at_once
        is_heard = all(plant.last_s.get(point, -1.0) >= 0 for point in (check.first, check.second))
        return is_plain and is_heard and check.difference_k < -(limit_k + self.wrong_at_once_k)

    def _is_offset(self, plant: PlantDay, history: Sequence[DayLedger], days: Sequence[Seen]) -> bool:
        """Whether the two differ beyond their classes also where they must read the same."""
        check = days[-1][1]
        quiet = pairs_seen(history, plant.day.date, check.component, methods=("circulation", "rest", "mixed"))
        limit_k = pair_limit_k(plant.site, check.first, check.second)
        for (first, second, _), others in quiet.items():
            record = judged_record(others, plant.day.date) if (first, second) == (check.first, check.second) else None
            if record is not None and abs(record.difference_k) > limit_k:
                return True
        return False

    def _finding(self, plant: PlantDay, wrong: Sequence[Seen], newest: Mapping[_Two, PairCheck]) -> Finding:
        check, is_loop = wrong[-1][1], wrong[-1][1].component in plant.site.loops
        began_ms = day_start_ms(plant, wrong[0][0], wrong[0][1].start_s)
        minutes = sum(each.minutes for _, each in wrong)
        mean_k = sum(each.difference_k * each.minutes for _, each in wrong) / minutes
        warm, cool = _expected(plant, check)
        order = _by_warmth(plant, check.component, newest)
        evidence: dict[str, float | int | str | None] = {
            "since": day_word(began_ms, plant.day.timezone),
            "component": check.component,
            "first": check.first,
            "second": check.second,
            "expected_warmer": warm,
            "expected_cooler": cool,
            "exchanged": " and ".join(_moved(plant, check, order)),
            "wrong_k": round(-mean_k, 1),
            "wrong_h": round(minutes / 60, 1),
            "wrong_days": len(wrong),
            "limit_k": round(pair_limit_k(plant.site, check.first, check.second) + self.wrong_k, 2),
            "min_days": self.min_days,
            "by_day_k": ", ".join(f"{day:%d %b} {each.difference_k:+.1f}" for day, each in wrong[-7:]),
        }
        return Finding(
            began_ms=began_ms,
            ended_ms=None,
            detected_ms=instant_ms(plant, SETTLED_S),
            severity="soon",
            template=_LOOP_SENTENCE if is_loop else _TANK_SENTENCE,
            evidence=evidence,
            likely_causes=_LOOP_CAUSES if is_loop else _TANK_CAUSES,
            checks=_loop_checks(check) if is_loop else _tank_checks(check.component, order),
            cost_per_day=None,
            weight_s=minutes * 60,
            is_by_day=True,
        )


_LOOP_SENTENCE = (
    "While the {component} loop worked, {expected_cooler} was on average {wrong_k:.1f} K warmer than {expected_warmer} "
    "(over {wrong_h:.1f} h on {wrong_days} days since {since}); it should be cooler, so {exchanged} seem to "
    "have changed places."
)
_TANK_SENTENCE = (
    "In tank {component}, {expected_cooler} was on average {wrong_k:.1f} K warmer than {expected_warmer} above it "
    "(over {wrong_h:.1f} h on {wrong_days} days since {since}); warm water lies on top, so {exchanged} seem to "
    "have changed places."
)
_LOOP_CAUSES = (
    "entering and leaving exchanged in the wiring, on the pipes or in the site file",
    "the circulator pumps the wrong way round",
)
_TANK_CAUSES = (
    "the two sensors exchanged in the wiring, in their pockets or in the site file",
    "one of the two is far off and was never seen while the tank was mixed",
)


def _expected(plant: PlantDay, check: PairCheck) -> tuple[str, str]:
    """Which of the two should be the warmer and which the cooler one."""
    is_source = any(pump.source_loop == check.component for pump in plant.site.heat_pumps.values())
    if check.component in plant.site.loops and not is_source:
        return check.second, check.first
    return check.first, check.second


def _loop_checks(check: PairCheck) -> Sequence[str]:
    return (
        "Feel, with care, or measure which of the two pipes is the warmer one while the loop works, and compare.",
        "Follow the arrow on the circulator: if it points against the drawing, the water runs the wrong way round.",
        f'If the sensors are exchanged, write entering = "{check.second}" and leaving = "{check.first}" for loop '
        f'"{check.component}" into the site file, or exchange their plugs; not both.',
        "Pipes of a working loop can be hot enough to burn.",
    )


def _by_warmth(plant: PlantDay, component: str, newest: Mapping[_Two, PairCheck]) -> Sequence[str]:
    """A tank's sensors from the warmest to the coldest, as their neighbours' differences say; () for a loop."""
    tank = plant.site.tanks.get(component)
    if tank is None:
        return ()
    level_k, levels = 0.0, []
    for point, below in zip(tank.temperatures, (*tank.temperatures[1:], None), strict=True):
        levels.append((-level_k, point))
        check = newest.get((point, below or ""))
        level_k -= 0.01 if check is None else check.difference_k  # of equals the order stays
    return [point for _, point in sorted(levels, key=lambda each: each[0])]


def _moved(plant: PlantDay, check: PairCheck, order: Sequence[str]) -> Sequence[str]:
    """The points that stand in other places than the site file says."""
    tank = plant.site.tanks.get(check.component)
    moved = [is_at for is_at, is_in in zip(tank.temperatures, order, strict=True) if is_at != is_in] if tank else []
    return moved or (check.first, check.second)


def _tank_checks(tank: str, order: Sequence[str]) -> Sequence[str]:
    listed = ", ".join(f'"{point}"' for point in order)
    return (
        "Pull one of the sensors out of its pocket for a few minutes and see which name in the readings falls.",
        f'If they are exchanged, write temperatures = [{listed}] for tank "{tank}" into the site file, or exchange '
        "their plugs; not both.",
        "Pockets and pipes can be hot; leave what is under an electric cover to a licensed electrician.",
    )


def _spread_k(days: Sequence[Seen]) -> float:
    """How much the difference moved: within the days, or from day to day."""
    means = [check.difference_k for _, check in days]
    return max(max(check.u_k for _, check in days), max(means) - min(means))
