"""Heat that leaves through a resting collector where no sensor sees the sun: the calendar tells of the dark."""

from analytics.detection import Fault, Verdict
from analytics.detection.loop_night_loss import LoopNightLoss
from tests.plants import Change, changed, healthy_day, house, plant_of

_NO_SUN_SENSOR = {'irradiance = "collector.sun"\n': ""}


def _verdict(leaving: list[Change]) -> Verdict:
    courses = changed(healthy_day(), {"collector.leaving": leaving})
    return LoopNightLoss().assess(plant_of(house(**_NO_SUN_SENSOR), courses), [], "collector")


def test_a_collector_that_stays_warm_in_the_dark_is_told_without_a_sun_sensor() -> None:
    verdict = _verdict([("00:00", "06:00", [44, 40])])
    assert isinstance(verdict, Fault)
    assert "stays warm in the dark" in verdict.findings[0].summary


def test_a_collector_that_is_still_warm_after_dusk_has_been_in_the_sun() -> None:
    assert not isinstance(_verdict([("18:00", "22:30", [70, 36]), ("22:30", "24:00", [36, 25])]), Fault)


def test_a_warm_forenoon_is_no_night() -> None:
    assert not isinstance(_verdict([("08:00", "11:00", [44, 40])]), Fault)
