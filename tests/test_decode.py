"""
SenML is read as its standards say; examples are those of the standards.

Sources: RFC 8428 (SenML, August 2018), sections 5.1 and 6; RFC 8798 (additional units, June 2020), table 2 and its two
worked examples; RFC 9100 (features and versions, August 2021), sections 2 and 4. Published values throughout.
"""

import json
import struct
from fractions import Fraction
from typing import Any

import cbor2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.columns import SWITCH, Columns, Fault
from ingest.decode import Message, decode
from ingest.senml import decode_senml_cbor, decode_senml_json
from ingest.senml_units import SECONDARY_UNITS, sum_unit, to_site_unit
from tests.gateways import BASE_S, small_directory

NOW_S = 1_780_315_200.0


def _read(records: list[dict[str, Any]]) -> Columns:
    return decode_senml_json(json.dumps(records).encode(), received_s=NOW_S)


Row = tuple[int, str, str | None, float, float]


def _all(columns: Columns) -> tuple[list[Row], list[Fault]]:
    rows = zip(columns.record, columns.name, columns.unit, columns.time_s, columns.value, strict=True)
    return list(rows), list(columns.faults)


def _rows(columns: Columns) -> list[tuple[str, str | None, float, float]]:
    return list(zip(columns.name, columns.unit, columns.time_s, columns.value, strict=True))


def test_a_single_datapoint_is_taken_now() -> None:
    columns = decode_senml_json(b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]', received_s=NOW_S)
    assert _rows(columns) == [("urn:dev:ow:10e2073a01080063", "Cel", NOW_S, 23.1)]  # RFC 8428, 5.1.1


RFC_8428_5_1_2 = b"""[
  {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
  {"n":"current","t":-5,"v":1.2}, {"n":"current","t":-4,"v":1.3}, {"n":"current","t":-3,"v":1.4},
  {"n":"current","t":-2,"v":1.5}, {"n":"current","t":-1,"v":1.6}, {"n":"current","v":1.7}
]"""
RFC_8428_6_CBOR = bytes.fromhex(
    "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a22fb41d303a15b00106223614120050067766f6c7461676501"
    "615602fb405e066666666666a3006763757272656e74062402fb3ff3333333333333a3006763757272656e74062302fb3ff4cccccccccccda3"
    "006763757272656e74062202fb3ff6666666666666a3006763757272656e74062102f93e00a3006763757272656e74062002fb3ff999999999"
    "999aa3006763757272656e74060002fb3ffb333333333333"
)


def test_multiple_datapoints_have_base_name_unit_and_time() -> None:
    rows = _rows(decode_senml_json(RFC_8428_5_1_2, received_s=NOW_S))
    assert rows[0] == ("urn:dev:ow:10e2073a0108006:voltage", "V", 1276020076.001, 120.1)
    assert [(name.rpartition(":")[2], unit) for name, unit, *_ in rows[1:]] == [("current", "A")] * 6
    assert [round(time, 3) for _, _, time, _ in rows[1:]] == [1276020076.001 - back for back in (5, 4, 3, 2, 1, 0)]
    assert [value for *_, value in rows[1:]] == [1.2, 1.3, 1.4, 1.5, 1.6, 1.7]


def test_the_cbor_example_says_the_same_as_the_json_one() -> None:
    from_cbor = decode_senml_cbor(RFC_8428_6_CBOR, received_s=NOW_S)
    assert _all(from_cbor) == _all(decode_senml_json(RFC_8428_5_1_2, received_s=NOW_S))


RFC_8428_5_1_3 = b"""[
  {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},
  {"u":"lon","v":24.30621}, {"u":"lat","v":60.07965},
  {"t":60,"v":20.3}, {"u":"lon","t":60,"v":24.30622}, {"u":"lat","t":60,"v":60.07965},
  {"t":120,"v":20.7}, {"u":"lon","t":120,"v":24.30623}, {"u":"lat","t":120,"v":60.07966},
  {"u":"%EL","t":150,"v":98},
  {"t":180,"v":21.2}, {"u":"lon","t":180,"v":24.30628}, {"u":"lat","t":180,"v":60.07967}
]"""
RFC_8428_5_1_4 = b"""[
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,"v":24.30621},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09,"v":60.07965},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067524e+09,"v":24.30622},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067524e+09,"v":60.07965},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,"v":20.7},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067584e+09,"v":24.30623},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067584e+09,"v":60.07966},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,"v":98},
  {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,"v":21.2},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067644e+09,"v":24.30628},
  {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067644e+09,"v":60.07967}
]"""


def test_multiple_measurements_equal_their_resolved_form() -> None:
    sent = decode_senml_json(RFC_8428_5_1_3, received_s=NOW_S)
    assert len(sent.value) == 13
    assert _all(sent) == _all(decode_senml_json(RFC_8428_5_1_4, received_s=NOW_S))


def test_of_several_data_types_numbers_and_switches_are_readings() -> None:
    payload = b"""[
      {"bn":"urn:dev:ow:10e2073a01080063:","n":"temp","u":"Cel","v":23.1}, {"n":"label","vs":"Machine Room"},
      {"n":"open","vb":false}, {"n":"nfv-reader","vd":"aGkgCg"}
    ]"""  # RFC 8428, 5.1.5
    columns = decode_senml_json(payload, received_s=NOW_S)
    assert [(unit, value) for _, unit, _, value in _rows(columns)] == [("Cel", 23.1), (SWITCH, 0.0)]
    assert [fault.record for fault in columns.faults] == [1, 3]
    assert columns.n_received == 4


def test_a_record_of_base_fields_alone_is_no_reading() -> None:
    payload = b"""[{"bn":"urn:dev:ow:10e2073a01080063:"}, {"n":"temp","u":"Cel","v":23.1}, {"n":"heat","u":"/","v":1},
      {"n":"fan","u":"/","v":0}]"""  # RFC 8428, 5.1.7
    columns = decode_senml_json(payload, received_s=NOW_S)
    assert [name.rpartition(":")[2] for name in columns.name] == ["temp", "heat", "fan"]
    assert columns.record == [1, 2, 3]
    assert columns.n_received == 3


def test_a_base_field_holds_from_its_record_on() -> None:
    rows = _rows(
        _read(
            [{"bn": "a/", "bt": BASE_S, "n": "x", "v": 1}, {"n": "y", "v": 2}, {"bn": "b/", "bt": 9, "n": "x", "v": 3}]
        )
    )
    assert rows == [("a/x", None, BASE_S, 1.0), ("a/y", None, BASE_S, 2.0), ("b/x", None, NOW_S + 9, 3.0)]


def test_a_base_value_is_added_and_stands_alone_where_there_is_no_value() -> None:
    columns = _read([{"bv": 20, "n": "x", "v": 1.5}, {"n": "y", "v": -0.5}, {"n": "z"}])
    assert columns.value == [21.5, 19.5, 20.0]  # RFC 8428, 4.5.4


@pytest.mark.parametrize(
    ("sent_s", "is_at_s"),
    [(0, NOW_S), (-30, NOW_S - 30), (120, NOW_S + 120), (2**28 - 1, NOW_S + 2**28 - 1), (2**28, 2**28)],
)
def test_a_time_below_two_to_the_28_counts_from_now(sent_s: int, is_at_s: float) -> None:
    assert _read([{"n": "x", "t": sent_s, "v": 1}]).time_s == [is_at_s]  # RFC 8428, 4.5.3


@pytest.mark.parametrize("version", [5, 10, 26])
def test_known_versions_are_read(version: int) -> None:
    assert _read([{"bver": version, "n": "x", "v": 1}]).value == [1.0]


@pytest.mark.parametrize("version", [-1, 11, 12, 16, 27, 42, 58])
def test_versions_with_unknown_features_are_not(version: int) -> None:
    (fault,) = _read([{"bver": version, "n": "x", "v": 1}]).faults
    assert f"(bver) is {version}" in fault.reason  # RFC 9100, 2: all features that a pack asks for, or nothing


@pytest.mark.parametrize("unit", sorted(SECONDARY_UNITS))
def test_a_secondary_unit_needs_version_26(unit: str) -> None:
    assert _read([{"bver": 26, "n": "x", "u": unit, "v": 1}]).unit == [unit]  # RFC 9100, 4
    (fault,) = _read([{"n": "x", "u": unit, "v": 1}]).faults
    assert f"secondary unit {unit!r}" in fault.reason


@pytest.mark.parametrize(("value", "unit", "primary"), [(100, "ms", ("s", 0.1)), (10, "dBm", ("dBW", -20.0))])
def test_secondary_units_convert_as_in_the_worked_examples(value: int, unit: str, primary: tuple[str, float]) -> None:
    name, scale, offset = SECONDARY_UNITS[unit]
    assert (name, float(value * scale + offset)) == primary  # RFC 8798, 3


def test_percent_is_the_plain_ratio_and_a_hundredth_has_a_name_of_its_own() -> None:
    assert to_site_unit("%", "status") == ("/", Fraction(1), Fraction(0))  # RFC 8428, 12.1, note 2
    assert to_site_unit("/100", "status") == ("/", Fraction(1, 100), Fraction(0))  # RFC 8798, table 2


def test_a_sum_is_the_value_integrated_over_seconds() -> None:
    columns = _read([{"bs": 1000, "n": "x", "u": "W", "s": 500}])
    assert (columns.value, columns.unit) == ([1500.0], ["J"])  # RFC 8428, 4.2 and 4.5.5
    assert sum_unit("Cel") is None


def test_an_unknown_label_is_passed_over_and_update_time_too() -> None:
    assert _read([{"n": "x", "v": 1, "quality": "good", "ut": 60}]).value == [1.0]  # RFC 8428, 4.4


def test_a_decimal_fraction_in_cbor_is_a_number() -> None:
    payload = cbor2.dumps([{0: "x", 2: cbor2.CBORTag(4, [-2, 2150])}])  # RFC 8428, 6: tag 4
    assert decode_senml_cbor(payload, received_s=NOW_S).value == [21.5]


NAMES = st.text("abcxyz019.-_", min_size=1, max_size=8)
FLOATS = st.floats(allow_nan=False, allow_infinity=False)
TIMES = st.integers(BASE_S, BASE_S + 10**6) | st.floats(-1000, 1000) | st.none()
RECORDS = st.builds(
    lambda n, v, t, u: {"v": v} | {key: x for key, x in (("n", n), ("t", t), ("u", u)) if x is not None},
    NAMES | st.none(),
    FLOATS,
    TIMES,
    st.sampled_from(["Cel", "W", "kW", None]),
)
BASES = st.fixed_dictionaries(
    {}, optional={"bn": NAMES, "bt": st.just(BASE_S), "bu": st.just("Cel"), "bver": st.sampled_from([10, 26])}
)


@given(BASES, st.lists(RECORDS, min_size=1, max_size=6))
def test_the_fast_way_and_the_careful_way_agree(base: dict[str, Any], records: list[dict[str, Any]]) -> None:
    pack = [base | records[0], *records[1:]]
    careful = _read([record | {"ut": 1} for record in pack])  # an update time takes the careful way, and says nothing
    assert _all(_read(pack)) == _all(careful)


@given(BASES, st.lists(RECORDS, min_size=1, max_size=6))
def test_json_and_cbor_agree(base: dict[str, Any], records: list[dict[str, Any]]) -> None:
    pack = [base | records[0], *records[1:]]
    labels = {"bver": -1, "bn": -2, "bt": -3, "bu": -4, "n": 0, "u": 1, "v": 2, "t": 6}  # RFC 8428, table 6
    payload = cbor2.dumps([{labels[label]: value for label, value in record.items()} for record in pack])
    assert _all(decode_senml_cbor(payload, received_s=NOW_S)) == _all(_read(pack))


@given(FLOATS)
def test_a_value_is_read_to_the_bit(value: float) -> None:
    (read,) = _read([{"n": "x", "v": value}]).value
    assert struct.pack("<d", read) == struct.pack("<d", value)


@given(st.binary(max_size=64))
def test_no_payload_breaks_a_decoder(payload: bytes) -> None:
    for decoder in (decode_senml_json, decode_senml_cbor):
        columns = decoder(payload, received_s=NOW_S)
        assert columns.n_received >= len(columns.value)


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers() | FLOATS | st.text(max_size=4),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["n", "v", "u", "t", "bn", "bt", "bver", "vb", "s", "x_", "b_"]), inner)
    ),
    max_leaves=12,
)


@given(JUNK)
def test_no_json_breaks_the_decoder_and_every_record_is_accounted_for(junk: Any) -> None:
    columns = _read(junk)
    if not isinstance(junk, list) or any(fault.record is None for fault in columns.faults):
        assert len(columns.value) == 0
        assert columns.n_received >= 1
    else:
        seen = [*columns.record, *(fault.record for fault in columns.faults)]
        assert len(seen) == len(set(seen))
        assert set(seen) <= set(range(len(junk)))


def _plain(topic: str, payload: bytes) -> Columns:
    return decode(Message(topic, payload, 1_780_315_200_000), small_directory())[0]


@pytest.mark.parametrize(
    ("payload", "value"),
    [(b"21.5", 21.5), (b" -3 \n", -3.0), (b"1e1", 10.0), (b"+7", 7.0)],
)
def test_a_plain_value_is_a_number_at_the_time_of_arrival(payload: bytes, value: float) -> None:
    columns = _plain("cellar/temperature", payload)
    assert _rows(columns) == [("mill-lane-9/cellar", None, 1_780_315_200.0, value)]


@pytest.mark.parametrize(("payload", "value"), [(b"ON", 1.0), (b"off", 0.0), (b"true", 1.0), (b"1", 1.0), (b"0", 0.0)])
def test_a_plain_switch_may_be_a_word(payload: bytes, value: float) -> None:
    assert list(_plain("cellar/fan", payload).value) == [value]


def test_a_field_is_a_path_of_keys_and_points_share_a_topic() -> None:
    payload = b'{"Time":"2026-06-01T12:00:00","SI7021":{"Temperature":"22.25","Valve":true}}'
    assert list(_plain("plug/room/SENSOR", payload).value) == [22.25, 1.0]


def test_a_gateway_may_publish_its_fields_in_turn() -> None:
    columns = _plain("plug/room/SENSOR", b'{"SI7021":{"Valve":"OFF"}}')
    assert _all(columns) == ([(1, "mill-lane-9/humid", SWITCH, 1_780_315_200.0, 0.0)], [])
