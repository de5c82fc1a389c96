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
from ingest.virtual.kernel import Inputs, compiled_kernel
from ingest.virtual.layout import CHANNELS, FX, STEP_S
from ingest.virtual.numbers import Numbers, as_record
from ingest.virtual.plant_state import Plant, fresh_plant, restart_account
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
        self._plant = self._fresh(first_day)
        self._begin(first_day)

    @property
    def day(self) -> LocalDay:
        return self._day

    def restart_account(self) -> None:
        """Book all stored heat as carried over."""
        self._plant = restart_account(self._plant)

    def copy(self) -> "House":
        """An independent house in the same state."""
        other = object.__new__(House)
        other.__dict__.update(self.__dict__)
        for name in ("_plant", "_now", "_mean", "_nodes"):
            setattr(other, name, getattr(self, name).copy())
        return other

    def _fresh(self, first_day: date) -> Plant:
        weather = self._weather(local_day(first_day, self.site.timezone))
        plant = fresh_plant(
            nodes=self.scenario.nodes,
            ground_degc=weather.ground_degc,
            outdoor_degc=float(weather.outdoor_degc[0]),
            room_degc=self.numbers.room_degc,
        )
        plant["node_kg"] = np.array([self.numbers.tank_0_kg, self.numbers.tank_1_kg]) / self.scenario.nodes
        for name, fluid in _fluids(self.site).items():
            plant[name] = fluid
        return plant

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
        self._nodes = np.full((steps, 2, self.scenario.nodes), np.nan)
        self._plant["tally"], self._plant["delivered"] = 0.0, 0.0
        self._stored_start = self._stored()
        self._step, self._next_draw = 0, 0

    def _stored(self) -> NDArray[np.float64]:
        return self._plant["h"][0].sum(axis=1) * self._plant["node_kg"][0]

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
        day = self._day
        edges = [edge for fault in self.faults for edge in fault.steps_ms(day.start_ms, day.end_ms)]
        return [-int((self._day.start_ms - edge) // (STEP_S * 1000)) for edge in edges]

    def _run(self, first: int, end: int, effects: NDArray[np.float64]) -> None:
        inputs = self._inputs
        soiling = effects[FX.soiling]
        if soiling != 1.0:
            inputs = inputs._replace(absorbed_w_m2=inputs.absorbed_w_m2 * soiling)
        self._plant["fx"] = effects
        self._next_draw = compiled_kernel(self.scenario.nodes)(
            self._plant, self._record, inputs, first, end, self._next_draw, self._now, self._mean, self._nodes
        )

    def record(self) -> DayRecord:
        """The day so far. Its arrays are the house's own until the day is over: copy what you keep."""
        return DayRecord(
            self._day,
            self._now,
            self._mean,
            self._nodes,
            self._plant["tally"][0].copy(),
            self._plant["delivered"][0].copy(),
            self._stored_start,
            self._stored(),
            self._step,
        )

    def finish_day(self) -> DayRecord:
        """Run to the day's end and open the next one."""
        record = self.run_to(len(self._now))
        self._begin(self._day.date + timedelta(days=1))
        return record


def _fluids(site: Site) -> dict[str, NDArray[np.float64]]:
    """Water, and the fluids of the solar, the source and the load loop, by their fields of the plant."""
    pump = next(iter(site.heat_pumps.values()), None)
    collector = next(iter(site.collectors.values()), None)
    return {
        "water": fit_fluid("water"),
        "sun_fluid": _fluid_of_loop(site, collector and collector.loop),
        "source_fluid": _fluid_of_loop(site, pump and pump.source_loop),
        "load_fluid": _fluid_of_loop(site, pump and pump.load_loop),
    }


def _fluid_of_loop(site: Site, loop: str | None) -> NDArray[np.float64]:
    mix = site.fluids.get(site.loops[loop].fluid) if loop else None
    return fit_fluid(mix.kind, mix.mass_percent) if mix else fit_fluid("water")
