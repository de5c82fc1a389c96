"""One virtual house going through time: it owns the plant's state and moves it day by day, or part of a day."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analytics.site import Site
from analytics.trace import LocalDay, local_day
from ingest.virtual.draws import draws_of_day
from ingest.virtual.faults import Fault, effects_at
from ingest.virtual.fluid_fits import fit_fluid
from ingest.virtual.kernel import Bench, Inputs, compiled_kernel
from ingest.virtual.layout import CHANNELS, FX, NODES, STEP_S, TALLIES
from ingest.virtual.numbers import Numbers, as_record
from ingest.virtual.plant_state import PlantState, copy_state, fresh_state, restart_account
from ingest.virtual.scenario import Scenario, numbers_of, plane_of, site_of
from ingest.virtual.weather import weather_of_day

__all__ = ["RUN_IN_DAYS", "DayRecord", "House"]

RUN_IN_DAYS = 6
"""Days simulated before the first one asked for, so that tanks, ground and house start from something natural."""


@dataclass(frozen=True)
class DayRecord:
    """
    One local day of the plant, every STEP_S seconds; rows beyond `steps_done` have not happened yet.

    Args:
        now: Channels at the end of each step. (steps, channels)
        mean: Their means over each step.
        nodes_degc: Of the tanks at the end of each step. (steps, tanks, nodes)
        tally: Sums of the day so far, in the order of `layout.TALLIES`.
        delivered: Heat at the tap by origin: the stages, the room, carried over. [J]
        stored_j: Heat in each tank at the day's start and now, from 0 degC.
    """

    day: LocalDay
    now: NDArray[np.float64]
    mean: NDArray[np.float64]
    nodes_degc: NDArray[np.float64]
    tally: NDArray[np.float64]
    delivered: NDArray[np.float64]
    stored_start_j: NDArray[np.float64]
    stored_j: NDArray[np.float64]
    steps_done: int


class House:
    """
    A house at an instant. `run_to` moves it on; the state is its own, and `copy` makes an independent one.

    The surroundings depend on the date and the seed alone, so a house moved in one stride or in many comes to the same.
    """

    def __init__(self, scenario: Scenario, *, first_day: date, seed: int, faults: Sequence[Fault] = ()) -> None:
        self.scenario, self.seed, self.faults = scenario, seed, tuple(faults)
        self.site: Site = site_of(scenario)
        self.numbers: Numbers = numbers_of(scenario)
        self._record = as_record(self.numbers)
        self._plane = plane_of(self.site)
        self._fluids = _fluids(self.site)
        self._state = self._fresh(first_day)
        self._begin(first_day)

    @property
    def day(self) -> LocalDay:
        return self._day

    @property
    def state(self) -> PlantState:
        """A copy of the plant's state."""
        return copy_state(self._state)

    def restart_account(self) -> None:
        """Book all stored heat as carried over."""
        self._state = restart_account(self._state)

    def copy(self) -> "House":
        """An independent house in the same state."""
        other = object.__new__(House)
        other.__dict__.update(self.__dict__)
        for name in ("_now", "_mean", "_nodes", "_tally", "_delivered", "_stored_start"):
            setattr(other, name, getattr(self, name).copy())
        other._state = copy_state(self._state)
        return other

    def _fresh(self, first_day: date) -> PlantState:
        weather = self._weather(local_day(first_day, self.site.timezone))
        return fresh_state(
            origins=int(self.numbers.origins),
            ground_degc=weather.ground_degc,
            outdoor_degc=float(weather.outdoor_degc[0]),
            room_degc=self.numbers.room_degc,
        )

    def _weather(self, day: LocalDay):
        steps = round(day.seconds / STEP_S)
        middles = day.start_ms + ((np.arange(steps) + 0.5) * STEP_S * 1000).astype(np.int64)
        return weather_of_day(middles, day.date, climate=self.scenario.climate, plane=self._plane, seed=self.seed)

    def _begin(self, day: date) -> None:
        self._day = local_day(day, self.site.timezone)
        weather = self._weather(self._day)
        draws = draws_of_day(self.scenario.household, day, seed=self.seed, seconds=self._day.seconds)
        self._inputs = Inputs(
            weather.outdoor_degc,
            weather.irradiance_w_m2,
            weather.absorbed_w_m2,
            weather.main_degc,
            weather.ground_degc,
            draws,
        )
        steps = len(weather.outdoor_degc)
        self._now, self._mean = np.full((2, steps, len(CHANNELS)), np.nan)
        self._nodes = np.full((steps, 2, NODES), np.nan)
        self._tally, self._delivered = np.zeros(len(TALLIES)), np.zeros(int(self.numbers.origins))
        self._stored_start = self._stored()
        self._step, self._next_draw = 0, 0

    def _stored(self) -> NDArray[np.float64]:
        return self._state.h.sum(axis=1) * self._node_kg()

    def _node_kg(self) -> NDArray[np.float64]:
        return np.array([self.numbers.tank_0_kg, self.numbers.tank_1_kg]) / NODES

    def run_to(self, step: int) -> DayRecord:
        """Move on to the end of step `step` of this day (at most its last) and show the day so far."""
        step = min(step, len(self._now))
        cuts = sorted({self._step, step, *(c for c in self._cuts() if self._step < c < step)})
        for first, end in pairwise(cuts):
            effects = effects_at(self.faults, self._day.start_ms + int(first * STEP_S * 1000))
            self._run(first, end, effects)
        self._step = max(self._step, step)
        return self.record()

    def _cuts(self) -> list[int]:
        """Steps at which a fault starts or ends."""
        edges = [edge for fault in self.faults for edge in (fault.start_ms, fault.end_ms)]
        return [-int((self._day.start_ms - edge) // (STEP_S * 1000)) for edge in edges]

    def _run(self, first: int, end: int, effects: NDArray[np.float64]) -> None:
        inputs = self._inputs
        soiling = effects[FX.soiling]
        if soiling != 1.0:
            inputs = inputs._replace(absorbed_w_m2=inputs.absorbed_w_m2 * soiling)
        origins = int(self.numbers.origins)
        bench = Bench(
            self._state,
            np.zeros((2, NODES)),
            self._node_kg(),
            np.zeros(origins),
            *self._fluids,
            effects,
            self._tally,
            self._delivered,
        )
        self._next_draw = compiled_kernel()(
            bench, self._record, inputs, first, end, self._next_draw, self._now, self._mean, self._nodes
        )

    def record(self) -> DayRecord:
        """The day so far. Its arrays are the house's own until the day is over: copy what you keep."""
        return DayRecord(
            self._day,
            self._now,
            self._mean,
            self._nodes,
            self._tally.copy(),
            self._delivered.copy(),
            self._stored_start,
            self._stored(),
            self._step,
        )

    def finish_day(self) -> DayRecord:
        """Run to the day's end and open the next one."""
        record = self.run_to(len(self._now))
        self._begin(self._day.date + timedelta(days=1))
        return record


def _fluids(site: Site) -> tuple[NDArray[np.float64], ...]:
    """Water, and the fluids of the solar, the source and the load loop."""
    water = fit_fluid("water")
    pump = next(iter(site.heat_pumps.values()), None)
    collector = next(iter(site.collectors.values()), None)
    loops = (collector and collector.loop, pump and pump.source_loop, pump and pump.load_loop)
    return (water, *(_fluid_of_loop(site, loop) for loop in loops))


def _fluid_of_loop(site: Site, loop: str | None) -> NDArray[np.float64]:
    mix = site.fluids.get(site.loops[loop].fluid) if loop else None
    return fit_fluid(mix.kind, mix.mass_percent) if mix else fit_fluid("water")
