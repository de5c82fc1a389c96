"""`explain`: how a figure of a day, a week, a month or a year is known."""

import argparse
import json
from typing import Any
from urllib.parse import quote, urlencode

from analytics.figure_paths import figures_in_record
from analytics.period import Span
from analytics.site import Site
from api.command_line import (
    CommandError,
    Commands,
    add_data_option,
    existing_settings_of,
    now_ms,
    print_out,
    span_argument,
)
from api.commands_results import service_of, settle_site
from api.explain_text import explained_text
from api.migrate import open_records
from api.records import Records
from api.results import NoLedgerError, kept_ledgers
from api.service_file import ask
from api.settings import Settings
from dashboards.figure_names import figure_name

__all__ = ["add_explain_command"]


def add_explain_command(commands: Commands) -> None:
    parser = commands.add_parser(
        "explain",
        help="how a figure is known",
        description="How a figure of a day, or of days added up, is known: its formula with every amount in it, so "
        "that it can be worked out again with a calculator; the sensors that it rests on with their calibration and "
        "accuracy, its coverage and assumptions, and what each source of doubt adds to its interval.",
    )
    parser.add_argument("site", metavar="SITE", help="id of the site")
    parser.add_argument(
        "figure", metavar="FIGURE", nargs="?", help="its path, such as stages.sun.heat, or a part of it that says which"
    )
    parser.add_argument(
        "span",
        metavar="DAY",
        nargs="?",
        type=span_argument,
        help="YYYY-MM-DD; a week (2026-W03), a month (2026-01), a year or 2026-01-05..2026-01-31",
    )
    parser.add_argument("--list", dest="is_list", action="store_true", help="list the site's figures with their paths")
    parser.add_argument("--format", choices=("text", "json"), default="text")
    add_data_option(parser)
    parser.set_defaults(run=_explain)


def _explain(arguments: argparse.Namespace) -> int:
    if not arguments.is_list and arguments.span is None:
        raise CommandError(
            "say which figure of which day, such as `heatledger explain SITE hot_water.heat 2026-01-31`; "
            "--list names the figures"
        )
    settings = existing_settings_of(arguments)
    with open_records(settings.resolved_records_url) as records:
        site = settle_site(settings, records, arguments.site)
        if arguments.is_list:
            return _list(records, site, arguments)
        told = _told(settings, records, arguments.site, figure=arguments.figure, span=arguments.span)
    print_out(json.dumps(told) if arguments.format == "json" else explained_text(told))
    return 0


def _list(records: Records, site: Site, arguments: argparse.Namespace) -> int:
    """The figures of the newest day, or of the one asked for."""
    with records.look() as session:
        last = None if arguments.span is None else arguments.span.last
        days = kept_ledgers(session, site.id, first=None, last=last)
    if not days:
        raise NoLedgerError(f"{site.id} has no ledger yet; its figures are named once it has readings")
    names = {path: figure_name(site, path) for path, _ in figures_in_record(days[-1])}
    if arguments.format == "json":
        print_out(json.dumps([{"figure": path, "label": name} for path, name in names.items()]))
        return 0
    width = max(len(path) for path in names)
    print_out("\n".join(f"{path:<{width}}  {name}" for path, name in names.items()))
    return 0


def _told(settings: Settings, records: Records, site: str, *, figure: str, span: Span) -> Any:
    service = service_of(settings)
    if service is not None:
        wanted = urlencode({"figure": figure, "of": span.name})
        return ask(service, "GET", f"/api/sites/{quote(site)}/explain?{wanted}")
    # Physics takes seconds to import; a question to the service does without.
    from api.explaining import explained
    from api.open_store import open_store

    with open_store(settings) as store, records.look() as session:
        return explained(session, store, site, figure=figure, span=span, now_ms=now_ms())
