"""Any site file that is let in, any readings: every figure is a number with its interval, or says why not."""

from datetime import timedelta
from math import isfinite, isnan

import msgspec
import pytest

from analytics.capability import capabilities
from analytics.day import account_day
from analytics.detection import assess_day
from analytics.figure_paths import figures_by_path
from analytics.figures import day_from_json, day_to_json, day_to_record
from analytics.origins import state_to_json
from analytics.period import add_up, spans
from analytics.trace import local_day
from analytics.workings.day import WorkedDay, working_of
from tests.any_house import FIRST_DAYS, any_site, any_traces

# 71 and 183 once gave an interval that was no number.
SEEDS = [*range(8), 71, 183]


@pytest.mark.parametrize("seed", SEEDS)
def test_every_figure_of_any_house_is_a_number_with_an_interval_or_says_why_not(seed):
    site, state, ledgers = any_site(seed), None, []
    assert capabilities(site)
    first = FIRST_DAYS[seed % len(FIRST_DAYS)]
    for day in (local_day(first + timedelta(days=n), site.timezone) for n in range(3)):
        before = state
        result = account_day(site, any_traces(site, day, seed=seed), day, state=state)
        state, ledger = result.state, result.ledger
        for path, figure in figures_by_path(ledger).items():
            if figure.basis == "unavailable":
                assert isnan(figure.value), path
                assert figure.why, path
                continue
            assert isfinite(figure.value), path
            assert 0.0 <= figure.plus_minus < float("inf"), path
            assert -1e-9 <= figure.coverage <= 1.0 + 1e-9, path
            working = working_of(WorkedDay(result.plant, ledger, before), path)
            assert working is None or working.steps or working.inputs or working.remarks, path
        _assert_parts_add_up(ledger)
        assert all(isfinite(check.difference_k) and isfinite(check.u_k) for check in ledger.pair_checks)
        assert assess_day(result.plant, ledgers)
        assert day_to_json(day_from_json(site.id, day_to_json(ledger))) == day_to_json(ledger)
        assert msgspec.json.encode(state_to_json(state))  # as records keep it: plain numbers
        kept = day_to_record(ledger)
        assert (
            msgspec.json.decode(msgspec.json.encode(kept)) == kept
        )  # else a day computed again would seem to have moved
        ledgers.append(ledger)
    week = add_up(spans("week", ledgers[0].day, ledgers[-1].day)[0], ledgers, backups=set())
    assert week.n_known == len(ledgers)


def _assert_parts_add_up(ledger):
    heat = ledger.hot_water.heat.value
    parts = [*(line.delivered.value for line in ledger.stages), ledger.hot_water.carried_over.value]
    if all(isfinite(part) for part in (heat, *parts)):
        assert sum(parts) == pytest.approx(heat, rel=1e-9, abs=1e-9)
