"""`moved`, `recompute` and `statement`: what past figures were, are by the program of now, and what was sent."""

import argparse
import json
import os
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Table

from analytics.figures import figure_from_json
from analytics.site import Site
from api.command_line import (
    CommandError,
    Commands,
    add_data_option,
    add_days_options,
    days_asked,
    existing_settings_of,
    month_argument,
    now_ms,
    print_out,
    say,
    terminal,
)
from api.commands_results import settle_site
from api.migrate import open_records
from api.records import Records
from api.sites import present_site
from dashboards.figure_names import figure_name
from dashboards.numbers import Display, display_of, plural, show_figure
from dashboards.past import moved_sentence, show_moved, show_movement
from dashboards.words import missing_sentence

__all__ = ["add_past_commands"]


def add_past_commands(commands: Commands) -> None:
    _add_moved(commands)
    _add_recompute(commands)
    _add_statement(commands)


def _add_moved(commands: Commands) -> None:
    parser = commands.add_parser(
        "moved",
        help="what moved in the past figures of a site, and why",
        description="What moved when past days of a site were computed again, because of a new version of its file or "
        "of late readings: by cause, the days touched, the main figures before and after, and the largest movements "
        "of a day.",
    )
    parser.add_argument("site", metavar="SITE", help="id of the site")
    add_days_options(parser)
    parser.add_argument("--format", choices=("table", "json"), default="table")
    add_data_option(parser)
    parser.set_defaults(run=_moved)


def _moved(arguments: argparse.Namespace) -> int:
    from api.moved_report import moved_json

    first, last = days_asked(arguments)
    settings = existing_settings_of(arguments)
    with open_records(settings.resolved_records_url) as records:
        site = settle_site(settings, records, arguments.site)
        with records.look() as session:
            found = moved_json(session, site.id, first=first, last=last)
    if arguments.format == "json":
        print_out(json.dumps(found))
    else:
        _print_moved(found, site, terminal())
    return 0


def _add_recompute(commands: Commands) -> None:
    parser = commands.add_parser(
        "recompute",
        help="compute past days again by the program of now",
        description="Computes past days of a site again from their readings. After an update this goes on by itself, "
        "for days of which the readings are still there. Days after the last one asked for follow where they carry on "
        "what changed. What moved is kept, and shown; statements stay as they were sent.",
    )
    parser.add_argument("site", metavar="SITE", help="id of the site")
    add_days_options(parser)
    parser.add_argument("--format", choices=("table", "json"), default="table")
    add_data_option(parser)
    parser.set_defaults(run=_recompute)


def _recompute(arguments: argparse.Namespace) -> int:
    from api.due import mark_computed_days
    from api.moved_report import moved_json

    first, last = days_asked(arguments)
    settings = existing_settings_of(arguments)
    with open_records(settings.resolved_records_url) as records:
        site = settle_site(settings, records, arguments.site)  # what is due for a cause of its own keeps it
        since_ms = now_ms() - 1
        with records.begin() as session:
            count = mark_computed_days(session, site.id, first=first, last=last)
        settle_site(settings, records, site.id)
        with records.look() as session:
            found = moved_json(session, site.id, first=None, last=None, since_ms=since_ms)
    if arguments.format == "json":
        print_out(json.dumps(found))
    elif count == 0:
        print_out(f"No computed day of {site.id} lies there.")
    elif not found["causes"]:
        print_out(f"{plural(count, 'day')} of {site.id} computed again; no figure has moved.")
    else:
        _print_moved(found, site, terminal())
    return 0


def _print_moved(found: Mapping[str, Any], site: Site, console: Console) -> None:
    if not found["causes"]:
        console.print(f"No past figure of {site.id} has moved.")
        return
    for cause in found["causes"]:
        days = [each["day"] for each in cause["days"]]
        span = days[0] if len(days) == 1 else f"{len(days)} days from {days[0]} to {days[-1]}"
        on = datetime.fromisoformat(cause["computed"]).astimezone(ZoneInfo(site.timezone))
        console.print(f"{cause['sentence']}\nFigures moved on {span}; computed again on {on:%Y-%m-%d at %H:%M}.")
        if cause["sums"]:
            console.print(_moved_table(cause["sums"], site, title="Over the days on which each moved", has_days=True))
        if cause["largest"]:
            console.print(_moved_table(cause["largest"], site, title="Largest movements of a day"))
    if found["total"]:
        title = f"In all, {found['from']} to {found['to']}: as it was first, and now"
        console.print(_moved_table(found["total"], site, title=title, has_days=True))
    console.print("`--format json` has every figure that moved, by day.")


def _moved_table(lines: Sequence[Mapping[str, Any]], site: Site, *, title: str, has_days: bool = False) -> Table:
    table, display = Table(title=title, title_justify="left"), display_of(site)
    for heading in ("Figure", "Days" if has_days else "Day", "Before", "After", "Change"):
        table.add_column(heading, justify="left" if heading == "Figure" else "right", no_wrap=heading == "Day")
    for line in lines:
        which = str(line["days"]) if has_days or line["days"] > 1 else line["from_day"]
        before, after = figure_from_json(line["before"]), figure_from_json(line["after"])
        texts = show_movement(before, after, line["figure"], display)
        table.add_row(figure_name(site, line["figure"]), which, *texts)
    return table


def _add_statement(commands: Commands) -> None:
    parser = commands.add_parser(
        "statement",
        help="a month's statement for the homeowner, kept as it was sent",
        description="Makes a month's statement for the homeowner and keeps its figures as sent, with a number. Asked "
        "again, it shows the kept one, and says which figures have moved since and why; --correct then makes a new "
        "one that takes its place. Nothing that was sent is overwritten.",
    )
    parser.add_argument("site", metavar="SITE", help="id of the site")
    parser.add_argument("month", metavar="MONTH", type=month_argument, nargs="?", help="YYYY-MM")
    parser.add_argument("--out", metavar="FILE.html", type=Path, help="write the document, ready to print or send")
    parser.add_argument("--list", dest="is_list", action="store_true", help="list the statements, of MONTH or all")
    parser.add_argument("--correct", action="store_true", help="make a new one in the place of the one that stands")
    parser.add_argument("--withdraw", metavar="NUMBER", help="take back one that was sent by mistake")
    parser.add_argument("--by", default="", metavar="NAME", help="who sends it, or takes it back")
    parser.add_argument("--note", default="", help="why it is taken back")
    parser.add_argument("--format", choices=("table", "json"), default="table")
    add_data_option(parser)
    parser.set_defaults(run=_statement)


def _statement(arguments: argparse.Namespace) -> int:
    settings = existing_settings_of(arguments)
    with open_records(settings.resolved_records_url) as records:
        with records.look() as session:
            present_site(session, arguments.site)
        if arguments.out is not None:
            _check_place(arguments.out)
        if arguments.withdraw:
            return _withdraw(arguments, records)
        if arguments.month is None and not arguments.is_list:
            raise CommandError("say which month (YYYY-MM), or --list")
        site = settle_site(settings, records, arguments.site)
        if arguments.is_list:
            return _list(arguments, records, site)
        return _make_or_show(arguments, records, site)


def _check_place(path: Path) -> None:
    """
    That a document can be written there, before a statement is made and kept.

    Raises:
        CommandError: If it cannot.
    """
    try:
        if path.is_dir():
            raise CommandError(f"--out: {path} is a folder; name the file in it, such as {path / 'statement.html'}")
        if not path.parent.is_dir():
            raise CommandError(f"--out: there is no folder {path.parent} to write {path.name} into")
        is_new = not path.exists()
        with path.open("ab"):  # only trying tells: rights, a read-only disk, a name that the disk does not take
            pass
        if is_new:
            path.unlink()
    except OSError as error:
        why = os.strerror(error.errno or 0)
        raise CommandError(f"--out: {path} cannot be written ({why}); no statement was made or changed") from error


def _withdraw(arguments: argparse.Namespace, records: Records) -> int:
    from api.statements import withdraw_statement

    with records.begin() as session:
        withdraw_statement(
            session, arguments.site, arguments.withdraw, now_ms=now_ms(), by=arguments.by, note=arguments.note
        )
    print_out(f"Statement {arguments.withdraw} of {arguments.site} is withdrawn; it is kept, and `--list` shows it.")
    return 0


def _list(arguments: argparse.Namespace, records: Records, site: Site) -> int:
    from api.statements import statement_views, statements_json

    with records.look() as session:
        views = statement_views(session, site.id, month=arguments.month)
    if arguments.format == "json":
        print_out(json.dumps(statements_json(views)))
        return 0
    console, display = terminal(), display_of(site)
    if not views:
        console.print(f"No statement of {site.id} has been made.")
        return 0
    table = Table(title=f"Statements of {site.name} ({site.id})")
    for heading in ("Number", "Sent", "By", "Corrects", "Withdrawn", "Energy saved", "Moved since"):
        table.add_column(heading)
    for view in views:
        withdrawn = "" if view.withdrawn is None else f"{_day(view.withdrawn, display)} {view.note}".strip()
        saved = show_figure(view.figures["saved.energy"], display)
        moved = f"{len(view.moved)} figures" if view.moved else ""
        table.add_row(view.number, _day(view.issued, display), view.by, view.corrects, withdrawn, saved, moved)
    console.print(table)
    return 0


def _day(instant: datetime, display: Display) -> str:
    return f"{instant.astimezone(ZoneInfo(display.timezone)):%Y-%m-%d}"


def _make_or_show(arguments: argparse.Namespace, records: Records, site: Site) -> int:
    from api.statements import issue_statement, standing_statement, statement_page, statement_views, statements_json

    with records.begin() as session:
        is_new = arguments.correct or standing_statement(session, site.id, arguments.month) is None
        if is_new:
            made = issue_statement(
                session,
                site.id,
                arguments.month,
                now_ms=now_ms(),
                by=arguments.by,
                is_correction=arguments.correct,
            )
        views = statement_views(session, site.id, month=arguments.month)
        view = next(one for one in views if one.number == made.number) if is_new else _standing(views)
        page = statement_page(session, site.id, view.number)
    if arguments.out is not None:
        arguments.out.write_text(page, encoding="utf-8")
        say(f"{arguments.out}: statement {view.number}, ready to print or send.")
    if arguments.format == "json":
        print_out(json.dumps(statements_json([view])[0]))
    else:
        _print_statement(view, site, is_new=is_new)
    return 0


def _standing(views: Sequence[Any]) -> Any:
    return next(view for view in views if view.withdrawn is None)


def _print_statement(view: Any, site: Site, *, is_new: bool) -> None:
    console, display = terminal(), display_of(site)
    instead = f", in the place of {view.corrects}" if view.corrects else ""
    told = "made and kept" if is_new else "kept as sent"
    console.print(f"Statement {view.number} of {site.name}, {told} on {_day(view.issued, display)}{instead}.")
    table = Table()
    for heading in ("Figure", "As sent", "How it is known"):
        table.add_column(heading, justify="right" if heading == "As sent" else "left")
    for path, figure in view.figures.items():
        table.add_row(figure_name(site, path), show_moved(figure, path, display), figure.basis)
    console.print(table)
    if view.missing_days:
        console.print(missing_sentence(view.missing_days))
    for moved in view.moved:
        console.print(moved_sentence(moved, site, display, sent=view.issued))
    if view.moved:
        console.print("`--correct` makes a new statement in its place.")
