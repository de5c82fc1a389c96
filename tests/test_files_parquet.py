"""Import of Parquet files: stored like CSV, and refused in a sentence where they are of the wrong kind."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow
import pyarrow.parquet
import pytest

from ingest.counts import Counts
from ingest.duckdb_store import open_duckdb_store
from ingest.files import FileRefusedError
from ingest.store import ReadingStore
from tests.imported import T0, T0_MS, Kept, import_one, stored


@pytest.fixture
def store(tmp_path: Path) -> Iterator[ReadingStore]:
    with open_duckdb_store(tmp_path / "data") as one:
        yield one


@pytest.mark.parametrize("time_type", ["aware", "naive", "nanoseconds", "text"])
def test_parquet_is_stored_like_csv(time_type: str, tmp_path: Path, store: ReadingStore) -> None:
    times = pd.to_datetime([T0, "2026-05-01T00:01:00.25Z"], format="ISO8601").as_unit("us")
    column = {
        "aware": times.tz_convert("America/New_York"),
        "naive": times.tz_localize(None),
        "nanoseconds": times.tz_localize(None).as_unit("ns"),
        "text": times.strftime("%Y-%m-%dT%H:%M:%S.%f+00:00"),
    }[time_type]
    frame = pd.DataFrame({"time": column, "t0": [0.1, np.nan], "pump": [True, False], "hp.energy": [1, 2**53]})
    frame.to_parquet(tmp_path / "a.parquet", index=False)
    assert import_one(tmp_path / "a.parquet", store) == Counts(received=5, stored=5)
    assert stored(store, "t0", "pump", "hp.energy") == {
        "t0": [(T0_MS, 0.1)],
        "pump": [(T0_MS, 1.0), (T0_MS + 60_250, 0.0)],
        "hp.energy": [(T0_MS, 1.0), (T0_MS + 60_250, 2.0**53)],
    }


@pytest.mark.parametrize("name", ["time", None])
def test_parquet_with_its_time_as_index_is_stored_like_any(
    name: str | None, tmp_path: Path, store: ReadingStore
) -> None:
    times = pd.DatetimeIndex([T0, "2026-05-01T00:01:00Z"], name=name)
    frame = pd.DataFrame({"t0": [0.1, np.nan], "pump": [1.0, 0.0], "attic": [7.5, np.nan]}, index=times)
    frame.to_parquet(tmp_path / "a.parquet")
    kept = Kept()
    assert import_one(tmp_path / "a.parquet", store, kept) == Counts(received=4, stored=3, quarantined=1)
    assert stored(store, "t0", "pump") == {"t0": [(T0_MS, 0.1)], "pump": [(T0_MS, 1.0), (T0_MS + 60_000, 0.0)]}
    assert "row 2, column 'attic': site 'mill-lane-9' has no point 'attic'" in kept.entries[0][1]


@pytest.mark.parametrize("n_levels", [1, 2])
@pytest.mark.parametrize("is_long", [False, True])
def test_row_numbers_that_a_table_wrote_along_are_no_readings(
    is_long: bool, n_levels: int, tmp_path: Path, store: ReadingStore
) -> None:
    """A table of which rows were left out keeps their numbers, and writes them as columns without a name."""
    columns = {"point": ["t0", "t1", "t0"], "value": [1.5, 2.5, 3.5]} if is_long else {"t0": [1.5, 2.5, 3.5]}
    times = pd.to_datetime([T0, "2026-05-01T00:01:00Z", "2026-05-01T00:02:00Z"])
    numbers = pd.MultiIndex.from_arrays([[4, 5, 6]] * n_levels)
    pd.DataFrame({"time": times, **columns}, index=numbers).iloc[[0, 2]].to_parquet(tmp_path / "a.parquet")
    kept = Kept()
    assert import_one(tmp_path / "a.parquet", store, kept) == Counts(received=2, stored=2)
    assert stored(store, "t0") == {"t0": [(T0_MS, 1.5), (T0_MS + 120_000, 3.5)]}
    assert kept.entries == []


def test_a_long_table_may_have_its_columns_in_any_order(tmp_path: Path, store: ReadingStore) -> None:
    frame = pd.DataFrame({"time": pd.to_datetime([T0, T0]), "point": ["t0", "t1"], "value": [1.5, 2.5]})
    frame.set_index(["time", "point"]).to_parquet(tmp_path / "a.parquet")
    assert import_one(tmp_path / "a.parquet", store) == Counts(received=2, stored=2)
    assert stored(store, "t0", "t1") == {"t0": [(T0_MS, 1.5)], "t1": [(T0_MS, 2.5)]}


def test_row_numbers_with_a_name_are_told_once_and_what_to_do(tmp_path: Path, store: ReadingStore) -> None:
    times = pd.date_range(T0, periods=1000, freq="min")
    pd.DataFrame({"index": range(1000), "time": times, "t0": 1.5}).to_parquet(tmp_path / "a.parquet", index=False)
    kept = Kept()
    assert import_one(tmp_path / "a.parquet", store, kept) == Counts(received=2000, stored=1000, quarantined=1000)
    assert [reason for _, reason, _, _ in kept.entries] == [
        "a.parquet, row 2, column 'index': site 'mill-lane-9' has no point 'index'; if it numbers the rows, leave it "
        "out of the file (and 999 more up to row 1001)"
    ]


@pytest.mark.parametrize(
    ("index", "columns", "sentence"),
    [
        ("stamp", {}, "a.parquet has no column 'time'; its column 'stamp' holds instants: name it 'time'"),
        (
            None,
            {"time": pd.to_datetime([T0])},
            "a.parquet holds instants in its column 'time' and in an index without a name; write it without that index",
        ),
    ],
)
def test_where_the_time_cannot_be_told_the_file_is_refused_in_a_sentence(
    index: str | None, columns: dict, sentence: str, tmp_path: Path, store: ReadingStore
) -> None:
    times = pd.DatetimeIndex([T0], name=index)
    pd.DataFrame({"t0": [1.5], **columns}, index=times).to_parquet(tmp_path / "a.parquet")
    with pytest.raises(FileRefusedError) as refused:
        import_one(tmp_path / "a.parquet", store)
    assert str(refused.value) == sentence


def test_the_time_may_stand_anywhere_in_parquet(tmp_path: Path, store: ReadingStore) -> None:
    frame = pd.DataFrame({"t1": [3.5], "time": pd.to_datetime([T0]), "t0": [2.5], "t2": [4.5]})
    frame.to_parquet(tmp_path / "a.parquet", index=False)
    assert import_one(tmp_path / "a.parquet", store) == Counts(received=3, stored=3)
    assert stored(store, "t0", "t1", "t2") == {"t0": [(T0_MS, 2.5)], "t1": [(T0_MS, 3.5)], "t2": [(T0_MS, 4.5)]}


def test_parquet_in_long_form_with_odd_rows(tmp_path: Path, store: ReadingStore) -> None:
    times = pd.to_datetime([T0, T0, "1970-01-01T00:00:00Z", T0])
    frame = pd.DataFrame({"time": times, "point": ["t0", "t99", "t1", "t2"], "value": [1.5, 2.5, 3.5, np.inf]})
    frame.to_parquet(tmp_path / "a.parquet", index=False)
    kept = Kept()
    assert import_one(tmp_path / "a.parquet", store, kept) == Counts(received=4, stored=1, quarantined=3)
    assert [entry[1] for entry in kept.entries] == [
        "a.parquet, row 3: site 'mill-lane-9' has no point 't99'; did you mean 't9'?",
        "a.parquet, row 4: the time '1970-01-01 00:00:00+00' is before 2000-01-01; the clock was not set",
        "a.parquet, row 5: 'inf' is not a finite number; leave the cell empty where there is no reading",
    ]


def test_nan_in_a_parquet_column_of_numbers_is_no_reading(tmp_path: Path, store: ReadingStore) -> None:
    table = pyarrow.table({"time": [T0, T0], "t0": [float("nan"), 2.0]})
    pyarrow.parquet.write_table(table, tmp_path / "a.parquet")
    assert import_one(tmp_path / "a.parquet", store) == Counts(received=1, stored=1)


@pytest.mark.parametrize(
    ("frame", "sentence"),
    [
        (
            {"time": [1, 2], "t0": [1.0, 2.0]},
            "a.parquet holds its time as BIGINT; it must be a timestamp (UTC if it has no zone) or ISO 8601 text",
        ),
        (
            {"time": [T0], "t0": [[1.0, 2.0]]},
            "a.parquet holds DOUBLE[] in its column 't0'; it must hold numbers",
        ),
        (
            {"when": [T0], "t0": [1.0]},
            "a.parquet has 'when' as its first column; it must be 'time', and a column for each point after it",
        ),
    ],
)
def test_parquet_of_the_wrong_kind_is_refused(frame: dict, sentence: str, tmp_path: Path, store: ReadingStore) -> None:
    pd.DataFrame(frame).to_parquet(tmp_path / "a.parquet", index=False)
    with pytest.raises(FileRefusedError) as refused:
        import_one(tmp_path / "a.parquet", store)
    assert str(refused.value) == sentence


def test_dates_without_a_time_of_day_are_refused_and_nothing_is_stored(tmp_path: Path, store: ReadingStore) -> None:
    """Three readings of one day would all fall on its midnight, and two of them be lost."""
    days = pyarrow.array([20574, 20574, 20574], pyarrow.date32())
    pyarrow.parquet.write_table(pyarrow.table({"t0": [1.0, 2.0, 3.0], "time": days}), tmp_path / "a.parquet")
    sentence = "a.parquet holds dates without a time of day in its column 'time': all readings of a day would fall on "
    with pytest.raises(FileRefusedError, match=sentence):
        import_one(tmp_path / "a.parquet", store)
    assert stored(store, "t0") == {"t0": []}
