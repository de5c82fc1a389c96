"""Any figure of a day with its working."""

from dataclasses import dataclass
from functools import cached_property
from math import isnan

from analytics.figure_paths import figures_by_path
from analytics.figures import DayLedger
from analytics.origins import CARRIED_OVER, CarriedState
from analytics.plant import PlantDay
from analytics.workings.heat_pumps import cop_working, heat_pump_working
from analytics.workings.inputs import electricity_working, heater_working
from analytics.workings.loops import loop_working
from analytics.workings.money import purchased_working, saved_working
from analytics.workings.origins import Followed, delivered_working, follow_origins
from analytics.workings.shares import factor_working, fraction_working
from analytics.workings.tanks import loss_working, residual_working, stored_working
from analytics.workings.water import volume_working, water_heat_working
from analytics.workings.written import Step, Working, kwh

__all__ = ["WorkedDay", "working_of"]


@dataclass(frozen=True)
class WorkedDay:
    """
    A day accounted anew from its readings, with what the day before left.

    Args:
        plant, ledger: As `analytics.day.account_day` gives them.
        before: The state that it was given.
    """

    plant: PlantDay
    ledger: DayLedger
    before: CarriedState | None

    @cached_property
    def followed(self) -> Followed:
        """Heat by origin, followed once for all figures that ask."""
        return follow_origins(self.plant, self.before)


def working_of(day: WorkedDay, path: str) -> Working | None:
    """
    The working of a figure by its path (`analytics.figure_paths`); None where the figure is not known.

    Raises:
        KeyError: If there is no such figure.
    """
    if isnan(figures_by_path(day.ledger)[path].value):
        return None
    kind, _, rest = path.partition(".")
    plant = day.plant
    if kind == "stages":
        return _stage(day, path, rest)
    if kind == "hot_water":
        return _hot_water(day, path, rest)
    if kind == "tanks":
        return _tank(day, path, rest)
    if kind == "heat_pumps":
        return _heat_pump(day, path, rest)
    if kind == "electricity":
        return electricity_working(plant, path)
    if kind == "purchased":
        return purchased_working(plant, path)
    return saved_working(plant, day.ledger, path) if kind == "saved" else fraction_working(plant, day.ledger, path)


def _stage(day: WorkedDay, path: str, rest: str) -> Working:
    name, _, what = rest.rpartition(".")
    stage = day.plant.site.stages[name]
    if what == "delivered":
        return delivered_working(day.plant, day.followed, path, origin=name)
    if stage.loop:
        return loop_working(day.plant, day.plant.loops[stage.loop], path, gives=what == "heat")
    if what == "reverse":
        return Working(path, (), (), [Step("Taken back", "0.000 kWh", kwh(0.0))], ["A heater takes nothing out."])
    return heater_working(day.plant, day.plant.site.heaters[stage.heater or ""], path)


def _tank(day: WorkedDay, path: str, rest: str) -> Working:
    name, _, what = rest.rpartition(".")
    tank = day.plant.site.tanks[name]
    if what == "loss":
        return loss_working(day.plant, tank, path)
    stored = figures_by_path(day.ledger)[f"tanks.{name}.stored_change"]
    if what == "residual":
        return residual_working(day.plant, tank, path, stored.value)
    return stored_working(day.plant, tank, path, day.followed.layered[name] if stored.basis == "derived" else None)


def _hot_water(day: WorkedDay, path: str, rest: str) -> Working:
    if rest == "carried_over":
        return delivered_working(day.plant, day.followed, path, origin=CARRIED_OVER)
    return volume_working(day.plant, path) if rest == "volume" else water_heat_working(day.plant, path)


def _heat_pump(day: WorkedDay, path: str, rest: str) -> Working:
    pump = day.plant.heat_pumps[rest.partition(".")[0]]
    if ".spf." in path:
        return cop_working(day.plant, pump, path) if path.endswith(".h1") else factor_working(day.plant, pump, path)
    return heat_pump_working(day.plant, pump, path)
