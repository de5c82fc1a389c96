"""What every readings store promises (`ingest/store.py`), held against each store on its real database."""

import math
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.store import Batch, News, ReadingStore, WriteCounts
from tests.servers import wait_until
from tests.stores import STORES, OpenStore, batch_of, opener

T0 = 1_767_582_000_123
DAY_MS = 86_400_000
ODD_VALUES = (0.1, -0.0, 0.0, 1e-300, 5e-324, 1.7976931348623157e308, -273.15, 2.0**53 + 2, 1 / 3, 20.0, 1e21, 1e22)
ODD_NAMES = (("quarry-road-3", "hot.temp"), ("a_b-c", "x.y-z_1.2"), ("1", "0"), ("s", "dsh.entering"), ("s-", "-.-"))


@pytest.fixture(params=STORES)
def open_store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[OpenStore]:
    influx = None if request.param == "duckdb" else request.getfixturevalue("influx_server")
    with opener(request.param, folder=tmp_path, influx=influx) as open_one:
        yield open_one


@pytest.fixture
def store(open_store: OpenStore) -> Iterator[ReadingStore]:
    with open_store() as one:
        yield one


def rows_of(store: ReadingStore, site: str, point: str) -> list[tuple[int, float]]:
    trace = store.read(site, [point], start_ms=0, end_ms=4_102_444_800_000)[point]
    return list(zip(trace.time_ms.tolist(), trace.value.tolist(), strict=True))


def bits(values: Sequence[float]) -> list[str]:
    return [float(value).hex() for value in values]


def news_after(store: ReadingStore, cursor: str, *, n: int) -> Sequence[News]:
    """News as soon as there are n: a shared store holds them back for a moment."""
    found: list[Sequence[News]] = []

    def has_all() -> bool:
        found.append(store.news(cursor))
        return len(found[-1]) >= n

    wait_until(has_all, within_s=10, what=f"{n} pieces of news after {cursor!r}")
    return found[-1]


def test_what_is_written_is_read_in_the_order_of_time(store: ReadingStore) -> None:
    counts = store.write(batch_of(("a", "p", T0 + 2, 3.0), ("a", "p", T0, 1.0), ("a", "q", T0 + 1, 9.0)))
    assert counts == WriteCounts(stored=3)
    assert rows_of(store, "a", "p") == [(T0, 1.0), (T0 + 2, 3.0)]
    assert rows_of(store, "a", "q") == [(T0 + 1, 9.0)]


def test_values_come_back_to_the_bit_and_times_to_the_millisecond(open_store: OpenStore) -> None:
    with open_store() as store:
        store.write(batch_of(*(("a", "p", T0 + i, value) for i, value in enumerate(ODD_VALUES))))
        assert bits([value for _, value in rows_of(store, "a", "p")]) == bits(ODD_VALUES)
    with open_store() as again:
        found = rows_of(again, "a", "p")
    assert bits([value for _, value in found]) == bits(ODD_VALUES)
    assert [time for time, _ in found] == [T0 + i for i in range(len(ODD_VALUES))]


def test_a_negative_zero_is_the_last_reading_as_it_was_read(store: ReadingStore) -> None:
    store.write(batch_of(("a", "p", T0, -0.0)))
    assert math.copysign(1.0, store.latest("a")["p"][1]) == -1.0


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(value=st.floats(allow_nan=False, allow_infinity=False), time_ms=st.integers(946_684_800_000, 4_102_444_799_999))
def test_any_finite_value_at_any_admitted_time_comes_back(store: ReadingStore, value: float, time_ms: int) -> None:
    store.write(batch_of(("any", "p", time_ms, value)))
    trace = store.read("any", ["p"], start_ms=time_ms, end_ms=time_ms + 1)["p"]
    assert (trace.time_ms.tolist(), bits(trace.value.tolist())) == ([time_ms], bits([value]))


def test_every_id_that_a_site_may_have_is_kept_apart(store: ReadingStore) -> None:
    store.write(batch_of(*((site, point, T0, float(i)) for i, (site, point) in enumerate(ODD_NAMES))))
    for i, (site, point) in enumerate(ODD_NAMES):
        assert rows_of(store, site, point) == [(T0, float(i))]


def test_a_reading_written_again_is_a_duplicate_and_changes_nothing(store: ReadingStore) -> None:
    batch = batch_of(("a", "p", T0, 1.0), ("a", "p", T0 + 1000, 2.0), ("b", "p", T0, 1.0))
    assert store.write(batch) == WriteCounts(stored=3)
    assert store.write(batch) == WriteCounts(duplicate=3)
    assert rows_of(store, "a", "p") == [(T0, 1.0), (T0 + 1000, 2.0)]


def test_a_different_value_replaces_the_earlier_one_and_is_counted(store: ReadingStore) -> None:
    store.write(batch_of(("a", "p", T0, 1.0), ("a", "p", T0 + 1000, 2.0)))
    counts = store.write(batch_of(("a", "p", T0, 1.5), ("a", "p", T0 + 1000, 2.0), ("a", "p", T0 + 2000, 3.0)))
    assert counts == WriteCounts(stored=2, duplicate=1, replaced=1)
    assert rows_of(store, "a", "p") == [(T0, 1.5), (T0 + 1000, 2.0), (T0 + 2000, 3.0)]


def test_a_batch_that_says_a_time_more_than_once_counts_as_if_written_one_by_one(store: ReadingStore) -> None:
    batch = batch_of(("a", "p", T0, 1.0), ("a", "p", T0, 1.0), ("a", "p", T0, 2.0), ("a", "p", T0, 2.0))
    assert store.write(batch) == WriteCounts(stored=2, duplicate=2, replaced=1)
    assert rows_of(store, "a", "p") == [(T0, 2.0)]
    back_and_forth = batch_of(("a", "p", T0, 1.0), ("a", "p", T0, 2.0))
    assert store.write(back_and_forth) == WriteCounts(stored=2, replaced=2)
    assert rows_of(store, "a", "p") == [(T0, 2.0)]


def test_any_series_of_writes_counts_and_keeps_what_a_dictionary_would(store: ReadingStore) -> None:
    random = np.random.default_rng(20260105)
    expected: dict[tuple[str, str, int], float] = {}
    for _ in range(12):
        rows = [
            (f"s{random.integers(2)}", f"p{random.integers(3)}", T0 + 1000 * int(random.integers(40)), value)
            for value in random.integers(0, 3, 30).astype(float)
        ]
        stored = duplicate = replaced = 0
        for site, point, time_ms, value in rows:
            old = expected.get((site, point, time_ms))
            duplicate, stored = duplicate + (old == value), stored + (old != value)
            replaced += old is not None and old != value
            expected[site, point, time_ms] = value
        assert store.write(batch_of(*rows)) == WriteCounts(stored, duplicate, replaced)
    found = {(s, p, t): v for s in ("s0", "s1") for p in ("p0", "p1", "p2") for t, v in rows_of(store, s, p)}
    assert found == expected


def test_the_counts_are_the_same_after_a_restart(open_store: OpenStore) -> None:
    with open_store() as store:
        store.write(batch_of(("a", "p", T0, 1.0), ("a", "q", T0 + 60_000, 1.0)))
    with open_store() as again:
        counts = again.write(batch_of(("a", "p", T0, 1.0), ("a", "p", T0 + 1000, 1.0), ("a", "q", T0 + 60_000, 7.0)))
        assert counts == WriteCounts(stored=2, duplicate=1, replaced=1)
        assert rows_of(again, "a", "p") == [(T0, 1.0), (T0 + 1000, 1.0)]


def test_late_readings_take_their_place_in_time(store: ReadingStore) -> None:
    store.write(batch_of(*(("a", "p", T0 + 1000 * i, float(i)) for i in range(0, 100, 2))))
    late = batch_of(*(("a", "p", T0 + 1000 * i, float(i)) for i in reversed(range(-99, 100, 2))))
    assert store.write(late) == WriteCounts(stored=100)
    found = rows_of(store, "a", "p")
    assert found == sorted(found)
    assert [value for _, value in found] == sorted([*range(0, 100, 2), *range(-99, 100, 2)])


def test_a_read_takes_the_start_leaves_the_end_and_has_a_trace_for_every_point(store: ReadingStore) -> None:
    store.write(batch_of(*(("a", "p", T0 + i, float(i)) for i in range(5)), ("a", "other", T0 + 2, 9.0)))
    found = store.read("a", ["p", "never seen"], start_ms=T0 + 1, end_ms=T0 + 4)
    assert list(found) == ["p", "never seen"]
    assert found["p"].time_ms.tolist() == [T0 + 1, T0 + 2, T0 + 3]
    assert found["p"].time_ms.dtype == np.int64
    assert found["p"].value.dtype == np.float64
    assert len(found["never seen"].time_ms) == 0


def test_an_unknown_site_reads_as_empty(store: ReadingStore) -> None:
    assert len(store.read("nobody", ["p"], start_ms=0, end_ms=T0)["p"].value) == 0
    assert store.read("nobody", [], start_ms=0, end_ms=T0) == {}
    assert store.span("nobody") is None
    assert store.latest("nobody") == {}
    assert store.news("") == []


def test_span_is_the_first_and_last_reading_of_a_site(store: ReadingStore) -> None:
    store.write(batch_of(("a", "p", T0, 1.0), ("b", "p", T0 - 5 * DAY_MS, 1.0)))
    store.write(batch_of(("a", "q", T0 - 400 * DAY_MS, 1.0), ("a", "q", T0 + 7, 1.0)))
    assert store.span("a") == (T0 - 400 * DAY_MS, T0 + 7)
    assert store.span("b") == (T0 - 5 * DAY_MS, T0 - 5 * DAY_MS)


def test_latest_is_each_points_last_reading_whatever_came_after_it(open_store: OpenStore) -> None:
    with open_store() as store:
        store.write(batch_of(("a", "p", T0, 1.0), ("a", "q", T0 - 90 * DAY_MS, 2.0), ("b", "p", T0 + 9, 5.0)))
        store.write(batch_of(("a", "p", T0 - 1000, 9.0)))
        assert store.latest("a") == {"p": (T0, 1.0), "q": (T0 - 90 * DAY_MS, 2.0)}
        store.write(batch_of(("a", "p", T0, 3.0)))
        assert store.latest("a")["p"] == (T0, 3.0)
    with open_store() as again:
        assert again.latest("a") == {"p": (T0, 3.0), "q": (T0 - 90 * DAY_MS, 2.0)}
        again.write(batch_of(("a", "q", T0 - 1, 4.0)))
        assert again.latest("a")["q"] == (T0 - 1, 4.0)


def test_news_name_the_site_and_the_time_that_changed(store: ReadingStore) -> None:
    store.write(batch_of(("a", "p", T0, 1.0), ("a", "q", T0 + 1000, 1.0), ("b", "p", T0 + 5, 1.0)))
    first = news_after(store, "", n=2)
    assert {(n.site, n.first_ms, n.last_ms) for n in first} == {("a", T0, T0 + 1000), ("b", T0 + 5, T0 + 5)}
    store.write(batch_of(("b", "p", T0 + 5, 2.0)))
    second = news_after(store, first[-1].cursor, n=1)
    assert [(n.site, n.first_ms, n.last_ms) for n in second] == [("b", T0 + 5, T0 + 5)]
    assert store.news(second[-1].cursor) == []


def test_a_late_reading_makes_no_news_of_the_days_between(store: ReadingStore) -> None:
    store.write(batch_of(("a", "p", T0, 1.0)))
    cursor = news_after(store, "", n=1)[-1].cursor
    store.write(batch_of(("a", "p", T0 + 1000, 1.0), ("a", "p", T0 - 40 * DAY_MS, 1.0)))
    found = news_after(store, cursor, n=2)
    assert {(n.first_ms, n.last_ms) for n in found} == {
        (T0 + 1000, T0 + 1000),
        (T0 - 40 * DAY_MS, T0 - 40 * DAY_MS),
    }


def test_a_watcher_that_follows_the_news_hears_of_every_change(open_store: OpenStore) -> None:
    heard: set[tuple[str, int]] = set()
    cursor = ""

    def hears_all_of(day: int) -> bool:
        nonlocal cursor
        for piece in store.news(cursor):
            heard.update((piece.site, d) for d in range(piece.first_ms // DAY_MS, piece.last_ms // DAY_MS + 1))
            cursor = piece.cursor
        return {site for site, d in heard if d == day} == {"s0", "s1", "s2"}

    for i in range(4):
        with open_store() as store:
            for site in ("s0", "s1", "s2"):
                store.write(batch_of((site, "p", T0 + i * DAY_MS, 1.0), (site, "q", T0 + i * DAY_MS + 5, 1.0)))
            wait_until(lambda day=T0 // DAY_MS + i: hears_all_of(day), within_s=10, what=f"news of day {i}")
    assert {day for _, day in heard} == {T0 // DAY_MS + i for i in range(4)}


def test_a_watcher_that_stops_half_way_through_the_news_misses_none(store: ReadingStore) -> None:
    store.write(batch_of(*((f"s{k}", "p", T0, 1.0) for k in range(5))))
    news = news_after(store, "", n=5)
    half_way = news[2].cursor
    rest = {piece.site for piece in news_after(store, half_way, n=2)}
    assert rest | {piece.site for piece in news[:3]} == {f"s{k}" for k in range(5)}
    assert store.news(news[-1].cursor) == []


def test_a_value_that_is_not_a_number_is_refused_and_nothing_of_its_batch_is_stored(store: ReadingStore) -> None:
    batch = batch_of(("a", "p", T0, 1.0), ("a", "q", T0, math.nan), ("a", "p", T0 + 1, math.inf))
    sentence = f"value must be finite; 2 of 3 readings are not, first nan of point 'q' of site 'a' at {T0} ms"
    with pytest.raises(ValueError, match=sentence):
        store.write(batch)
    assert rows_of(store, "a", "p") == []
    assert store.news("") == []


def test_an_empty_batch_does_nothing(store: ReadingStore) -> None:
    empty = Batch((), np.empty(0, np.int32), np.empty(0, np.int64), np.empty(0, np.float64))
    assert store.write(empty) == WriteCounts()
    assert store.news("") == []


def test_a_batch_is_left_as_it_was_given(store: ReadingStore) -> None:
    batch = batch_of(("a", "p", T0 + 1, 2.0), ("a", "p", T0, 1.0))
    before = (batch.series.copy(), batch.time_ms.copy(), batch.value.copy())
    store.write(batch)
    for array, copy in zip((batch.series, batch.time_ms, batch.value), before, strict=True):
        np.testing.assert_array_equal(array, copy)


def test_threads_that_write_and_read_at_once_lose_and_double_nothing(store: ReadingStore) -> None:
    n_threads, n_batches, totals = 4, 8, []

    def work(k: int) -> None:
        total = WriteCounts()
        for i in range(n_batches):
            own = [(f"s{k}", f"p{j}", T0 + 1000 * i, float(j)) for j in range(5)]
            shared = [("shared", "p", T0 + 1000 * i, 1.0)]
            total += store.write(batch_of(*own, *shared))
            assert len(store.read(f"s{k}", ["p0"], start_ms=T0, end_ms=T0 + DAY_MS)["p0"].value) == i + 1
        totals.append(total)

    threads = [threading.Thread(target=work, args=(k,)) for k in range(n_threads)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(totals) == n_threads
    total = sum(totals, WriteCounts())
    assert total == WriteCounts(stored=n_batches * (5 * n_threads + 1), duplicate=n_batches * (n_threads - 1))
    assert rows_of(store, "shared", "p") == [(T0 + 1000 * i, 1.0) for i in range(n_batches)]


def test_a_large_batch_of_many_series_comes_back_whole(store: ReadingStore) -> None:
    n_points, n_times = 60, 2000
    names = tuple((f"s{i % 3}", f"p{i}") for i in range(n_points))
    series = np.tile(np.arange(n_points, dtype=np.int32), n_times)
    time_ms = T0 + np.repeat(np.arange(n_times, dtype=np.int64) * 60_000, n_points)
    value = np.random.default_rng(7).normal(40, 20, n_points * n_times)
    assert store.write(Batch(names, series, time_ms, value)) == WriteCounts(stored=n_points * n_times)
    for i, (site, point) in enumerate(names):
        trace = store.read(site, [point], start_ms=T0, end_ms=T0 + 2000 * 60_000)[point]
        np.testing.assert_array_equal(trace.value, value[i::n_points])
        np.testing.assert_array_equal(trace.time_ms, time_ms[i::n_points])
