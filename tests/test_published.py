"""
Formulas and fits against numbers that others have published; each table in `tests/reference` names its source.

Searched for and not found in free texts: a SEPEMO example with its energies (the boundaries are published, as quoted by
UCL's Energy Futures Lab in 2022 and by designingbuildings.co.uk; `test_performance` has an example by hand), the days
behind an ISO 9459-2 test report, the worked example of ASHRAE Guideline 14. CUSUM run lengths are in `test_cusum`.
"""

import numpy as np
import pytest

from analytics.expected.ground import ground_temperature
from analytics.expected.input_output import fit_input_output
from analytics.expected.linear import fit_linear
from analytics.performance import carnot_cop
from tests.reference_tables import rows

_DIFFUSIVITY_M2_DAY = 1.08 / (980 * 2570) * 86_400


def _columns(name: str) -> tuple[np.ndarray, np.ndarray]:
    return tuple(np.array([float(row[column]) for row in rows(name)]) for column in ("y", "x"))


def test_guideline_14_figures_are_nists_certified_ones() -> None:
    y, x = _columns("nist_norris.csv")
    fit = fit_linear(x[:, np.newaxis], y, names=("x",))
    np.testing.assert_allclose(fit.coefficients, [1.00211681802045, -0.262323073774029], rtol=1e-9)
    assert fit.statistics.cv_rmse == pytest.approx(0.884796396144373 / y.mean(), rel=1e-9)
    assert fit.statistics.r_squared == pytest.approx(0.999993745883712, abs=1e-12)
    assert fit.statistics.nmbe == pytest.approx(0.0, abs=1e-12)


def test_the_input_output_correlation_fits_two_inputs_as_nist_certifies() -> None:
    """Scaled, since 3 million and its square are no megajoules and kelvins: x / 1e5 and (x / 1e5)^2 / 10."""
    y, x = _columns("nist_pontius.csv")
    fit = fit_input_output(y, x / 1e5, air_degc=(x / 1e5) ** 2 / 10 + 12.0, cold_degc=np.full(40, 12.0))
    certified = [0.732059160401003e-6 * 1e5, -0.316081871345029e-14 * 1e11, 0.673565789473684e-3]
    np.testing.assert_allclose(fit.coefficients, certified, rtol=1e-8)
    assert fit.residual_sd == pytest.approx(0.205177424076185e-3, rel=1e-8)


@pytest.mark.parametrize("row", rows("kusuda_published.csv"), ids=lambda r: f"z{r['z_m']} d{r['day_of_year']}")
def test_the_ground_is_as_another_program_is_tested_for(row: dict[str, str]) -> None:
    found = ground_temperature(
        float(row["z_m"]),
        float(row["day_of_year"]),
        mean_degc=15,
        amplitude_k=5,
        coldest_day=1,
        diffusivity_m2_day=_DIFFUSIVITY_M2_DAY,
    )
    assert found == pytest.approx(float(row["T_C"]), abs=0.01)


@pytest.mark.parametrize("row", rows("carnot_published.csv"), ids=lambda r: r["source"])
def test_carnot_is_as_printed(row: dict[str, str]) -> None:
    found = carnot_cop(float(row["T_source_C"]), float(row["T_sink_C"]), mode=row["mode"])
    assert found == pytest.approx(float(row["COP"]), abs=float(row["half_digit"]))
