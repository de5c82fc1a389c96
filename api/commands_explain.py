"""`explain`: how a figure of a day, a week, a month or a year is known."""

import argparse
import json
from typing import Any
from urllib.parse import quote, urlencode

from analytics.period import Span
from api.command_line import Commands, add_data_option, existing_settings_of, print_out
from api.commands_results import service_of, settle_site
from api.explain_text import explained_text
from api.migrate import open_records
from api.records import Records
from api.service_file import ask
from api.settings import Settings
from api.span_names import span_of

__all__ = ["add_explain_command"]


def add_explain_command(commands: Commands) -> None:
    parser = commands.add_parser(
        "explain",
        help="how a figure is known",
        description="How a figure of a day, or of days added up, is known: its formula with every amount in it, so "
        "that it can be worked out again with a calculator; the sensors that it rests on with their calibration and "
        "accuracy, its coverage and assumptions, and what each source of doubt adds to its interval.",
    )
    parser.add_argument("site", metavar="SITE")
    parser.add_argument(
        "figure", metavar="FIGURE", help="its path, such as stages.sun.heat, or a part of it that says which"
    )
    parser.add_argument(
        "span", metavar="DAY", type=_span_argument, help="YYYY-MM-DD; a week (2026-W03), a month (2026-01) or a year"
    )
    parser.add_argument("--format", choices=("text", "json"), default="text")
    add_data_option(parser)
    parser.set_defaults(run=_explain)


def _span_argument(text: str) -> Span:
    try:
        return span_of(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _explain(arguments: argparse.Namespace) -> int:
    settings = existing_settings_of(arguments)
    with open_records(settings.resolved_records_url) as records:
        settle_site(settings, records, arguments.site)
        told = _told(settings, records, arguments.site, figure=arguments.figure, span=arguments.span)
    print_out(json.dumps(told) if arguments.format == "json" else explained_text(told))
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
        return explained(session, store, site, figure=figure, span=span)
