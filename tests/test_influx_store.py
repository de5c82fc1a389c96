"""What the InfluxDB store does beyond the contract: the wire, a server that is away, crashes between its requests."""

import json
import threading
import urllib.parse
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from ingest.influx_http import InfluxSettings, line_writer, reading_lines, tag_set, text
from ingest.influx_store import InfluxStore, open_influx_store
from ingest.store import Batch, StoreUnavailableError, WriteCounts
from tests.servers import InfluxServer, VictoriaServer, free_port, program, wait_until
from tests.stores import batch_of, v2_front

T0 = 1_767_582_000_123


@pytest.fixture
def database(influx_server: InfluxServer) -> InfluxSettings:
    return InfluxSettings(url=influx_server.url, database=influx_server.new_database(), write_api="v1")


@pytest.mark.parametrize(
    ("value", "tags"),
    [
        ("hot.temp", ",point=hot.temp"),
        ("a-b_c", ",point=a-b_c"),
        ("a b,c=d", ",point=a\\ b\\,c\\=d"),
        ('"quoted"', ',point="quoted"'),
    ],
)
def test_tags_are_escaped_by_the_rules_of_line_protocol(value: str, tags: str) -> None:
    # InfluxDB 1.6 documentation, "Line Protocol Reference": special characters in tag values are comma, equals, space.
    assert tag_set({"point": value}) == tags


@pytest.mark.parametrize("value", ["", "ends with \\", "two\nlines"])
def test_a_tag_that_line_protocol_cannot_carry_is_refused(value: str) -> None:
    with pytest.raises(ValueError, match=r"^point .* cannot be a tag: it must not be empty, have a line break or end"):
        tag_set({"point": value})


def test_string_literals_of_influxql_are_escaped() -> None:
    assert text("it's a \\") == "'it\\'s a \\\\'"


def test_lines_carry_the_shortest_decimal_that_reads_back_to_the_same_bits() -> None:
    lines = "\n".join(reading_lines(["r,p=a", "r,p=b"], [0, 1, 0], [(1, 0.1), (2, -0.0), (3, 1 / 3)]))
    assert lines == "r,p=a value=0.1 1\nr,p=b value=-0.0 2\nr,p=a value=0.3333333333333333 3"


@pytest.mark.parametrize("name", ["it's", "a b,c=d", 'q"uote', "back\\slash", "éü"])
def test_odd_ids_that_a_site_file_would_refuse_are_still_kept_apart(name: str, database: InfluxSettings) -> None:
    with open_influx_store(database) as store:
        store.write(batch_of((name, name, T0, 1.0), (name, "other", T0, 2.0), ("other", name, T0, 3.0)))
        assert store.latest(name) == {name: (T0, 1.0), "other": (T0, 2.0)}
        assert store.read(name, [name], start_ms=T0, end_ms=T0 + 1)[name].value.tolist() == [1.0]
        assert store.span(name) == (T0, T0)


@pytest.mark.parametrize("write_api", ["v1", "v2"])
def test_a_server_that_is_away_is_named_by_its_address(write_api: str) -> None:
    url = f"http://127.0.0.1:{free_port()}"
    store = open_influx_store(InfluxSettings(url=url, database="readings", write_api=write_api, is_shared=True))
    sentence = f"^the readings store at {url} does not answer \\(NewConnectionError\\)$"
    with pytest.raises(StoreUnavailableError, match=sentence):
        store.write(batch_of(("a", "p", T0, 1.0)))
    with pytest.raises(StoreUnavailableError, match=sentence):
        store.read("a", ["p"], start_ms=0, end_ms=T0)
    with pytest.raises(StoreUnavailableError, match=sentence):
        line_writer(InfluxSettings(url=url, database="readings", write_api=write_api))("m v=1 1", "ms")


@pytest.mark.parametrize("write_api", ["v1", "v2"])
def test_a_database_that_does_not_exist_is_said_with_the_remedy(write_api: str, influx_server: InfluxServer) -> None:
    with v2_front(influx_server.url) as url:
        settings = InfluxSettings(url=url, database="nowhere", write_api=write_api)
        sentence = 'refuses .*database not found: "?nowhere"?; create it on the server with CREATE DATABASE "nowhere"$'
        with pytest.raises(StoreUnavailableError, match=sentence):
            line_writer(settings)("m v=1 1", "ms")
        with pytest.raises(StoreUnavailableError, match=sentence):
            open_influx_store(settings).read("a", ["p"], start_ms=0, end_ms=T0)


def test_a_password_never_shows() -> None:
    shown = repr(InfluxSettings(url="http://x", database="d", token="secret-token", password="secret-password"))
    assert "secret" not in shown


@pytest.fixture
def own_server(tmp_path: Path) -> Iterator[InfluxServer]:
    if program("influxd") is None:
        pytest.skip("influxd is not installed (Debian package influxdb)")
    with InfluxServer(tmp_path) as server:
        yield server


def test_server_killed_and_started_again_has_every_batch_that_was_confirmed(own_server: InfluxServer) -> None:
    settings = InfluxSettings(url=own_server.url, database=own_server.new_database(), write_api="v1")
    batches = [batch_of(("a", "p", T0 + k, float(k)), ("b", "p", T0 + k, float(k))) for k in range(6)]
    with open_influx_store(settings) as store:
        for k, batch in enumerate(batches):
            assert store.write(batch) == WriteCounts(stored=2)
            if k % 2:
                own_server.kill()
                with pytest.raises(StoreUnavailableError, match="does not answer"):
                    store.write(batch)
                own_server.start()
                assert store.write(batch) == WriteCounts(duplicate=2)
        assert store.read("b", ["p"], start_ms=0, end_ms=2 * T0)["p"].value.tolist() == [float(k) for k in range(6)]
        assert {piece.site for piece in store.news("")} == {"a", "b"}


def test_killed_between_readings_and_news_tells_the_news_when_the_batch_comes_again(
    database: InfluxSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_influx_store(database) as store:
        store.write(batch_of(("a", "p", T0, 1.0)))
        cursor = store.news("")[-1].cursor
        with monkeypatch.context() as patch:
            patch.setattr(InfluxStore, "_tell", lambda self, rows: 1 / 0)  # the process ends here
            with pytest.raises(ZeroDivisionError):
                store.write(batch_of(("a", "p", T0 + 1, 2.0)))
    with open_influx_store(database) as again:  # the process that comes after the crash
        assert again.latest("a") == {"p": (T0 + 1, 2.0)}
        assert again.news(cursor) == []
        assert again.write(batch_of(("a", "p", T0 + 1, 2.0))) == WriteCounts(duplicate=1)
        assert [(piece.first_ms, piece.last_ms) for piece in again.news(cursor)] == [(T0 + 1, T0 + 1)]


def test_processes_that_share_a_database_count_each_others_readings(influx_server: InfluxServer) -> None:
    settings = InfluxSettings(
        url=influx_server.url, database=influx_server.new_database(), write_api="v1", is_shared=True, settle_s=0.2
    )
    with open_influx_store(settings) as one, open_influx_store(settings) as other:
        assert one.write(batch_of(("a", "p", T0, 1.0))) == WriteCounts(stored=1)
        assert other.write(batch_of(("a", "p", T0, 1.0), ("a", "p", T0 + 1, 1.0))) == WriteCounts(stored=1, duplicate=1)
        assert one.write(batch_of(("a", "p", T0 + 1, 5.0))) == WriteCounts(stored=1, replaced=1)
        assert other.latest("a") == {"p": (T0 + 1, 5.0)}


def test_a_watcher_of_many_writers_hears_of_every_batch(influx_server: InfluxServer) -> None:
    settings = InfluxSettings(
        url=influx_server.url, database=influx_server.new_database(), write_api="v1", is_shared=True, settle_s=0.5
    )
    n_writers, n_batches, heard, cursor = 4, 10, set(), ""

    def write(k: int) -> None:
        with open_influx_store(settings) as store:
            for i in range(n_batches):
                store.write(batch_of((f"s{k}-{i}", "p", T0, 1.0)))

    writers = [threading.Thread(target=write, args=(k,)) for k in range(n_writers)]
    with open_influx_store(settings) as watcher:
        for writer in writers:
            writer.start()

        def hears_all() -> bool:
            nonlocal cursor
            for piece in watcher.news(cursor):
                heard.add(piece.site)
                cursor = piece.cursor
            return len(heard) == n_writers * n_batches

        wait_until(hears_all, within_s=30, what="news of every batch")
        for writer in writers:
            writer.join()
    assert heard == {f"s{k}-{i}" for k in range(n_writers) for i in range(n_batches)}


def exported(server: VictoriaServer, site: str) -> dict[str, list[tuple[int, float]]]:
    """What VictoriaMetrics holds of a site, by its own export API, once it shows what it has taken."""
    with urllib.request.urlopen(f"{server.url}/internal/force_flush", timeout=10) as answer:
        answer.read()
    match = urllib.parse.urlencode({"match[]": f'{{__name__="readings_value",site="{site}"}}'})
    with urllib.request.urlopen(f"{server.url}/api/v1/export?{match}", timeout=10) as answer:
        found = [json.loads(line) for line in answer.read().splitlines()]
    pairs = {one["metric"]["point"]: zip(one["timestamps"], one["values"], strict=True) for one in found}
    return {point: sorted(rows) for point, rows in pairs.items()}


def test_what_the_client_writes_to_api_v2_write_arrives_exactly(victoria_server: VictoriaServer) -> None:
    settings = InfluxSettings(url=victoria_server.url, database="readings", org="any", token="any", write_api="v2")
    points = [f"tank-{i}.top_{i}" for i in range(5)]
    heads = [f"readings{tag_set({'site': 'v2-client', 'point': point})}" for point in points]
    random = np.random.default_rng(3)
    # VictoriaMetrics keeps decimals of some 15 digits: sensors' values, not any 64 bits.
    rows = [(T0 + 60_000 * k, round(float(value), 3)) for k, value in enumerate(random.normal(40, 25, 3000))]
    series = [k % 5 for k in range(3000)]
    write = line_writer(settings)
    for lines in reading_lines(heads, series, rows):
        write(lines, "ms")
    expected = {point: rows[i::5] for i, point in enumerate(points)}
    wait_until(
        lambda: exported(victoria_server, "v2-client") == expected, within_s=30, what="all readings in the export"
    )


def test_a_batch_larger_than_one_request_arrives_whole(
    database: InfluxSettings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.influx_http._LINES_A_REQUEST", 100)
    monkeypatch.setattr("ingest.influx_http._ROWS_A_CHUNK", 70)
    time_ms = T0 + np.arange(1050, dtype=np.int64)
    batch = Batch((("a", "p"),), np.zeros(1050, np.int32), time_ms, time_ms / 7)
    with open_influx_store(database) as store:
        assert store.write(batch) == WriteCounts(stored=1050)
        assert store.write(batch) == WriteCounts(duplicate=1050)
        trace = store.read("a", ["p"], start_ms=T0, end_ms=T0 + 1050)["p"]
    np.testing.assert_array_equal(trace.value, time_ms / 7)
    np.testing.assert_array_equal(trace.time_ms, time_ms)
