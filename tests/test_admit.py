"""Admission: what is good goes on in the point's own unit, what is not goes back with its reason, and all adds up."""

import json
import struct
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.admit import EARLIEST_MS, MAX_AHEAD_MS, Admitted, PresenceNews, admit
from ingest.decode import Message
from ingest.directory import directory_of
from tests.gateways import SITE, TOPIC, small_directory

NOW_MS = 1_780_315_200_000


def _admit(*records: Mapping[str, Any], topic: str = TOPIC) -> Admitted:
    message = Message(topic, json.dumps(records).encode(), NOW_MS)
    return admit([message], small_directory(), now_ms=NOW_MS)


def _only_value(admitted: Admitted) -> float:
    assert admitted.rejections == []
    (value,) = admitted.batch.value.tolist()
    return float(value)


@pytest.mark.parametrize(
    ("point", "sent", "value"),
    [
        ("t0", {"u": "Cel", "v": 21.5}, 21.5),
        ("t0", {"v": 21.5}, 21.5),
        ("t0", {"u": "K", "v": 273.15}, 0.0),
        ("t0", {"u": "degF", "v": 212}, 100.0),
        ("draw.flow", {"u": "l/s", "v": 0.1}, 6.0),
        ("draw.flow", {"u": "m3/s", "v": 0.0001}, 6.0),
        ("draw.flow", {"u": "l/min", "v": 6.0}, 6.0),
        ("hp.power", {"bver": 26, "u": "kW", "v": 2.25}, 2250.0),
        ("hp.energy", {"u": "J", "v": 7_200_000}, 2.0),
        ("hp.energy", {"bver": 26, "u": "kWh", "v": 1234.567}, 1234.567),
        ("hp.energy", {"u": "W", "s": 3_600_000}, 1.0),
        ("meter.heat", {"bver": 26, "u": "kW", "s": 3.0}, 3000.0),
        ("meter.volume", {"u": "l", "v": 1500}, 1.5),
        ("meter.volume", {"u": "l/s", "s": 1500}, 1.5),
        ("pump", {"vb": True}, 1.0),
        ("pump", {"u": "/", "v": 0}, 0.0),
        ("pump", {"u": "%", "v": 1}, 1.0),
        ("pump", {"bver": 26, "u": "/100", "v": 100}, 1.0),
    ],
)
def test_a_value_comes_in_the_unit_of_its_point(point: str, sent: Mapping[str, Any], value: float) -> None:
    assert _only_value(_admit({"n": point, **sent})) == pytest.approx(value, rel=1e-15, abs=1e-12)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_value_in_the_points_own_unit_is_exact_to_the_bit(value: float) -> None:
    read = _only_value(_admit({"n": "t0", "u": "Cel", "v": value}))
    assert struct.pack("<d", read) == struct.pack("<d", value)


@pytest.mark.parametrize("name", ["t0", "mill-lane-9/t0"])
def test_a_name_is_the_point_or_site_and_point(name: str) -> None:
    admitted = _admit({"n": name, "v": 1})
    assert admitted.batch.names[admitted.batch.series[0]] == ("mill-lane-9", "t0")


def test_a_pack_may_not_name_another_site() -> None:
    other = replace(SITE, id="mill-lane-11")
    message = Message(TOPIC, b'[{"n":"mill-lane-11/t0","v":1}]', NOW_MS)
    (rejection,) = admit([message], directory_of([SITE, other]), now_ms=NOW_MS).rejections
    assert rejection.reason == (
        "record 0: 'mill-lane-11/t0' names a point of site 'mill-lane-11' on a topic of site 'mill-lane-9'"
    )


@pytest.mark.parametrize(
    ("time_ms", "is_good"),
    [
        (EARLIEST_MS, True),
        (EARLIEST_MS - 1, False),
        (NOW_MS + MAX_AHEAD_MS, True),
        (NOW_MS + MAX_AHEAD_MS + 1, False),
    ],
)
def test_the_limits_of_time_are_met_to_the_millisecond(time_ms: int, is_good: bool) -> None:
    admitted = _admit({"n": "t0", "t": time_ms / 1000, "v": 1})
    assert len(admitted.batch) == is_good
    assert admitted.n_received == 1
    if is_good:
        assert admitted.batch.time_ms.tolist() == [time_ms]


def test_one_bad_record_does_not_take_the_others_with_it() -> None:
    admitted = _admit({"n": "t0", "v": 1}, {"n": "tx", "v": 2}, {"n": "t2", "v": 3}, {"n": "t3", "t": 1, "vb": True})
    assert admitted.batch.value.tolist() == [1.0, 3.0]
    (rejection,) = admitted.rejections
    assert rejection.records == (1, 3)
    assert rejection.n_readings == 2
    assert rejection.reason.splitlines()[1].startswith("record 3: 't3' is a temperature")


def test_rows_of_many_messages_keep_to_their_messages() -> None:
    good, late = b'[{"n":"t0","v":1},{"n":"t1","v":2}]', b'[{"n":"t2","v":3},{"n":"t3","t":1e10,"v":4}]'
    messages = [Message(TOPIC, payload, NOW_MS) for payload in (good, late, b"?", good)]
    admitted = admit(messages, small_directory(), now_ms=NOW_MS)
    assert [messages.index(rejection.message) for rejection in admitted.rejections] == [1, 2]
    assert admitted.rejections[0].records == (1,)
    assert admitted.batch.value.tolist() == [1.0, 2.0, 3.0, 1.0, 2.0]
    assert admitted.n_received == 7


def test_only_the_records_asked_for_are_taken() -> None:
    message = Message(TOPIC, b'[{"n":"t0","v":1},{"n":"tx","v":2},{"n":"t2","v":3}]', NOW_MS, frozenset({1, 2}))
    admitted = admit([message], small_directory(), now_ms=NOW_MS)
    assert admitted.batch.value.tolist() == [3.0]
    assert admitted.rejections[0].records == (1,)
    assert admitted.n_received == 2


def test_presence_is_a_state_and_no_reading() -> None:
    messages = [Message("sites/mill-lane-9/presence", word, NOW_MS) for word in (b"online", b"offline")]
    admitted = admit(messages, small_directory(), now_ms=NOW_MS)
    assert admitted.presence == [PresenceNews("mill-lane-9", word, NOW_MS) for word in (True, False)]
    assert admitted.n_received == 0


def test_ten_reasons_are_written_out_and_the_rest_counted() -> None:
    (rejection,) = _admit(*({"n": f"x{i}", "v": 1} for i in range(14))).rejections
    assert len(rejection.reason.splitlines()) == 11
    assert rejection.reason.endswith("and 4 more records")
    assert rejection.n_readings == 14


TOPICS = st.sampled_from(
    [TOPIC, f"{TOPIC}/cbor", "sites/mill-lane-9/presence", "sites/x/readings", "cellar/fan", "plug/room/SENSOR", "a"]
)
PAYLOADS = st.binary(max_size=40) | st.sampled_from(
    [b"1", b'{"SI7021":{"Temperature":1,"Valve":2}}', b'[{"n":"t0","v":1},{"n":"q","v":1}]', b"online"]
)


@given(st.lists(st.tuples(TOPICS, PAYLOADS), max_size=8))
def test_whatever_comes_every_reading_is_admitted_or_refused(sent: list[tuple[str, bytes]]) -> None:
    messages = [Message(topic, payload, NOW_MS) for topic, payload in sent]
    admitted = admit(messages, small_directory(), now_ms=NOW_MS)
    assert admitted.n_received == len(admitted.batch) + sum(each.n_readings for each in admitted.rejections)
    assert np.isfinite(admitted.batch.value).all()
    apart = [admit([message], small_directory(), now_ms=NOW_MS) for message in messages]
    assert sum(each.n_received for each in apart) == admitted.n_received
    for rejection in admitted.rejections:
        assert rejection.reason
        assert rejection.n_readings >= 1
