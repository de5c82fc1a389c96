"""`month`: a month, and the year up to its end, beside the same days of the year before."""

import argparse
import json
from collections.abc import Iterator
from datetime import date

from rich.console import Console
from rich.table import Table

from analytics.figure_paths import figures_by_path
from analytics.figures import Figure
from analytics.period import Period
from analytics.year_before import Beside
from api.beside import MonthBeside, month_beside, month_json
from api.command_line import Commands, add_data_option, existing_settings_of, now_ms, print_out, terminal
from api.commands_results import settle_site
from api.migrate import open_records
from api.results import period
from dashboards.assumptions import money_assumptions
from dashboards.beside import beside_sentences
from dashboards.numbers import Display, display_of, show_figure, show_month
from dashboards.past import figure_name

__all__ = ["add_month_command"]

_NAMES = {
    "purchased": "Bought",
    "hot_water_heat": "Heat in hot water",
    "purchased_per_heat": "Bought for each kWh of it",
    "saved_energy": "Saved, energy",
    "saved_money": "Saved, money",
    "saved_co2": "Saved, CO₂",
}
_OWN = ("purchased", "hot_water.heat", "saved.energy", "saved.money", "saved.co2")


def add_month_command(commands: Commands) -> None:
    parser = commands.add_parser(
        "month",
        help="a month beside the same days of the year before",
        description="A month, and the year up to its end, beside the same days of the year before: as they were, and "
        "corrected for the use of hot water and the weather; with the assumptions that the saved money rests on.",
    )
    parser.add_argument("site", metavar="SITE")
    parser.add_argument("month", metavar="MONTH", type=_month, help="YYYY-MM")
    parser.add_argument("--format", choices=("table", "json"), default="table")
    add_data_option(parser)
    parser.set_defaults(run=_run)


def _month(text: str) -> date:
    try:
        return date.fromisoformat(f"{text}-01")
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text} is not a month; write it as YYYY-MM, such as 2026-01") from None


def _run(arguments: argparse.Namespace) -> int:
    settings = existing_settings_of(arguments)
    with open_records(settings.resolved_records_url) as records:
        settle_site(settings, records, arguments.site)
        with records.look() as session:
            found = month_beside(session, arguments.site, arguments.month, now_ms=now_ms())
            own = period(session, arguments.site, first=arguments.month, last=found.last)
    if arguments.format == "json":
        print_out(json.dumps(month_json(found)))
    else:
        _print(found, own, terminal())
    return 0


def _print(found: MonthBeside, own: Period, console: Console) -> None:
    display = display_of(found.site)
    compared = found.compared
    if not compared[0].changes:
        console.print(_own_table(found, own, display))
        # Nothing beside the month and nothing beside the year is one thing to say.
        compared = compared if any(each.changes for each in compared) else compared[:1]
    for each in compared:
        if each.changes:
            console.print(_table(each, found, display))
        for sentence in beside_sentences(each, display, in_progress=found.in_progress):
            console.print(sentence)
        console.print()
    console.print(f"What the money saved in {show_month(found.last)} rests on:")
    for line in money_assumptions(found.held):
        console.print(f"- {line}")


def _own_table(found: MonthBeside, own: Period, display: Display) -> Table:
    """The month alone, where there is nothing to set beside it."""
    table, figures = Table(title=f"{found.site.name} ({found.site.id})"), figures_by_path(own.total)
    table.add_column("")
    table.add_column(own.span.name, justify="right")
    for path in _OWN:
        table.add_row(figure_name(found.site, path), show_figure(figures[path], display))
    return table


def _table(each: Beside, found: MonthBeside, display: Display) -> Table:
    table = Table(title=f"{found.site.name} ({found.site.id})")
    for heading in ("", *(f"{span.first} to {span.last}" for span in (each.later, each.earlier)), "Difference"):
        table.add_column(heading, justify="right" if heading else "left")
    for row in _rows(each, display):
        table.add_row(*row)
    return table


def _rows(each: Beside, display: Display) -> Iterator[tuple[str, ...]]:
    def shown(*figures: Figure) -> tuple[str, ...]:
        return tuple(show_figure(figure, display) for figure in figures)

    for name, change in each.changes.items():
        yield _NAMES[name], *shown(change.later, change.earlier, change.difference)
    if each.correction is not None:
        bought = each.changes["purchased"].earlier
        yield "Bought, corrected", *shown(each.correction.purchased, bought, each.correction.change)
