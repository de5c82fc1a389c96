"""What the DuckDB store promises beyond the contract: one process at a time, whole batches after a crash, lean news."""

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from ingest.duckdb_store import FILE_NAME, open_duckdb_store
from ingest.store import Batch, StoreBusyError, StoreUnavailableError, WriteCounts
from tests.stores import batch_of

T0 = 1_767_582_000_000
DAY_MS = 86_400_000
ROOT = Path(__file__).parent.parent

HOLDER = """
import sys
from pathlib import Path
from ingest.duckdb_store import open_duckdb_store
with open_duckdb_store(Path(sys.argv[1]), read_only=sys.argv[2] == "read"):
    print("open", flush=True)
    sys.stdin.read()
"""

WRITER = """
import sys
from pathlib import Path
import numpy as np
from ingest.duckdb_store import open_duckdb_store
from ingest.store import Batch
names = tuple((f"s{i}", "p") for i in range(50))
series = np.tile(np.arange(50, dtype=np.int32), 20)
store = open_duckdb_store(Path(sys.argv[1]))
for k in range(100_000):
    time_ms = 1_767_582_000_000 + 1000 * (20 * k + np.repeat(np.arange(20, dtype=np.int64), 50))
    store.write(Batch(names, series, time_ms, np.full(1000, float(k))))
    print(k, flush=True)
"""


def other_process(code: str, *arguments: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", code, *arguments]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT)


def test_a_second_process_is_told_who_holds_the_readings_and_what_to_do(tmp_path: Path) -> None:
    with other_process(HOLDER, str(tmp_path), "write") as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "open\n"
        for read_only in (False, True):
            with pytest.raises(StoreBusyError) as busy:
                open_duckdb_store(tmp_path, read_only=read_only)
            assert str(busy.value) == (
                f"the readings in {tmp_path / FILE_NAME} are in use by process {holder.pid}; stop `heatledger serve` "
                "or `heatledger demo` on this folder first, or ask the running service on its web address"
            )
        holder.communicate("")
    with open_duckdb_store(tmp_path) as store:
        assert store.news("") == []


def test_several_processes_may_read_at_once(tmp_path: Path) -> None:
    with open_duckdb_store(tmp_path) as store:
        store.write(batch_of(("a", "p", T0, 1.0)))
    with other_process(HOLDER, str(tmp_path), "read") as reader:
        assert reader.stdout is not None
        assert reader.stdout.readline() == "open\n"
        with open_duckdb_store(tmp_path, read_only=True) as store:
            assert store.latest("a") == {"p": (T0, 1.0)}
            assert store.span("a") == (T0, T0)
            with pytest.raises(StoreUnavailableError, match="read-only"):
                store.write(batch_of(("a", "p", T0 + 1, 1.0)))
        reader.communicate("")


def test_a_folder_without_readings_reads_as_empty_and_stays_as_it_is(tmp_path: Path) -> None:
    with open_duckdb_store(tmp_path / "none", read_only=True) as store:
        assert store.span("a") is None
        assert store.news("") == []
    assert not (tmp_path / "none").exists()


def test_a_file_that_is_not_ours_is_refused_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_bytes(b"time,hot.temp\n" * 1000)
    with pytest.raises(StoreUnavailableError) as refused:
        open_duckdb_store(tmp_path)
    assert str(refused.value) == (
        f"{tmp_path / FILE_NAME} is not a readings file of heatledger; move it away, or name another data folder"
    )


def test_a_data_folder_that_is_a_file_is_refused_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("")
    with pytest.raises(StoreUnavailableError, match=r"^the data folder .*data cannot be made: File exists$"):
        open_duckdb_store(tmp_path / "data")


@pytest.mark.parametrize("n_batches", [1, 7, 40])
def test_killed_while_writing_keeps_every_batch_that_was_confirmed_and_no_half_of_another(
    n_batches: int, tmp_path: Path
) -> None:
    with other_process(WRITER, str(tmp_path)) as writer:
        assert writer.stdout is not None
        confirmed = [int(writer.stdout.readline()) for _ in range(n_batches)][-1]
        writer.send_signal(signal.SIGKILL)
        confirmed = max([confirmed, *(int(line) for line in writer.stdout.read().split("\n")[:-1])])
    with open_duckdb_store(tmp_path) as store:
        found = [store.read(f"s{i}", ["p"], start_ms=0, end_ms=2 * T0)["p"] for i in range(50)]
        lengths = {len(trace.value) for trace in found}
        assert lengths <= {20 * (confirmed + 1), 20 * (confirmed + 2)}
        assert len(lengths) == 1
        n_kept = lengths.pop() // 20
        for trace in found:
            np.testing.assert_array_equal(trace.value, np.repeat(np.arange(n_kept, dtype=float), 20))
        assert {piece.site for piece in store.news("")} == {f"s{i}" for i in range(50)}
        assert max(piece.last_ms for piece in store.news("")) == T0 + 1000 * (20 * n_kept - 1)


def test_a_batch_of_duplicates_makes_no_news(tmp_path: Path) -> None:
    with open_duckdb_store(tmp_path) as store:
        batch = batch_of(("a", "p", T0, 1.0))
        store.write(batch)
        cursor = store.news("")[-1].cursor
        assert store.write(batch) == WriteCounts(duplicate=1)
        assert store.news(cursor) == []


def test_a_failed_write_leaves_nothing_in_memory_that_is_not_on_disk(tmp_path: Path) -> None:
    store = open_duckdb_store(tmp_path)
    store.write(batch_of(("a", "p", T0, 1.0)))
    broken = Batch((("b", "p"), ("b", "q")), np.array([0, 1], np.int32), np.array([T0, T0]), np.ones(2))
    object.__setattr__(broken, "series", np.array([0, 99], np.int32))  # breaks after the new series are made
    with pytest.raises(IndexError):
        store.write(broken)
    assert store.latest("b") == {}
    assert store.write(batch_of(("b", "p", T0, 1.0), ("a", "p", T0, 1.0))) == WriteCounts(stored=1, duplicate=1)
    store.close()
    with open_duckdb_store(tmp_path) as again:
        assert again.latest("b") == {"p": (T0, 1.0)}
        assert again.latest("a") == {"p": (T0, 1.0)}


def test_a_closed_store_says_so(tmp_path: Path) -> None:
    store = open_duckdb_store(tmp_path)
    store.close()
    with pytest.raises(StoreUnavailableError, match=r"^the readings in .* cannot be used: Connection Error"):
        store.news("")


def test_old_news_grow_together_by_site_and_day_and_lose_no_change(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("ingest.duckdb_store._NEWS_ROWS_TO_COMPACT", 40)
    with open_duckdb_store(tmp_path) as store:
        cursor, heard = "", set()
        for i in range(100):
            time_ms = T0 + i * DAY_MS // 10
            store.write(batch_of(("a", "p", time_ms, 1.0), ("b", "p", time_ms, 1.0)))
            if i % 13 == 0:
                for piece in store.news(cursor):
                    heard |= {(piece.site, d) for d in range(piece.first_ms // DAY_MS, piece.last_ms // DAY_MS + 1)}
                    cursor = piece.cursor
        late = store.news(cursor)
        heard |= {(p.site, d) for p in late for d in range(p.first_ms // DAY_MS, p.last_ms // DAY_MS + 1)}
        days = range(T0 // DAY_MS, (T0 + 99 * DAY_MS // 10) // DAY_MS + 1)
        assert heard == {(site, day) for site in "ab" for day in days}
        assert len(store.news("")) == 2 * len(days)
        assert store.span("a") == (T0, T0 + 99 * DAY_MS // 10)


def test_readers_see_whole_batches_while_another_thread_writes(tmp_path: Path) -> None:
    torn, done = [], threading.Event()
    names = tuple(("a", f"p{i}") for i in range(100))
    with open_duckdb_store(tmp_path) as store:

        def watch() -> None:
            while not done.is_set():
                found = store.read("a", [f"p{i}" for i in range(100)], start_ms=0, end_ms=2 * T0)
                if len({len(trace.value) for trace in found.values()}) != 1:
                    torn.append(found)

        reader = threading.Thread(target=watch)
        reader.start()
        for k in range(60):
            store.write(Batch(names, np.arange(100, dtype=np.int32), np.full(100, T0 + k), np.full(100, float(k))))
        done.set()
        reader.join()
        assert torn == []
        assert len(store.read("a", ["p99"], start_ms=0, end_ms=2 * T0)["p99"].value) == 60


def test_out_of_order_writes_over_many_days_are_read_in_order(tmp_path: Path) -> None:
    random = np.random.default_rng(5)
    minutes = random.permutation(30 * 1440)
    names = (("a", "p"), ("a", "q"))
    with open_duckdb_store(tmp_path) as store:
        for part in np.array_split(minutes, 40):
            time_ms = T0 + np.repeat(part, 2) * 60_000
            store.write(Batch(names, np.tile(np.array([0, 1], np.int32), len(part)), time_ms, np.repeat(part, 2) / 8))
        trace = store.read("a", ["q"], start_ms=T0 + 10 * DAY_MS, end_ms=T0 + 11 * DAY_MS)["q"]
    assert trace.time_ms.tolist() == [T0 + 10 * DAY_MS + 60_000 * i for i in range(1440)]
    np.testing.assert_array_equal(trace.value, np.arange(14_400, 15_840) / 8)


@pytest.mark.skipif(os.geteuid() == 0, reason="root writes where it may not")
def test_a_folder_that_may_not_be_written_is_refused_in_one_sentence(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(StoreUnavailableError, match=r"cannot be opened: .*Permission denied"):
        open_duckdb_store(tmp_path)
