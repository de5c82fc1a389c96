"""`explain`: how a figure of a day is known."""

import argparse
import json
from collections.abc import Iterator, Mapping
from typing import Any

from analytics.figure_paths import figures_by_path
from analytics.figures import DayLedger, Figure, figure_to_json
from analytics.site import Accuracy, Point, Site
from api.command_line import (
    CommandError,
    Commands,
    add_data_option,
    day_argument,
    existing_settings_of,
    print_out,
)
from api.commands_results import settle_site
from api.day_rows import ledgers
from api.migrate import open_records
from api.results import NoLedgerError
from api.sites import site_versions, version_on
from dashboards.explain import BASES, FigureRow, figure_groups

__all__ = ["add_explain_command"]


def add_explain_command(commands: Commands) -> None:
    parser = commands.add_parser(
        "explain",
        help="how a figure of a day is known",
        description="How a figure of a day is known: its formula, the sensors that it rests on with their calibration "
        "and accuracy, its coverage and assumptions, and what each source of doubt adds to its interval.",
    )
    parser.add_argument("site", metavar="SITE")
    parser.add_argument(
        "figure", metavar="FIGURE", help="its path, such as stages.sun.heat, or a part of it that says which"
    )
    parser.add_argument("day", metavar="DAY", type=day_argument, help="YYYY-MM-DD")
    parser.add_argument("--format", choices=("text", "json"), default="text")
    add_data_option(parser)
    parser.set_defaults(run=_explain)


def _explain(arguments: argparse.Namespace) -> int:
    settings = existing_settings_of(arguments)
    day = arguments.day.isoformat()
    with open_records(settings.resolved_records_url) as records:
        settle_site(settings, records, arguments.site)
        with records.look() as session:
            site = version_on(site_versions(session, arguments.site), arguments.day).site
            found = ledgers(session, site.id, first=day, last=day)
    if not found:
        raise NoLedgerError(f"{site.id} has no ledger of {day}")
    path = _path_of(arguments.figure, found[0])
    told = _told(site, found[0], path)
    print_out(json.dumps(told) if arguments.format == "json" else "\n".join(_lines(told)))
    return 0


def _path_of(wanted: str, ledger: DayLedger) -> str:
    paths = list(figures_by_path(ledger))
    matching = [path for path in paths if path == wanted] or [path for path in paths if wanted in path]
    if len(matching) == 1:
        return matching[0]
    among = matching or paths
    raise CommandError(
        f"{wanted!r} names {'no' if not matching else 'more than one'} figure; it may be {', '.join(among)}"
    )


def _told(site: Site, ledger: DayLedger, path: str) -> dict[str, Any]:
    figure = figures_by_path(ledger)[path]
    row = _row_of(site, ledger, figure)
    parts = {**figure.doubt.steady, **figure.doubt.passing}
    return {
        "site": site.id,
        "day": ledger.day.isoformat(),
        "figure": path,
        "label": row.label,
        **figure_to_json(figure),
        "how": row.how,
        "points": {point: _about(site.points[point]) for point in row.points if point in site.points},
        "doubt": [
            {
                "source": source,
                "standard_uncertainty": abs(parts[source]),
                "part_of_variance": part,
                "errs": "alike every day" if source in figure.doubt.steady else "anew every day",
            }
            for source, part in figure.doubt.shares()
            if part > 1e-4
        ],
        "notes": [note for note in ledger.notes if any(point in note for point in row.points)],
    }


def _row_of(site: Site, ledger: DayLedger, figure: Figure) -> FigureRow:
    rows = (row for group in figure_groups(site, ledger) for row in group.rows)
    return next((row for row in rows if row.figure is figure), FigureRow("", figure, ""))


def _about(point: Point) -> dict[str, Any]:
    return {
        "quantity": point.quantity,
        "unit": point.unit,
        "sampling": point.sampling,
        "interval_s": point.interval_s,
        "accuracy": _accuracy(point.accuracy, point.unit),
        "gain": point.gain,
        "offset": point.offset,
    }


def _accuracy(accuracy: Accuracy | None, unit: str) -> str:
    if accuracy is None:
        return "not stated; a usual one is taken"
    if accuracy.standard == "absolute":
        return f"± {accuracy.value:g} {unit}"
    if accuracy.standard == "percent":
        return f"± {accuracy.value:g} %"
    return f"{accuracy.standard} {accuracy.grade}"


def _lines(told: Mapping[str, Any]) -> Iterator[str]:
    unit = "" if told["unit"] in ("", "1") else f" {told['unit']}"
    yield f"{told['label']} ({told['figure']}) of {told['site']} on {told['day']}"
    if told["value"] is None:
        yield f"  is not known. {told['why']}"
    else:
        yield f"  {told['value']:.4g} ± {told['plus_minus']:.2g}{unit} (95 %), {told['basis']}: {BASES[told['basis']]}"
        yield f"  Usable readings cover {told['coverage']:.1%} of the day. {told['why']}".rstrip()
    yield f"How: {told['how']}"
    for point, about in told["points"].items():
        yield (
            f"  {point}: {about['quantity']} in {about['unit']}, {about['sampling']} every {about['interval_s']:g} s; "
            f"accuracy {about['accuracy']}; gain {about['gain']:g}, offset {about['offset']:g}"
        )
    for index, part in enumerate(told["doubt"]):
        yield f"{'Its ±: ' if index == 0 else '       '}{part['source']}: {part['standard_uncertainty']:.2g}{unit} " + (
            f"standard, {part['part_of_variance']:.0%} of the variance, errs {part['errs']}"
        )
    yield from (f"Left out: {note}" for note in told["notes"])
