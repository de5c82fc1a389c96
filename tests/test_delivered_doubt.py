"""How far a stage's heat at the taps moves with the meter of its loop: tried out beside what its doubt says."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from analytics.day import DayResult
from analytics.figures import Figure
from ingest.virtual import SCENARIOS, simulate
from tests.accounts import account_days

MAY = date(2026, 5, 2)
TOO_HIGH = 1.03
METER = "collector.flow"


@pytest.mark.parametrize(("layout", "least"), [("solar-one-tank", 0.6), ("boiler-backup", 0.3)])
def test_a_flow_meter_that_shows_too_much_moves_the_suns_heat_at_the_taps_by_about_what_its_doubt_says(
    layout: str, least: float
) -> None:
    """
    Sensors along the tank know most of what is in it; an error at the limit is √3 standard uncertainties.

    Over several houses: a single one may go the other way, where its water mixes an hour sooner.
    """
    pairs = [_moved_and_told(layout, seed) for seed in range(1, 9)]
    moved, told = (sum(column) for column in zip(*pairs, strict=True))
    assert least * told < moved < 1.1 * told


def _moved_and_told(layout: str, seed: int) -> tuple[float, float]:
    run = simulate(SCENARIOS[layout], start=MAY, days=6, seed=seed)
    days = [MAY + timedelta(days=n) for n in range(6)]
    high = {**run.traces, METER: replace(run.traces[METER], value=run.traces[METER].value * TOO_HIGH)}
    as_is, too_high = (list(account_days(run.site, traces, days))[2:] for traces in (run.traces, high))
    accuracy = run.site.points[METER].accuracy
    assert accuracy is not None
    standard = sum(_of_sun(day).doubt.steady.get(METER, 0.0) for day in as_is)
    moved = sum(_of_sun(day).value for day in too_high) - sum(_of_sun(day).value for day in as_is)
    return moved, standard * 3**0.5 * (TOO_HIGH - 1.0) / (accuracy.value / 100.0)


def _of_sun(day: DayResult) -> Figure:
    return next(line.delivered for line in day.ledger.stages if line.stage == "sun")
