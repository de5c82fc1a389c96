"""`expected`: what each part of a house gave, and what was to be expected of it."""

import argparse
import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from itertools import groupby
from typing import Any

from analytics.site import Site
from api.command_line import (
    CommandError,
    Commands,
    add_data_option,
    add_days_options,
    days_asked,
    existing_settings_of,
    print_out,
)
from api.commands_results import settle_site
from api.migrate import open_records
from dashboards.names import origin_name
from dashboards.numbers import UNKNOWN, Display, display_of, to_display, unit_name

__all__ = ["add_expected_command"]

_SHOWN_DAYS = 14


def add_expected_command(commands: Commands) -> None:
    parser = commands.add_parser(
        "expected",
        help="what each part gave beside what was to be expected",
        description="What each stage, heat pump and ground loop of a site gave on each day beside what its own first "
        "good weeks lead one to expect under the day's conditions, with its 95 % interval; how well that model fits; "
        "and whether the deviations add up to a lasting shift.",
    )
    parser.add_argument("site", metavar="SITE", help="id of the site")
    add_days_options(parser)
    parser.add_argument("--format", choices=("table", "json"), default="table")
    add_data_option(parser)
    parser.set_defaults(run=_expected)


def _expected(arguments: argparse.Namespace) -> int:
    # Physics takes seconds to import; the other commands do without.
    from api.expected_record import expected_json, expected_record

    first, last = days_asked(arguments)
    settings = existing_settings_of(arguments)
    with open_records(settings.resolved_records_url) as records:
        site = settle_site(settings, records, arguments.site)
        with records.look() as session:
            record = expected_record(session, site.id, first=first, last=last)
            found = expected_json(record)
    if (first or last) and not record.days:
        raise CommandError(f"{site.id} has no ledger of any day{_span_words(first, last)}")
    n_days = None if first or last else _SHOWN_DAYS
    print_out(json.dumps(found) if arguments.format == "json" else "\n".join(_lines(found, site, n_days)))
    return 0


def _span_words(first: date | None, last: date | None) -> str:
    return (f" from {first} on" if first else "") + (f" to {last}" if last else "")


def _lines(found: Mapping[str, Any], site: Site, n_days: int | None) -> Iterator[str]:
    """The last `n_days` of each part, all where None."""
    display = display_of(site)
    for part in found["parts"]:
        yield part["sentence"]
        yield from (f"  {sentence}" for sentence in [part["from"], *part["fit_sentences"]])
        days = part["days"][-n_days:] if n_days else part["days"]
        if days:
            unit = unit_name(part["unit"], display)
            head = f"  {unit or 'COP':>19} {'':>18} {'apart':>7} {'added up, in sd':>20}"
            yield head
            yield f"  {'day':<10} {'given':>8} {'expected':>18} {'in sd':>7} {'too little':>10} {'too much':>9}"
            yield from (f"  {row}" for row in _rows(days, part["unit"], display))
        yield ""
    for backup in found["backups"]:
        yield from _backup_lines(backup, site, n_days)
    yield from (f"{origin_name(site, stage)}: nothing can be expected. {why}" for stage, why in found["silent"].items())
    if found["parts"]:
        yield found["cusum"]["sentence"]


def _rows(days: Sequence[Mapping[str, Any]], unit: str, display: Display) -> Iterator[str]:
    """One line a day; days in a row that know nothing, for the same reason, share one."""
    for (is_known, why), group in groupby(days, key=lambda day: (day["value"] is not None, day["why"])):
        run = list(group)
        if is_known or len(run) == 1:
            yield from (_row(day, unit, display) for day in run)
        else:
            yield f"{run[0]['day']} to {run[-1]['day']}: {why}"


def _row(day: Mapping[str, Any], unit: str, display: Display) -> str:
    def shown(value: float) -> str:
        return f"{to_display(value, unit, display):.2f}"

    value = UNKNOWN if day["value"] is None else shown(day["value"])
    expected = UNKNOWN
    if day["expected"] is not None:
        low, high = (to_display(day["expected"] + sign * day["plus_minus"], unit, display) for sign in (-1, 1))
        expected = f"{shown(day['expected'])} ± {(high - low) / 2:.2f}"
    apart = UNKNOWN if day["standardised"] is None else f"{day['standardised']:+.1f}"
    sums = f"{day['cusum_low']:>10.1f} {day['cusum_high']:>9.1f}"
    return f"{day['day']:<10} {value:>8} {expected:>18} {apart:>7} {sums}  {day['why']}".rstrip()


def _backup_lines(backup: Mapping[str, Any], site: Site, n_days: int | None) -> Iterator[str]:
    name = origin_name(site, backup["component"])
    yield f"{name}: what it gave, and what the taps, the tanks and the other stages left for it to give"
    days = backup["days"][-n_days:] if n_days else backup["days"]
    if days:
        yield f"  {'kWh':>19}"
        yield f"  {'day':<10} {'given':>8} {'left for it':>18}"
    for line in days:
        heat, needed = line["heat"], line["needed"]
        gave = UNKNOWN if heat["value"] is None else f"{heat['value']:.2f}"
        left = UNKNOWN if needed["value"] is None else f"{needed['value']:.2f} ± {needed['plus_minus']:.2f}"
        yield f"  {line['day']:<10} {gave:>8} {left:>18}"
    yield ""
