"""A small CSV file as a payload: what an import has put into quarantine, read again by a replay."""

from ingest.columns import Columns, Fault, whole_fault
from ingest.file_rows import FileRefusedError, Judge, Judged, cells_of, form_of

__all__ = ["decode_csv"]


def decode_csv(payload: bytes, *, received_s: float) -> Columns:
    """Columns of a CSV payload, wide or long, in the points' own units; `record` is its row, counted from 0."""
    lines = payload.decode(errors="surrogateescape").removeprefix("\ufeff").splitlines()
    lines = [line for line in lines if line.strip()]
    try:
        form = form_of(cells_of(lines[0]) if lines else [""], file="the payload")
    except FileRefusedError as error:
        return whole_fault(str(error))
    rows, faults = list[tuple[str, float, float, int]](), list[Fault]()
    for record, line in enumerate(lines[1:]):
        judged = Judged()
        Judge("the payload", form).judge(record + 2, cells_of(line), judged)
        rows.extend((point, time_ms / 1000.0, value, record) for _, point, time_ms, value in judged.good)
        faults.extend(Fault(record, one.reason, one.n_readings) for one in judged.refused)
    if not rows:
        return Columns(faults=faults)
    name, time_s, value, places = zip(*rows, strict=True)
    return Columns(name, (None,) * len(name), time_s, value, places, faults)
