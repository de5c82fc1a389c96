"""Limits of error against the tolerance classes of IEC 60751 and the permissible errors of EN 1434-1."""

import csv
from pathlib import Path

import numpy as np
import pytest

from analytics.accuracy import default_limit_of_error, limit_at, limit_of_error, parse_accuracy
from analytics.site import Accuracy, Point

_FOLDER = Path(__file__).parent / "reference"


def _rows(name):
    lines = [line for line in (_FOLDER / name).read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


@pytest.mark.parametrize("grade", ["AA", "A", "B", "C"])
def test_a_platinum_thermometer_keeps_the_tolerance_of_its_class(grade):
    rows = _rows("pt_sensor.csv")
    found = limit_of_error(
        parse_accuracy(f"IEC 60751 {grade}"), [float(r["t_C"]) for r in rows], "temperature", unit="degF"
    )
    # Half of the last printed digit.
    np.testing.assert_allclose(found, [float(r[f"tol_{grade}_K"]) for r in rows], atol=0.5e-4)


@pytest.mark.parametrize("grade", ["1", "2", "3"])
def test_a_flow_sensor_keeps_the_permissible_error_of_its_class(grade):
    rows = [row for row in _rows("heat_meter_mpe.csv") if row["class"] == grade]
    assert len({row["q_over_qp"] for row in rows}) == 4
    for row in rows:
        qp_over_q = 1 / float(row["q_over_qp"])
        accuracy = parse_accuracy(f"EN 1434 class {grade}")
        half = limit_of_error(accuracy, 3e-4, "flow", unit="l/min", qp_over_q=qp_over_q)
        assert float(half) / 3e-4 * 100 == pytest.approx(float(row["Ef_pct"]), abs=0.5e-3)


@pytest.mark.parametrize(("grade", "percent"), [("1", 1.1), ("2", 2.2), ("3", 3.5)])
def test_a_flow_sensor_of_unknown_size_is_taken_at_a_tenth_of_its_size(grade, percent):
    half = limit_of_error(parse_accuracy(f"EN 1434 class {grade}"), 2.0, "volume", unit="m3")
    assert float(half) == pytest.approx(2.0 * percent / 100)


def test_a_flow_sensor_is_never_taken_for_worse_than_five_percent():
    half = limit_of_error(parse_accuracy("EN 1434 class 3"), 1.0, "flow", unit="m3/s", qp_over_q=1000.0)
    assert float(half) == pytest.approx(0.05)


@pytest.mark.parametrize(
    ("stated", "value_si", "quantity", "unit", "half_si"),
    [
        (0.3, 55.0, "temperature", "degC", 0.3),
        (0.9, 55.0, "temperature", "degF", 0.5),  # 0.9 degF is half a kelvin
        ("2 %", 37.77777777777778, "temperature", "degF", 2 * 5 / 9),  # 2 % of 100 degF
        ("2 %", 1e-4, "flow", "l/min", 2e-6),
        (5, 1000.0, "power", "W", 5.0),
        (0.01, 9e6, "energy", "kWh", 36_000.0),
    ],
)
def test_a_stated_accuracy_is_in_the_points_own_unit(stated, value_si, quantity, unit, half_si):
    assert float(limit_of_error(parse_accuracy(stated), value_si, quantity, unit=unit)) == pytest.approx(half_si)


@pytest.mark.parametrize(
    ("quantity", "value_si", "half_si"),
    [
        ("temperature", -5.0, 0.5),
        ("flow", 2e-4, 1e-5),
        ("power", 2000.0, 40.0),
        ("irradiance", 800.0, 40.0),
        ("energy", 1e6, 2e4),
        ("volume", 0.1, 0.002),
        ("speed", 10.0, 0.2),
        ("status", 1.0, 0.0),
    ],
)
def test_a_sensor_of_which_nothing_is_known_has_the_usual_doubt(quantity, value_si, half_si):
    """Common practice, as the docstring says."""
    unit = {"temperature": "degF", "flow": "l/s", "irradiance": "W/m2", "energy": "J"}.get(quantity, "")
    assert float(limit_of_error(None, value_si, quantity, unit=unit)) == pytest.approx(half_si)
    assert float(default_limit_of_error(value_si, quantity)) == pytest.approx(half_si)


@pytest.mark.parametrize("stated", ["IEC 60751 B", "EN 1434 class 1", "2 %", 0.3, None])
def test_an_unknown_reading_has_an_unknown_error_and_arrays_equal_scalars(stated):
    accuracy = None if stated is None else parse_accuracy(stated)
    quantity, unit = ("flow", "l/s") if stated == "EN 1434 class 1" else ("temperature", "degC")
    values = np.array([10.0, np.nan, 60.0])
    found = limit_of_error(accuracy, values, quantity, unit=unit)
    assert np.isnan(found).tolist() == [False, True, False]
    assert found[2] == limit_of_error(accuracy, 60.0, quantity, unit=unit)


@pytest.mark.parametrize(
    ("text", "accuracy"),
    [
        ("IEC 60751 AA", Accuracy(standard="IEC 60751", grade="AA")),
        ("IEC 60751 class B", Accuracy(standard="IEC 60751", grade="B")),
        ("EN 1434 class 3", Accuracy(standard="EN 1434", grade="3")),
        ("2 %", Accuracy(standard="percent", value=2.0)),
        ("0.5%", Accuracy(standard="percent", value=0.5)),
        (0, Accuracy(standard="absolute", value=0.0)),
        (0.3, Accuracy(standard="absolute", value=0.3)),
    ],
)
def test_a_makers_statement_is_read(text, accuracy):
    assert parse_accuracy(text) == accuracy


@pytest.mark.parametrize("text", ["IEC 60751 D", "EN 1434 class 4", "2 percent", "", "-2 %", "1434"])
def test_a_statement_that_means_nothing_is_refused_with_the_forms_that_do(text):
    with pytest.raises(ValueError, match=r"is not an accuracy; write a class \(\"IEC 60751 A\", \"EN 1434 class 2\"\)"):
        parse_accuracy(text)


@pytest.mark.parametrize("value", [-0.1, float("inf"), float("nan")])
def test_a_half_width_is_zero_or_more(value):
    with pytest.raises(ValueError, match=r"is not a half-width; .*zero or more"):
        parse_accuracy(value)


@pytest.mark.parametrize("accuracy", [None, "IEC 60751 B", "2 %", 0.3], ids=str)
@pytest.mark.parametrize("unit", ["degC", "degF"])
def test_a_points_limit_at_one_value_is_its_limit_of_error_there(accuracy, unit):
    stated = None if accuracy is None else parse_accuracy(accuracy)
    point = Point(id="p", quantity="temperature", unit=unit, accuracy=stated)
    assert limit_at(point, -7.5) == limit_of_error(stated, -7.5, "temperature", unit=unit)
