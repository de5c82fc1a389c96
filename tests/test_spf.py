"""Performance factors of a day and of a period, beside the sums of SEPEMO's boundaries."""

from datetime import date, timedelta

import pytest

from analytics.period import Span, add_up
from ingest.virtual import SCENARIOS, simulate
from tests.accounts import account_days
from tests.sepemo import SeasonalEnergy, seasonal_performance_factors

START, DAYS = date(2026, 1, 12), 5


@pytest.fixture(scope="module")
def results():
    run = simulate(SCENARIOS["two-tank"], start=START, days=DAYS, seed=5, perfect=True)
    return list(account_days(run.site, run.traces, [START + timedelta(days=n) for n in range(DAYS)]))


def _energy(result):
    """A winter day's energies in kWh by other figures of the ledger: the compressor heats all the time that it runs."""
    plant, ledger = result.plant, result.ledger
    on = plant.heat_pumps["hp"].mode > 0
    ground, desuperheater = (
        float(plant.loops[loop].pump_elec_w[on].sum()) * 60 / 3.6e6 for loop in ("ground", "desuperheater")
    )
    backup = next(line for line in ledger.stages if line.stage == "backup").heat.value
    (pump,) = ledger.heat_pumps
    return SeasonalEnergy(
        heat=pump.heating_heat.value,
        backup_heat=backup,
        heat_pump_elec=pump.heating_electricity.value,
        source_elec=ground,
        backup_elec=ledger.electricity.heaters.value,
        auxiliary_elec=desuperheater,
    )


def test_seasonal_performance_factors_of_the_worked_example():
    """SEPEMO-Build boundaries; worked example by hand, formulas from memory of D4.2."""
    energy = SeasonalEnergy(
        heat=20, backup_heat=2, heat_pump_elec=5, source_elec=0.4, backup_elec=2, auxiliary_elec=0.3
    )
    factors = seasonal_performance_factors(energy)
    assert factors == pytest.approx({"H1": 4.0, "H2": 3.7037, "H3": 2.9730, "H4": 2.8571}, abs=5e-5)


def test_a_days_factors_are_the_sums_of_the_boundaries(results):
    """SEPEMO-Build, boundaries H1 to H4 (from memory), by the sums that the worked example holds."""
    for result in results:
        expected = seasonal_performance_factors(_energy(result))
        (pump,) = result.ledger.heat_pumps
        for boundary in ("H1", "H2", "H3", "H4"):
            assert pump.spf[boundary.lower()].value == pytest.approx(expected[boundary], rel=1e-9), boundary


def test_each_boundary_takes_in_more_pumps_and_so_gives_less(results):
    (pump,) = results[0].ledger.heat_pumps
    assert pump.spf["h1"].value > pump.spf["h2"].value > pump.spf["h4"].value
    assert pump.spf["h3"].value >= pump.spf["h4"].value


def test_a_periods_factor_is_heat_over_energy_of_all_its_days(results):
    ledgers = [result.ledger for result in results]
    span = Span(START, START + timedelta(days=DAYS - 1), "days")
    (pump,) = add_up(span, ledgers, backups=["backup"]).total.heat_pumps
    energies = [_energy(result) for result in results]
    total = SeasonalEnergy(**{
        name: sum(getattr(each, name) for each in energies)
        for name in ("heat", "backup_heat", "heat_pump_elec", "source_elec", "backup_elec", "auxiliary_elec")
    })  # fmt: skip
    expected = seasonal_performance_factors(total)
    for boundary in ("H1", "H2", "H3", "H4"):
        assert pump.spf[boundary.lower()].value == pytest.approx(expected[boundary], rel=1e-9), boundary


def test_a_pump_of_unknown_power_leaves_the_wider_boundaries_unknown_and_says_so():
    run = simulate(SCENARIOS["energy-counters"], start=START, days=2, seed=5, perfect=True)
    (pump,) = next(iter(account_days(run.site, run.traces, [START]))).ledger.heat_pumps
    for figure in pump.spf.values():
        assert figure.basis in ("derived", "estimated") or figure.why
