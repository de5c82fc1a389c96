"""
Heat by origin against the node-by-node truth of the virtual houses, with ordinary sensors.

The plant moves water and heat by origin through sixteen nodes in steps of seconds and shares no code with the account.
What its truth books on the room counts with what was carried over, as in the account.
"""

from datetime import date, timedelta
from functools import cache

import numpy as np
import pytest

from analytics.day import account_day, window
from analytics.origins import CARRIED_OVER, CarriedState, account_origins
from analytics.origins_mixed import MIXED_DOUBT
from analytics.plant import PlantDay
from analytics.trace import local_day
from ingest.virtual import SCENARIOS, DayTruth, simulate
from tests.accounts import day_traces

DAYS = 7
SEASONS = {"winter": date(2026, 1, 5), "summer": date(2026, 7, 6)}
SEED = 11
OF_A_DAY, OF_A_WEEK = 0.05, 0.02  # of the hot water's heat, for each origin

CASES = [
    pytest.param(layout, season, id=f"{layout}-{season}")
    for layout in ("two-tank", "solar-one-tank")
    for season in SEASONS
]


@cache
def _week(layout: str, season: str) -> list[tuple[PlantDay, DayTruth]]:
    run = simulate(SCENARIOS[layout], start=SEASONS[season], days=DAYS, seed=SEED)
    days = [local_day(SEASONS[season] + timedelta(days=n), run.site.timezone) for n in range(DAYS)]
    plants = [account_day(run.site, day_traces(run.traces, *window(day)), day).plant for day in days]
    return list(zip(plants, run.truth, strict=True))


def _true_j(truth: DayTruth) -> list[float]:
    return [*(stage.delivered_j for stage in truth.stages.values()), truth.carried_over_j + truth.room_j]


@cache
def _accounts(layout: str, season: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Found and true heat by origin and the account's doubt, (days, origins) each."""
    state: CarriedState | None = None
    found, doubt = [], []
    for plant, _ in _week(layout, season):
        delivered = account_origins(plant, state)
        state = delivered.state
        found.append(list(delivered.by_origin.values()))
        doubt.append(list(delivered.account_doubt.values()))
        assert list(delivered.by_origin)[-1] == CARRIED_OVER
    return np.array(found), np.array([_true_j(truth) for _, truth in _week(layout, season)]), np.array(doubt)


def _shares(heat: np.ndarray) -> np.ndarray:
    return heat / heat.sum(axis=-1, keepdims=True)


@pytest.mark.parametrize(("layout", "season"), CASES)
def test_each_origins_share_is_near_the_truth_on_every_day_and_over_the_week(layout, season):
    found, truth, _ = _accounts(layout, season)
    assert np.abs(_shares(found) - _shares(truth)).max() <= OF_A_DAY
    assert np.abs(_shares(found.sum(axis=0)) - _shares(truth.sum(axis=0))).max() <= OF_A_WEEK


def test_the_stated_doubt_holds_for_nine_figures_in_ten():
    """95 % is what it states; of some hundred figures of a few weeks, which are not independent, a few less may do."""
    cases = [_accounts(layout, season) for layout in ("two-tank", "solar-one-tank") for season in SEASONS]
    inside = np.concatenate([(np.abs(_shares(f) - _shares(t)) <= doubt).ravel() for f, t, doubt in cases])
    assert len(inside) >= 90
    assert inside.mean() >= 0.9


def test_a_layered_account_is_nearer_to_the_truth_than_a_mixed_one(monkeypatch):
    week = _week("solar-one-tank", "winter")
    found, truth, _ = _accounts("solar-one-tank", "winter")
    monkeypatch.setattr("analytics.origins.is_layered", lambda plant, tank: False)
    state, mixed = None, []
    for plant, _ in week:
        delivered = account_origins(plant, state)
        state = delivered.state
        mixed.append(list(delivered.by_origin.values()))
    layered_error, mixed_error = (np.abs(_shares(np.array(h)) - _shares(truth)).max() for h in (found, mixed))
    assert layered_error < 0.5 * mixed_error
    assert mixed_error < MIXED_DOUBT
