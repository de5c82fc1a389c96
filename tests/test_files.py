"""Import of files: what is good is stored exactly, what is not is in quarantine with its row, and nothing is lost."""

import csv
import gzip
import io
import json
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.admit import admit
from ingest.counts import Counts
from ingest.decode import Message
from ingest.duckdb_store import open_duckdb_store
from ingest.files import FileRefusedError, import_files
from ingest.store import ReadingStore, StoreUnavailableError
from tests.gateways import SITE, small_directory
from tests.imported import NOW_MS, T0, T0_MS, Kept, import_one, stored, written

CASES = yaml.safe_load((Path(__file__).parent / "cases" / "bad_files.yaml").read_text())


@pytest.fixture
def store(tmp_path: Path) -> Iterator[ReadingStore]:
    with open_duckdb_store(tmp_path / "data") as one:
        yield one


@pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
def test_a_bad_file_gets_its_exact_sentence_and_loses_nothing(case: dict, tmp_path: Path, store: ReadingStore) -> None:
    content = bytes.fromhex(case["hex"]) if "hex" in case else case["text"].encode()
    path, kept = written(tmp_path / "a.csv", content), Kept()
    if "refused" in case:
        with pytest.raises(FileRefusedError) as refused:
            import_one(path, store, kept)
        assert str(refused.value).startswith(case["refused"])
        assert "\n" not in str(refused.value)
        assert store.span(SITE.id) is None
        return
    counts = import_one(path, store, kept)
    assert [[n, reason] for n, reason, _, _ in kept.entries] == case["quarantine"]
    assert (counts.stored, counts.quarantined) == (case["good"], sum(n for n, _ in case["quarantine"]))
    assert counts.received == counts.stored + counts.duplicate + counts.quarantined


@pytest.mark.parametrize("case", [c for c in CASES if "quarantine" in c], ids=lambda case: case["name"])
def test_what_is_refused_is_refused_again_by_a_replay_with_the_same_count(
    case: dict, tmp_path: Path, store: ReadingStore
) -> None:
    content = bytes.fromhex(case["hex"]) if "hex" in case else case["text"].encode()
    kept = Kept()
    import_one(written(tmp_path / "a.csv", content), store, kept)
    for n_readings, _, topic, payload in kept.entries:
        again = admit([Message(topic, payload, NOW_MS)], small_directory(), now_ms=NOW_MS)
        assert (again.n_received, len(again.batch)) == (n_readings, 0)


def test_an_unknown_point_is_replayed_once_the_site_has_it(tmp_path: Path, store: ReadingStore) -> None:
    kept = Kept()
    import_one(
        written(tmp_path / "a.csv", f"time,t0,extra\n{T0},1,0.1\n2026-05-01T00:01:00.5+02:00,1,7\n"), store, kept
    )
    payload = kept.entries[0][3].replace(b"extra", b"room")  # as if the site file named it now
    again = admit([Message(kept.entries[0][2], payload, NOW_MS)], small_directory(), now_ms=NOW_MS)
    assert again.batch.value.tolist() == [0.1, 7.0]
    assert again.batch.time_ms.tolist() == [T0_MS, T0_MS + 60_500 - 7_200_000]
    assert {again.batch.names[i] for i in again.batch.series} == {(SITE.id, "room")}


def test_wide_csv_is_stored_cell_by_cell_and_an_empty_cell_is_no_reading(tmp_path: Path, store: ReadingStore) -> None:
    text = (
        f"time,t0,draw.flow\r\n{T0},0.1,\r\n2026-05-01T00:01:00Z, 3 ,1e-300\r\n,,\r\n\r\n2026-05-01T00:02:00Z,,-0.0\r\n"
    )
    counts = import_one(written(tmp_path / "a.csv", "\ufeff" + text), store)
    assert counts == Counts(received=4, stored=4)
    found = stored(store, "t0", "draw.flow")
    assert found == {
        "t0": [(T0_MS, 0.1), (T0_MS + 60_000, 3.0)],
        "draw.flow": [(T0_MS + 60_000, 1e-300), (T0_MS + 120_000, 0.0)],
    }
    assert str(found["draw.flow"][1][1]) == "-0.0"


@pytest.mark.parametrize(
    "text",
    [
        f"time,mill-lane-9/t0,t1\n{T0},1.5,2.5\n",
        f"time,point,value\n{T0},mill-lane-9/t0,1.5\n{T0},t1,2.5\n",
        # An odd row is judged one by one, and knows the name, too.
        f"time,mill-lane-9/t0,t1\n{T0},1.5,2.5\n2026-05-01T00:05:00Z,x,\n",
        f"time,point,value\n{T0},mill-lane-9/t0,1.5\n{T0},t1,2.5\n2026-05-01T00:05:00Z,mill-lane-9/t0,x\n",
    ],
)
def test_a_point_may_be_named_with_its_site(text: str, tmp_path: Path, store: ReadingStore) -> None:
    kept = Kept()
    counts = import_one(written(tmp_path / "a.csv", text), store, kept)
    assert (counts.stored, counts.quarantined) == (2, text.count("x"))
    assert stored(store, "t0", "t1") == {"t0": [(T0_MS, 1.5)], "t1": [(T0_MS, 2.5)]}


def test_a_column_in_parquet_may_be_named_with_its_site(tmp_path: Path, store: ReadingStore) -> None:
    pd.DataFrame({"time": [pd.Timestamp(T0)], "mill-lane-9/t0": [1.5]}).to_parquet(tmp_path / "a.parquet")
    assert import_one(tmp_path / "a.parquet", store) == Counts(received=1, stored=1)


def test_a_point_of_another_site_is_refused_and_one_named_in_two_ways_has_one_column(
    tmp_path: Path, store: ReadingStore
) -> None:
    kept = Kept()
    assert import_one(written(tmp_path / "a.csv", f"time,mill-lane-8/t0\n{T0},1\n"), store, kept).quarantined == 1
    assert "has no point 'mill-lane-8/t0'" in kept.entries[0][1]
    with pytest.raises(FileRefusedError, match="has the column 't0' twice"):
        import_one(written(tmp_path / "a.csv", f"time,t0,mill-lane-9/t0\n{T0},1,2\n"), store)


def test_long_csv_is_stored(tmp_path: Path, store: ReadingStore) -> None:
    text = f"time,point,value\n{T0},t0,0.1\n{T0},draw.flow,2\n{T0},t1,\n2026-05-01T00:01:00Z,t0,3\n"
    assert import_one(written(tmp_path / "a.csv", text), store) == Counts(received=3, stored=3)
    assert stored(store, "t0", "draw.flow", "t1") == {
        "t0": [(T0_MS, 0.1), (T0_MS + 60_000, 3.0)],
        "draw.flow": [(T0_MS, 2.0)],
        "t1": [],
    }


@pytest.mark.parametrize(
    ("text", "time_ms"),
    [
        ("2026-05-01T00:00:00Z", T0_MS),
        ("2026-05-01T00:00:00", T0_MS),
        ("2026-05-01 00:00", T0_MS),
        ("2026-05-01T02:00:00+02:00", T0_MS),
        ("2026-04-30T19:30:00.250-04:30", T0_MS + 250),
        ("2026-05-01T02:00+0200", T0_MS),
        ("20260501T000000Z", T0_MS),
        ("2026-05-01", T0_MS),
        ("2026-05-01T00:00:00.0005Z", T0_MS + 1),
        ("2026-05-01T00:00:00.000499Z", T0_MS),
        ("2025-03-30T02:30:00+01:00", 1_743_298_200_000),  # an hour that Berlin's clocks skip: the offset says all
    ],
)
def test_times_are_iso_8601_and_utc_where_there_is_no_offset(
    text: str, time_ms: int, tmp_path: Path, store: ReadingStore
) -> None:
    assert import_one(written(tmp_path / "a.csv", f"time,t0\n{text},1\n"), store).stored == 1
    assert stored(store, "t0")["t0"] == [(time_ms, 1.0)]


def test_compressed_csv_is_known_by_its_content(tmp_path: Path, store: ReadingStore) -> None:
    path = written(tmp_path / "a.csv.gz", gzip.compress(f"time,t0\n{T0},1\n".encode()))
    assert import_one(path, store) == Counts(received=1, stored=1)
    odd = written(tmp_path / "b.csv.gz", gzip.compress(f"time,t0,t1\n{T0},1,2,3\n{T0},5,6\n".encode()))
    assert import_one(odd, store) == Counts(received=5, stored=2, quarantined=3, replaced=1)


def test_gzip_that_is_damaged_half_way_keeps_what_came_before_and_says_so(tmp_path: Path, store: ReadingStore) -> None:
    rows = "".join(f"2026-05-01T{i // 60:02}:{i % 60:02}:00Z,{i * 7919 % 1000}\n" for i in range(1440))
    packed = gzip.compress(("time,t0\n" + rows * 60).encode(), compresslevel=1)
    path = written(tmp_path / "a.csv.gz", packed[: len(packed) - 5])
    with pytest.raises(FileRefusedError, match=r"^a\.csv\.gz is a damaged gzip file: "):
        import_one(path, store)


def test_the_rows_after_a_malformed_one_are_not_lost_in_a_large_file(tmp_path: Path, store: ReadingStore) -> None:
    lines = [f"{pd.Timestamp(T0) + pd.Timedelta(seconds=i):%Y-%m-%dT%H:%M:%SZ},{i},{i / 8}" for i in range(9000)]
    lines[6000] += ",1"
    lines[6001] = '"' + lines[6001]
    kept = Kept()
    counts = import_one(written(tmp_path / "a.csv", "\n".join(["time,t0,t1", *lines])), store, kept)
    assert [entry[:2] for entry in kept.entries] == [
        (4, "a.csv, row 6002: 4 cells, where the header has 3 (and 1 more up to row 6003)")
    ]
    assert counts == Counts(received=18_000, stored=17_996, quarantined=4)
    assert len(stored(store, "t0")["t0"]) == 8_998


def test_importing_twice_counts_duplicates_and_changed_cells_as_replaced(tmp_path: Path, store: ReadingStore) -> None:
    path = written(tmp_path / "a.csv", f"time,t0,t1\n{T0},1,2\n2026-05-01T00:01:00Z,3,4\n")
    assert import_one(path, store) == Counts(received=4, stored=4)
    assert import_one(path, store) == Counts(received=4, duplicate=4)
    changed = written(tmp_path / "b.csv", f"time,t0,t1\n{T0},1,9\n")
    assert import_one(changed, store) == Counts(received=2, stored=1, duplicate=1, replaced=1)


def test_of_two_rows_of_one_time_the_later_one_holds_also_where_one_is_odd(tmp_path: Path, store: ReadingStore) -> None:
    text = f"time,t0,t1\n{T0},1,x\n{T0},2,\n{T0},3,y\n2026-05-01T00:01:00Z,4,\n2026-05-01T00:01:00Z,5,z\n"
    counts = import_one(written(tmp_path / "a.csv", text), store)
    assert counts == Counts(received=8, stored=5, quarantined=3, replaced=3)
    assert stored(store, "t0")["t0"] == [(T0_MS, 3.0), (T0_MS + 60_000, 5.0)]


def test_a_bad_file_among_good_ones_stops_the_import_before_anything_is_stored(
    tmp_path: Path, store: ReadingStore
) -> None:
    good, bad = written(tmp_path / "a.csv", f"time,t0\n{T0},1\n"), written(tmp_path / "b.csv", "")
    with pytest.raises(FileRefusedError, match=r"^b\.csv is empty"):
        import_files(SITE, [good, bad], store=store, quarantine=Kept(), now_ms=NOW_MS)
    assert store.span(SITE.id) is None


def test_a_file_that_is_not_there_and_a_folder_are_refused_by_name(tmp_path: Path, store: ReadingStore) -> None:
    with pytest.raises(FileRefusedError, match=r"none\.csv cannot be read: No such file or directory$"):
        import_one(tmp_path / "none.csv", store)
    with pytest.raises(FileRefusedError, match=r"cannot be read: Is a directory$"):
        import_one(tmp_path, store)


def test_a_store_that_is_away_leaves_the_quarantine_as_it_was(tmp_path: Path, store: ReadingStore) -> None:
    store.close()
    kept = Kept()
    with pytest.raises(StoreUnavailableError, match="cannot be used"):
        import_one(written(tmp_path / "a.csv", f"time,t0,no\n{T0},1,1\n"), store, kept)
    assert kept.entries == []


def test_progress_ends_at_all_bytes_and_never_goes_back(tmp_path: Path, store: ReadingStore) -> None:
    seen: list[tuple[int, int]] = []
    paths = [
        written(
            tmp_path / f"{k}.csv", f"time,{','.join(f't{i}' for i in range(25))}\n" + f"{T0},{'1.5,' * 24}2\n" * 50_000
        )
        for k in range(2)
    ]
    import_files(
        SITE,
        paths,
        store=store,
        quarantine=Kept(),
        now_ms=NOW_MS,
        progress=lambda done, total: seen.append((done, total)),
    )
    n_bytes = sum(path.stat().st_size for path in paths)
    assert seen[-1] == (n_bytes, n_bytes)
    assert seen == sorted(seen)
    assert len(seen) >= 4


CELLS = st.one_of(
    st.just(""),
    st.floats().map(repr),
    st.sampled_from(["x", "1,5", " 2 ", "nan", "1_0", '"', "-", "1e5", "é"]),
    st.integers().map(str),
)
TIMES = st.sampled_from([T0, "2026-05-01T00:00:01Z", "1999-12-31T23:59:59Z", "soon", "", "2026-07-01T00:00:00Z"])


def expected_of(rows: Sequence[Sequence[str]]) -> tuple[dict[tuple[str, int], float], int, int]:
    """By the standard library alone: what is stored at the end, how many readings are good, and how many not."""
    final, n_good, n_bad = {}, 0, 0
    for time, *cells in rows:
        for point, cell in zip(("t0", "t1", "nowhere"), cells, strict=True):
            if not cell.strip():
                continue
            try:
                at = round(datetime.fromisoformat(time).timestamp() * 1000)
                value = float(cell.replace("_", "?"))
                is_good = point != "nowhere" and 946_684_800_000 <= at <= NOW_MS + 900_000 and abs(value) < np.inf
            except ValueError:
                is_good = False
            n_good, n_bad = n_good + is_good, n_bad + (not is_good)
            if is_good:
                final[point, at] = value
    return final, n_good, n_bad


@settings(max_examples=40, deadline=None)
@given(rows=st.lists(st.tuples(TIMES, CELLS, CELLS, CELLS), max_size=8))
def test_any_file_adds_up_and_stores_what_the_standard_library_reads(
    rows: list[tuple[str, str, str, str]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder, text, kept = tmp_path_factory.mktemp("any"), io.StringIO(), Kept()
    csv.writer(text, lineterminator="\n").writerows([("time", "t0", "t1", "nowhere"), *rows])
    with open_duckdb_store(folder) as store:
        counts = import_one(written(folder / "a.csv", text.getvalue()), store, kept)
        found = {(p, time): value for p, pairs in stored(store, "t0", "t1").items() for time, value in pairs}
    final, n_good, n_bad = expected_of(rows)
    assert {key: value.hex() for key, value in found.items()} == {key: value.hex() for key, value in final.items()}
    assert (counts.stored + counts.duplicate, counts.quarantined, kept.n_readings) == (n_good, n_bad, n_bad)
    assert counts.received == n_good + n_bad


def test_a_year_of_minutes_is_imported_in_blocks_and_agrees_with_pandas(tmp_path: Path, store: ReadingStore) -> None:
    n, points = 60_000, [f"t{i}" for i in range(25)]
    random = np.random.default_rng(11)
    times = pd.date_range("2025-06-01", periods=n, freq="min", tz="UTC").strftime("%Y-%m-%dT%H:%M:%SZ")
    frame = pd.DataFrame(random.normal(40, 20, (n, 25)), columns=points)
    frame.insert(0, "time", times)
    frame.to_csv(tmp_path / "a.csv", index=False)
    assert import_one(tmp_path / "a.csv", store) == Counts(received=n * 25, stored=n * 25)
    read = pd.read_csv(tmp_path / "a.csv")
    traces = store.read(SITE.id, points, start_ms=0, end_ms=NOW_MS)
    for point in points:
        np.testing.assert_array_equal(traces[point].value, read[point].to_numpy())
    expected_ms = pd.to_datetime(read["time"]).dt.as_unit("ms").astype("int64").to_numpy()
    np.testing.assert_array_equal(traces["t0"].time_ms, expected_ms)


def test_the_payload_of_a_refused_cell_holds_what_the_file_said(tmp_path: Path, store: ReadingStore) -> None:
    kept = Kept()
    import_one(written(tmp_path / "a.csv", f'time,t0,t1\n{T0},"a ""b"", c",7\n'), store, kept)
    assert kept.entries[0][2] == "sites/mill-lane-9/readings/csv"
    rows = list(csv.reader(io.StringIO(kept.entries[0][3].decode())))
    assert rows == [["time", "point", "value"], [T0, "t0", 'a "b", c']]


def test_bytes_that_are_not_utf_8_are_kept_as_they_are(tmp_path: Path, store: ReadingStore) -> None:
    kept = Kept()
    import_one(written(tmp_path / "a.csv", f"time,t0\n{T0},1".encode() + b"\xb0\n"), store, kept)
    assert kept.entries[0][3] == f"time,point,value\n{T0},t0,1".encode() + b"\xb0\n"


def test_a_large_quarantine_is_cut_into_payloads_that_a_replay_takes(tmp_path: Path, store: ReadingStore) -> None:
    kept = Kept()
    text = "time,new\n" + "".join(
        f"2026-05-{1 + i // 1440:02}T{i // 60 % 24:02}:{i % 60:02}:00Z,{i}.5\n" for i in range(40_000)
    )
    counts = import_one(written(tmp_path / "a.csv", text), store, kept)
    assert counts == Counts(received=40_000, quarantined=40_000)
    assert len(kept.entries) > 1
    assert max(len(entry[3]) for entry in kept.entries) < 1 << 20
    assert json.dumps([entry[1] for entry in kept.entries])
