"""What a tank's quiet hours tell of its loss, and where they tell nothing."""

from datetime import date

import numpy as np
import pytest

from analytics.expected.conditions import conditions_of
from analytics.expected.standby import STANDBY_W_K
from analytics.trace import Trace
from ingest.virtual import SCENARIOS, simulate
from tests.accounts import account_days

DAY = date(2026, 3, 3)
TOP_DEGC, W_K = 34.0, 2.5
LAST_DRAW_MS = 10 * 3_600_000


def _told_w_k(below_degc: float) -> float | None:
    """Of a day from whose morning on nothing moves, while the top falls as a tank of so much loss would."""
    run = simulate(SCENARIOS["solar-one-tank"], start=DAY, days=1, seed=5)
    tank = run.site.tanks["store"]
    room_degc = float(tank.ambient)
    rate = W_K / (tank.volume_l * 4150.0)

    def at_rest(point: str, trace: Trace) -> Trace:
        quantity = run.site.points[point].quantity
        if quantity in ("flow", "power", "status", "speed"):
            # A meter that has shown no draw at all would not be believed.
            is_past = trace.time_ms - trace.time_ms[0] > LAST_DRAW_MS if point == run.site.hot_water.flow else True
            return Trace(trace.time_ms, np.where(is_past, 0.0, trace.value))
        if point in tank.temperatures:
            start = TOP_DEGC if point == tank.temperatures[0] else below_degc
            time_s = (trace.time_ms - trace.time_ms[0]) / 1e3
            return Trace(trace.time_ms, room_degc + (start - room_degc) * np.exp(-rate * time_s))
        return trace

    traces = {point: at_rest(point, trace) for point, trace in run.traces.items()}
    ledger = next(iter(account_days(run.site, traces, [DAY]))).ledger
    return conditions_of(ledger).get(f"tank.store.{STANDBY_W_K}")


def test_a_tank_at_rest_tells_its_loss():
    assert _told_w_k(below_degc=25.0) == pytest.approx(W_K, rel=0.05)


@pytest.mark.parametrize("below_degc", [10.0, 15.0])
def test_a_warm_top_above_water_far_colder_than_the_room_tells_nothing(below_degc: float):
    assert _told_w_k(below_degc) is None
