"""`month`: a month, and the year up to its end, beside the same days of the year before."""

import argparse
import json
from collections.abc import Iterator

from rich.console import Console
from rich.table import Table

from analytics.figure_paths import figures_by_path
from analytics.figures import Figure
from analytics.period import Period
from analytics.site import Site
from analytics.year_before import Beside
from api.beside import MonthBeside, month_beside, month_json, own_figures
from api.command_line import (
    Commands,
    add_data_option,
    existing_settings_of,
    month_argument,
    now_ms,
    print_out,
    terminal,
)
from api.commands_results import settle_site
from api.migrate import open_records
from dashboards.assumptions import money_assumptions
from dashboards.beside import beside_sentences
from dashboards.figure_names import figure_name
from dashboards.numbers import Display, display_of, plural, show_figure, show_month

__all__ = ["add_month_command"]

_PATHS = {
    "purchased": "purchased",
    "hot_water_heat": "hot_water.heat",
    "saved_energy": "saved.energy",
    "saved_money": "saved.money",
    "saved_co2": "saved.co2",
}
_PER_HEAT = "Bought for each kWh of heat"
_OWN = ("purchased", "hot_water.heat", "saved.energy", "saved.money", "saved.co2")


def add_month_command(commands: Commands) -> None:
    parser = commands.add_parser(
        "month",
        help="a month beside the same days of the year before",
        description="A month, and the year up to its end, beside the same days of the year before: as they were, and "
        "corrected for the use of hot water and the weather; with the assumptions that the saved money rests on.",
    )
    parser.add_argument("site", metavar="SITE", help="id of the site")
    parser.add_argument("month", metavar="MONTH", type=month_argument, help="YYYY-MM")
    parser.add_argument("--format", choices=("table", "json"), default="table")
    add_data_option(parser)
    parser.set_defaults(run=_run)


def _run(arguments: argparse.Namespace) -> int:
    settings = existing_settings_of(arguments)
    with open_records(settings.resolved_records_url) as records:
        settle_site(settings, records, arguments.site)
        with records.look() as session:
            found = month_beside(session, arguments.site, arguments.month, now_ms=now_ms())
            own = own_figures(session, found)
    if arguments.format == "json":
        print_out(json.dumps(month_json(found, own)))
    else:
        _print(found, own, terminal())
    return 0


def _print(found: MonthBeside, own: Period, console: Console) -> None:
    display = display_of(found.site)
    compared = found.compared
    if compared[0].n_pairs < own.n_known:  # else the month's own figures stand beside those of the year before
        console.print(_own_table(found, own, display))
    if not compared[0].changes:
        # Nothing beside the month and nothing beside the year is one thing to say.
        compared = compared if any(each.changes for each in compared) else compared[:1]
    for each in compared:
        if each.changes:
            console.print(_table(each, found, display))
        for sentence in beside_sentences(each, display, in_progress=found.in_progress):
            console.print(sentence)
        console.print()
    if any(each.changes for each in compared):
        console.print("Money saved is at the prices that held in each of the two years.\n")
    console.print(f"What the money saved in {show_month(found.last)} rests on:")
    for line in money_assumptions(found.held):
        console.print(f"- {line}")


def _own_table(found: MonthBeside, own: Period, display: Display) -> Table:
    """The month alone."""
    table, figures = Table(title=f"{found.site.name} ({found.site.id})"), figures_by_path(own.total)
    table.add_column("")
    table.add_column(f"{own.span.name} ({own.n_known} of {plural(own.span.n_days, 'day')})", justify="right")
    for path in _OWN:
        table.add_row(figure_name(found.site, path), show_figure(figures[path], display))
    return table


def _table(each: Beside, found: MonthBeside, display: Display) -> Table:
    table = Table(title=f"{found.site.name} ({found.site.id})")
    for heading in ("", *(f"{span.first} to {span.last}" for span in (each.later, each.earlier)), "Difference"):
        table.add_column(heading, justify="right" if heading else "left")
    for row in _rows(each, found.site, display):
        table.add_row(*row)
    return table


def _rows(each: Beside, site: Site, display: Display) -> Iterator[tuple[str, ...]]:
    def shown(*figures: Figure) -> tuple[str, ...]:
        return tuple(show_figure(figure, display) for figure in figures)

    for name, change in each.changes.items():
        told = figure_name(site, _PATHS[name]) if name in _PATHS else _PER_HEAT
        yield told, *shown(change.later, change.earlier, change.difference)
    if each.correction is not None:
        bought = each.changes["purchased"].earlier
        yield "Bought, corrected", *shown(each.correction.purchased, bought, each.correction.change)
