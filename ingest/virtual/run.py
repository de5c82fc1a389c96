"""Running a virtual house: over days at once, or on from there as time goes by."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from analytics.site import Site
from analytics.trace import EMPTY_TRACE, Trace
from ingest.virtual.faults import Fault
from ingest.virtual.house import RUN_IN_DAYS, House
from ingest.virtual.layout import STEP_S
from ingest.virtual.scenario import Scenario
from ingest.virtual.sensors import Sampler
from ingest.virtual.truth import DayTruth, truth_of_day

__all__ = ["DayRun", "LiveSite", "Progress", "VirtualRun", "run_days", "simulate"]

Progress = Callable[[int, int], None]
"""Called with the days done and the days wanted."""


@dataclass(frozen=True)
class DayRun:
    """One day's readings by point, and its truth."""

    traces: Mapping[str, Trace]
    truth: DayTruth


@dataclass(frozen=True)
class VirtualRun:
    """
    A simulated stretch of days.

    Args:
        traces: Readings of each point, in the point's unit.
        truth: One entry a day.
    """

    scenario: Scenario
    site: Site
    traces: Mapping[str, Trace]
    truth: Sequence[DayTruth]
    seed: int
    perfect: bool
    faults: Sequence[Fault]
    _end: "LiveSite"

    @property
    def site_toml(self) -> str:
        return self.scenario.site_toml

    def live(self) -> "LiveSite":
        """The house at the end of the run, ready to go on; each call gives an independent one."""
        return self._end.copy()


class LiveSite:
    """
    A house that goes on living. `advance` returns the readings up to an instant; the same whatever the strides.

    Args:
        start: First local day of its account; some days before it are run to start from something natural.
        depths: Of sensors in tanks that do not stand in the middles of equal parts, by point; 0 top to 1 bottom.
    """

    def __init__(
        self,
        scenario: Scenario,
        *,
        start: date,
        seed: int = 0,
        perfect: bool = False,
        faults: Sequence[Fault] = (),
        depths: Mapping[str, float] | None = None,
    ) -> None:
        self.scenario, self.seed, self.perfect = scenario, seed, perfect
        self._house = House(scenario, first_day=start - timedelta(days=RUN_IN_DAYS), seed=seed, faults=faults)
        self._sampler = Sampler(self._house.site, seed=seed, perfect=perfect, faults=faults, depths=depths)
        for _ in range(RUN_IN_DAYS - 1):
            self._house.finish_day()
        last = self._house.finish_day()
        self._house.restart_account()
        # The reading of midnight belongs to the first day, and was taken in the step before it.
        self._opening = self._sampler.read(last, after=last.steps_done - 1)
        self._step = 0

    @property
    def site(self) -> Site:
        return self._house.site

    @property
    def now_ms(self) -> int:
        """Up to when readings have been given."""
        return self._house.day.start_ms + int(self._step * STEP_S * 1000)

    def copy(self) -> "LiveSite":
        """An independent house in the same state."""
        other = object.__new__(LiveSite)
        other.__dict__.update(self.__dict__)
        other._house, other._sampler = self._house.copy(), self._sampler.copy()
        return other

    def finish_day(self) -> DayRun:
        """The rest of this local day."""
        record = self._house.finish_day()
        traces = self._sampler.read(record, after=self._step)
        truth = truth_of_day(self._house, record)
        self._step = 0
        return DayRun(self._with_opening(traces), truth)

    def advance(self, until_ms: int) -> Mapping[str, Trace]:
        """
        Readings from where the last call ended up to `until_ms` (UTC milliseconds), rounded down to a step.

        Raises:
            ValueError: If `until_ms` lies before readings already given.
        """
        if until_ms < self.now_ms:
            raise ValueError(f"until_ms = {until_ms} lies before {self.now_ms}, up to which readings have been given")
        parts: list[Mapping[str, Trace]] = []
        while until_ms >= self._house.day.end_ms:
            parts.append(self.finish_day().traces)
        step = int((until_ms - self._house.day.start_ms) // (STEP_S * 1000))
        if step > self._step:
            record = self._house.run_to(step)
            parts.append(self._with_opening(self._sampler.read(record, after=self._step)))
            self._step = step
        return _joined(parts, self.site)

    def _with_opening(self, traces: Mapping[str, Trace]) -> Mapping[str, Trace]:
        opening, self._opening = self._opening, {}
        return _joined([opening, traces], self.site) if opening else traces


def run_days(
    scenario: Scenario, *, start: date, days: int, seed: int = 0, perfect: bool = False, faults: Sequence[Fault] = ()
) -> Iterator[DayRun]:
    """Day after day, for runs too long to hold at once."""
    live = LiveSite(scenario, start=start, seed=seed, perfect=perfect, faults=faults)
    for _ in range(days):
        yield live.finish_day()


def simulate(
    scenario: Scenario,
    *,
    start: date,
    days: int,
    seed: int = 0,
    perfect: bool = False,
    faults: Sequence[Fault] = (),
    depths: Mapping[str, float] | None = None,
    progress: Progress | None = None,
) -> VirtualRun:
    """
    Readings and truth of `days` local days. The same arguments give the same bytes.

    Args:
        depths: As of `LiveSite`.

    Raises:
        ValueError: If `days` is not positive.
    """
    if days < 1:
        raise ValueError(f"days must be 1 or more, not {days}")
    live = LiveSite(scenario, start=start, seed=seed, perfect=perfect, faults=faults, depths=depths)
    parts, truth = [], []
    for n in range(days):
        day = live.finish_day()
        parts.append(day.traces)
        truth.append(day.truth)
        if progress:
            progress(n + 1, days)
    return VirtualRun(scenario, live.site, _joined(parts, live.site), truth, seed, perfect, tuple(faults), live)


def _joined(parts: Sequence[Mapping[str, Trace]], site: Site) -> Mapping[str, Trace]:
    """Traces one after another. Points that share their times go on sharing them."""
    times: dict[tuple[int, ...], np.ndarray] = {}
    joined = {}
    for point in site.points:
        traces = [part[point] for part in parts if point in part] or [EMPTY_TRACE]
        key = tuple(id(trace.time_ms) for trace in traces)
        if key not in times:
            times[key] = np.concatenate([trace.time_ms for trace in traces])
        joined[point] = Trace(times[key], np.concatenate([trace.value for trace in traces]))
    return joined
