"""How a figure is known, as text for a terminal or for paper."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from dashboards.explain import BASES, ROUNDING, doubt_reasons, part_in_words
from dashboards.numbers import Display
from dashboards.rewording import in_readers_units

__all__ = ["explained_text"]


def explained_text(told: Mapping[str, Any]) -> str:
    """What `api.explaining.explained` found, in lines."""
    return "\n".join(_lines(told))


def _lines(told: Mapping[str, Any]) -> Iterator[str]:
    yield from _head(told)
    yield f"How: {told['how']}"
    if told["working"] is not None:
        yield from _working(told["working"])
    yield from _interval(told)
    yield from _sensors(told["points"])
    yield from (f"Left out: {note}" for note in told["notes"])


def _head(told: Mapping[str, Any]) -> Iterator[str]:
    unit = "" if told["unit"] in ("", "1") else f" {told['unit']}"
    many = f", {told['days']} days" if told.get("days", 1) > 1 else ""
    why = in_readers_units(told["why"], Display())  # amounts are as they were metered
    yield f"{told['label']} ({told['figure']}) of {told['site']}, {told['day']}{many}"
    if told["value"] is None:
        yield f"  is not known. {why}"
    else:
        value = f"{told['value']:.4g}".replace("-", "−")
        spread = f" ± {told['plus_minus']:.2g}{unit} (95 %)" if told["plus_minus"] else unit
        yield f"  {value}{spread}, {told['basis']}: {BASES[told['basis']]}"
        of = "these days" if many else "the day"
        yield f"  Usable readings cover {100 * told['coverage']:.1f} % of {of}. {why}".rstrip()
    if told["units_note"]:
        yield f"  {told['units_note']}"
    if told["changed"]:
        yield f"  {told['changed']}"


def _working(working: Mapping[str, Any]) -> Iterator[str]:
    if working["inputs"]:
        yield "From:"
        yield from _aligned([(one["name"], one["shown"], one["source"]) for one in working["inputs"]])
    for table in working["tables"]:
        yield f"{table['title']}:"
        yield from _aligned([table["columns"], *table["rows"]], numbers=True)
        if table["note"]:
            yield f"  {table['note']}"
    if working["steps"]:
        yield "Worked out:"
        yield from (f"  {step['text']}" for step in working["steps"])
        yield f"  {ROUNDING}"
    yield from (f"  {remark}" for remark in working["remarks"])


def _interval(told: Mapping[str, Any]) -> Iterator[str]:
    if not told["doubt"]:
        return
    yield "Its ± comes from these standard uncertainties, which err alike every day or anew every day:"
    interval = told["interval"]
    yield from _aligned([_source(part) for part in told["doubt"]])
    yield from (f"  {name}: {reason}" for name, reason in doubt_reasons(told["doubt"]))
    yield from (f"  {step['text']}" for step in interval["quotients"])
    yield from (f"  {hint}" for hint in interval["hints"])
    yield "From them its ±:"
    yield from (f"  {step['text']}" for step in interval["steps"])
    yield f"  {interval['note']}"


def _source(part: Mapping[str, Any]) -> Sequence[str]:
    how = f"= {part['expression']}" if part["expression"] else ""
    return part["source"], part["shown"], how, part_in_words(part["part_of_variance"]), part["errs"]


def _sensors(points: Mapping[str, Any]) -> Iterator[str]:
    if points:
        yield "Sensors:"
    for point, about in points.items():
        yield (
            f"  {point}: {about['quantity']} in {about['unit']}, {about['sampling']} every {about['interval_s']:g} s; "
            f"accuracy {about['accuracy']}; gain {about['gain']:g}, offset {about['offset']:g}"
        )


def _aligned(rows: Sequence[Sequence[str]], *, numbers: bool = False) -> Iterator[str]:
    """Columns side by side; with `numbers`, all but the first are set to the right."""
    widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    for row in rows:
        cells = [
            cell.rjust(width) if numbers and k else cell.ljust(width)
            for k, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        yield f"  {'  '.join(cells)}".rstrip()
