"""What a collector at rest fails to bring is told by what its own earlier days brought of the same sun."""

import pytest

from analytics.detection.findings import Fault
from analytics.detection.loop_never_called import LoopNeverCalled
from analytics.detection.usual_sun import usually_collected_kwh
from analytics.figures import DayLedger
from tests.ledgers import record, with_conditions, with_stage_heat
from tests.plants import DAY, changed, healthy_day, house, plant_of

_RESTS = {"collector.pump": [("00:00", "24:00", 0.0)], "collector.flow": [("00:00", "24:00", 0.0)]}


def _earlier(heat_kwh: float, cold_kwh: float | None, *, days: int = 8) -> list[DayLedger]:
    told = {} if cold_kwh is None else {"collector.roof.cold_allowed_kwh": cold_kwh}
    return with_stage_heat(with_conditions(record(DAY, days=days, kwh_per_h=1.2), told), {"sun": heat_kwh})


@pytest.mark.parametrize(
    ("history", "offered_kwh", "kwh"),
    [
        (_earlier(6.0, 18.0), 24.0, 8.0),  # a third of what a cold tank would have been given
        (_earlier(20.0, 18.0), 24.0, 24.0),  # never more than is offered
        (_earlier(6.0, None), 0.0, 6.0),  # nobody measures the sun: the mean of earlier days
        (_earlier(6.0, None), 24.0, 24.0),  # of such days nothing is known of what they were offered
        (_earlier(6.0, 18.0, days=4), 24.0, 24.0),  # too few days
        (_earlier(0.0, 18.0), 24.0, 24.0),  # days on which it did not work tell nothing
    ],
)
def test_the_part_of_earlier_days_counts(history: list[DayLedger], offered_kwh: float, kwh: float) -> None:
    assert usually_collected_kwh(house(), "collector", history, offered_kwh=offered_kwh) == pytest.approx(kwh)


def test_the_cost_of_a_pump_that_is_not_started_goes_by_it() -> None:
    plant = plant_of(house(), changed(healthy_day(), _RESTS))
    costs = []
    for history in ([], _earlier(6.0, 18.0)):
        verdict = LoopNeverCalled().assess(plant, history, "collector")
        assert isinstance(verdict, Fault)
        costs.append(verdict.findings[0].cost_per_day)
    assert costs[1] == pytest.approx(costs[0] / 3)
