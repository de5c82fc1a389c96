"""What several ask of one day is worked out once for it, and never told of another."""

from dataclasses import replace
from math import isnan

from analytics.by_day import once_a_day
from analytics.expected.heat_pump import pump_courses
from analytics.plant import PlantDay
from tests.plants import healthy_day, house, plant_of

asked: list[tuple[float, str]] = []


@once_a_day
def _until(plant: PlantDay, name: str) -> str:
    asked.append((plant.until_s, name))
    return f"{name} until {plant.until_s}"


def test_a_day_is_asked_once_and_another_one_anew() -> None:
    asked.clear()
    whole = plant_of(house(), healthy_day())
    part = replace(whole, until_s=3600.0)
    told = [_until(plant, name) for plant in (whole, part) for name in ("one", "other", "".join(("o", "ne")))]
    assert told == [f"{n} until {s}" for s in (whole.until_s, 3600.0) for n in ("one", "other", "one")]
    assert asked == [(s, n) for s in (whole.until_s, 3600.0) for n in ("one", "other")]


def test_another_pump_of_the_same_day_has_courses_of_its_own() -> None:
    plant, pump = plant_of(house(), healthy_day()), house().heat_pumps["hp"]
    elsewhere = replace(pump, source_loop="none")
    own, other = (pump_courses(plant, each, "heating") for each in (pump, elsewhere))
    assert own is not None
    assert other is not None
    assert own.entering_degc[0] < 30
    assert isnan(other.entering_degc[0])
    assert pump_courses(plant, pump, "heating") is own
