"""
Import of files: CSV (plain or gzip) and Parquet, wide (time, then a column for each point) or long (time,point,value).

A column, or a point in the long form, is named `{point}` or, as in SenML, `{site}/{point}` of the site imported.
Values are in the points' own units. An empty cell is no reading, nor is a NaN in a column of numbers of a Parquet file.
Every other cell is a reading received, and is stored, a duplicate, or in quarantine. Columns are separated by commas:
a file with semicolons is refused with a sentence, since its numbers are likely to have decimal commas, and a wrong
guess would store wrong values.

After a crash the import is simply done again: what was stored is then counted as duplicate. Readings go to the store
before the refused ones of the same block go to quarantine, so a store that is away does not fill the quarantine twice.
"""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol

import numpy as np

from analytics.site import Site
from ingest.admit import EARLIEST_MS, MAX_AHEAD_MS
from ingest.counts import Counts
from ingest.file_blocks import Block, blocks
from ingest.file_head import FileHead, file_head
from ingest.file_rows import FileRefusedError, Judge, Judged, to_quarantine
from ingest.store import Batch, ReadingStore, WriteCounts

__all__ = ["FileRefusedError", "Progress", "Quarantine", "import_files"]

Progress = Callable[[int, int], None]
"""Called with the bytes done so far and all bytes."""


class Quarantine(Protocol):
    """Keeps what was refused, for good, before it returns."""

    def __call__(self, *, reason: str, topic: str, payload: bytes, n_readings: int) -> None: ...


def import_files(
    site: Site,
    paths: Sequence[Path],
    *,
    store: ReadingStore,
    quarantine: Quarantine,
    now_ms: int,
    progress: Progress | None = None,
) -> Counts:
    """
    Store the readings of files. All files are looked at before the first is read.

    Args:
        site: Its points are the columns that are known.
        quarantine: Takes what is refused, as small CSV files under the topic `sites/{site}/readings/csv`.
        now_ms: The time now; no reading may be more than 15 minutes ahead of it.
        progress: Told of every block, a million readings or less.
    Returns:
        The counts: received = stored + duplicate + quarantined.
    Raises:
        FileRefusedError: If a file is not what it should be; nothing is stored, unless it turns out damaged half way.
        StoreUnavailableError: If the store is away; what was stored stays, so import again later.
    """
    heads = [file_head(Path(path), site=site.id) for path in paths]
    n_bytes, done = sum(head.n_bytes for head in heads), 0
    names = tuple((site.id, point) for point in site.points)
    limits_ms = (EARLIEST_MS, now_ms + MAX_AHEAD_MS)
    counts = Counts()
    for head in heads:
        n_rows = 0
        for block in blocks(head, list(site.points), site=site.id, limits_ms=limits_ms):
            counts += _take(block, head, site, names=names, store=store, quarantine=quarantine, limits_ms=limits_ms)
            n_rows += block.n_rows
            if progress is not None:
                progress(done + min(round(n_rows * head.bytes_a_row), head.n_bytes), n_bytes)
        done += head.n_bytes
        if progress is not None:
            progress(done, n_bytes)
    return counts


def _take(
    block: Block,
    head: FileHead,
    site: Site,
    *,
    names: Sequence[tuple[str, str]],
    store: ReadingStore,
    quarantine: Quarantine,
    limits_ms: tuple[int, int],
) -> Counts:
    judged = Judged()
    judge = Judge(head.path.name, head.form, site.points, site.id, limits_ms)
    for row, cells in block.odd:
        judge.judge(row, cells, judged)
    batch = _batch(block, judged, names)
    written = store.write(batch) if len(batch) else WriteCounts()
    n_quarantined = 0
    for reason, payload, n_readings in to_quarantine(judged.refused, head.form):
        quarantine(reason=reason, topic=f"sites/{site.id}/readings/csv", payload=payload, n_readings=n_readings)
        n_quarantined += n_readings
    n_received = len(batch) + n_quarantined
    return Counts(n_received, written.stored, written.duplicate, n_quarantined, written.replaced)


def _batch(block: Block, judged: Judged, names: Sequence[tuple[str, str]]) -> Batch:
    """The good readings of a block in the order of its rows, so that of two at one time the later row holds."""
    if not judged.good:
        return Batch(names, block.series, block.time_ms, block.value)
    number = {point: i for i, (_, point) in enumerate(names)}
    row, point, time_ms, value = zip(*judged.good, strict=True)
    order = np.argsort(np.concatenate((block.row, np.array(row, np.int64))), kind="stable")
    series = np.array([number[each] for each in point], np.int32)
    return Batch(
        names,
        np.concatenate((block.series, series))[order],
        np.concatenate((block.time_ms, np.array(time_ms, np.int64)))[order],
        np.concatenate((block.value, np.array(value, np.float64)))[order],
    )
