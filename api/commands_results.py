"""`ledger` and `alerts`: computed from the store, with or without a running service."""

import argparse
import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode
from zoneinfo import ZoneInfo

from analytics.period import By
from analytics.site import Site
from api.command_line import (
    Commands,
    add_data_option,
    add_days_options,
    days_asked,
    existing_settings_of,
    now_ms,
    print_out,
    progress_bar,
    say,
    terminal,
)
from api.compared import compare, compared_json
from api.ledger_text import EXPORT_SUFFIXES, alerts_table, comparison_table, ledger_csv, ledger_table
from api.migrate import open_records
from api.records import Records
from api.results import alerts, ledger, rests_on, said_when_over
from api.service_file import Service, ask, running_service
from api.settings import Settings, require_data
from api.sites import present_site, present_sites
from api.span_names import days_of
from dashboards.numbers import display_of, plural
from dashboards.rewording import in_readers_units

__all__ = ["add_result_commands", "service_of", "settle_site"]


_RENEWED = (
    "Days that another version of the program computed are computed again; `heatledger moved` shows what moved by it."
)
_SILENT_MS = 2 * 3_600_000  # longer than a house that is well is silent


def add_result_commands(commands: Commands) -> None:
    _add_ledger(commands)
    _add_compare(commands)
    _add_alerts(commands)


def _add_ledger(commands: Commands) -> None:
    parser = commands.add_parser(
        "ledger",
        help="the daily account of heat of a site",
        description="The daily account of heat of a site, computed from the stored readings as far as that has not "
        "been done yet. Days are local days of the site.",
    )
    parser.add_argument("site", metavar="SITE", help="id of the site")
    add_days_options(parser)
    parser.add_argument(
        "--by",
        help="add days up to these periods",
        choices=("day", "week", "month", "season", "year", "all"),
        default="day",
    )
    parser.add_argument("--out", metavar="FILE", type=_out_file, help="write to FILE.csv, FILE.parquet or FILE.xlsx")
    parser.add_argument("--format", choices=("table", "json", "csv"), default="table")
    add_data_option(parser)
    parser.set_defaults(run=_ledger)


def _out_file(text: str) -> Path:
    path = Path(text)
    if path.suffix not in EXPORT_SUFFIXES:
        raise argparse.ArgumentTypeError(f"{text} does not tell its kind; end it in {', '.join(EXPORT_SUFFIXES)}")
    return path


def _write(found: Mapping[str, Any], path: Path, *, assumptions: Sequence[str]) -> None:
    # What writes spreadsheets is imported where one is written.
    from api.export import write_ledger

    write_ledger(found, path, assumptions=assumptions)
    rows = len(found["days"])
    print_out(f"{path}: {plural(rows, 'row')}.")


def _ledger(arguments: argparse.Namespace) -> int:
    first, last = days_asked(arguments)
    by = None if arguments.by == "day" else arguments.by
    settings = existing_settings_of(arguments)
    with open_records(settings.resolved_records_url) as records:
        with records.look() as session:
            site = present_site(session, arguments.site)
        service = service_of(settings)
        if service is not None:
            found = _ledger_of_service(service, site.id, first=first, last=last, by=by)
        else:
            compute_here(settings, records, sites=[site.id])
            with records.look() as session:
                found = ledger(session, site.id, first=first, last=last, by=by)
        with records.look() as session:
            assumptions = rests_on(session, site.id, found["days"])
    if arguments.out is not None:
        _write(found, arguments.out, assumptions=assumptions)
    elif arguments.format == "json":
        print_out(json.dumps(found))
    elif arguments.format == "csv":
        print_out(ledger_csv(found))
    else:
        ledger_table(found, site, terminal())
        _print_assumptions(assumptions)
    return 0


def _print_assumptions(sentences: Sequence[str]) -> None:
    if sentences:
        print_out("What was saved rests on this:")
    for sentence in sentences:
        print_out(f"- {sentence}")


def _add_compare(commands: Commands) -> None:
    parser = commands.add_parser(
        "compare",
        help="two periods of a site side by side",
        description="Adds up the days of two periods of a site, and says what changed and how sure that is. What the "
        "meters err alike in both mostly cancels.",
    )
    parser.add_argument("site", metavar="SITE", help="id of the site")
    parser.add_argument(
        "earlier", metavar="DAYS", type=_days, help="the one: 2026-01, 2026-W03, 2026, a day, or 2026-01-05..2026-01-31"
    )
    parser.add_argument("later", metavar="DAYS", type=_days, help="the other, likewise")
    parser.add_argument("--format", choices=("table", "json"), default="table")
    add_data_option(parser)
    parser.set_defaults(run=_compare)


def _days(text: str) -> tuple[date, date]:
    try:
        return days_of(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _compare(arguments: argparse.Namespace) -> int:
    settings = existing_settings_of(arguments)
    with open_records(settings.resolved_records_url) as records:
        site = settle_site(settings, records, arguments.site)
        with records.look() as session:
            found = compare(session, site.id, arguments.earlier, arguments.later)
    if arguments.format == "json":
        print_out(json.dumps(compared_json(found)))
    else:
        comparison_table(*found.periods, site=site, console=terminal())
        _print_assumptions(found.assumptions)
    return 0


def settle_site(settings: Settings, records: Records, site: str) -> Site:
    """
    Compute all that is due of a site, here or by the running service.

    Raises:
        UnknownSiteError: If there is no such site.
    """
    with records.look() as session:
        found = present_site(session, site)
    service = service_of(settings)
    if service is None:
        compute_here(settings, records, sites=[site])
    else:
        today = datetime.now(UTC).date()
        _ledger_of_service(service, site, first=today, last=today)
    return found


def service_of(settings: Settings) -> Service | None:
    """The running service that holds the store; a store that is a server of its own needs no go-between."""
    return running_service(require_data(settings)) if settings.is_embedded_store else None


def _ledger_of_service(
    service: Service, site: str, *, first: date | None, last: date | None, by: By | None = None
) -> Any:
    wanted = {"settled": "true"}
    wanted |= {name: day.isoformat() for name, day in (("from", first), ("to", last)) if day is not None}
    wanted |= {"by": by} if by else {}
    return ask(service, "GET", f"/api/sites/{quote(site)}/ledger?{urlencode(wanted)}")


def compute_here(settings: Settings, records: Records, *, sites: Sequence[str] | None) -> None:
    """
    Compute all that is due up to each site's last reading.

    Raises:
        Exception: What a day failed with, if one did.
    """
    # Physics takes seconds to import; commands that only look things up do without.
    from api.compute import compute_due
    from api.due import mark_days_of_other_programs
    from api.open_store import open_store
    from api.watcher import new_watch

    with open_store(settings) as store:
        watch = new_watch(records, store)
        if mark_days_of_other_programs(watch, sites=sites):
            say(_RENEWED)
        with progress_bar("days computed") as tell:
            report = compute_due(
                watch, now_ms=now_ms(), sites=sites, is_live=False, workers=settings.workers, progress=tell
            )
    for failure in report.failures:
        raise failure.error


def _add_alerts(commands: Commands) -> None:
    parser = commands.add_parser(
        "alerts",
        help="what has failed, with its evidence",
        description="Runs detection over what is stored and lists the alerts, lasting ones first, then the worst. "
        "`detected` is when a watcher fed in real time would have raised an alert. Without a running service "
        "each site is judged up to its last reading.",
    )
    parser.add_argument("site", metavar="SITE", nargs="?", help="only this site (default: all)")
    parser.add_argument("--format", choices=("table", "json"), default="table")
    add_data_option(parser)
    parser.set_defaults(run=_alerts)


def _alerts(arguments: argparse.Namespace) -> int:
    settings = existing_settings_of(arguments)
    with open_records(settings.resolved_records_url) as records:
        if arguments.site is not None:
            with records.look() as session:
                present_site(session, arguments.site)
        service = service_of(settings)
        found = _found_alerts(settings, records, service, site=arguments.site)
        if arguments.format == "json":
            print_out(json.dumps(found))
            return 0
        alerts_table(_in_readers_units(records, found), terminal())
        if service is None:
            for sentence in _judged_up_to(settings, records, site=arguments.site):
                print_out(sentence)
    return 0


def _judged_up_to(settings: Settings, records: Records, *, site: str | None) -> Iterator[str]:
    """Where a house has been silent since, so that no one takes its silence for health."""
    from api.open_store import open_store

    with records.look() as session:
        sites = present_sites(session)
    with open_store(settings) as store:
        for each in sites.values():
            if site not in (None, each.id):
                continue
            span = store.span(each.id)
            if span is None:
                yield f"{each.id}: no reading has arrived yet, so nothing could be judged."
            elif now_ms() - span[1] > _SILENT_MS:
                last = datetime.fromtimestamp(span[1] / 1000, ZoneInfo(each.timezone))
                yield f"{each.id}: judged up to its last reading, at {last:%H:%M} on {last.day} {last:%B %Y}."


def _in_readers_units(records: Records, found: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    with records.look() as session:
        displays = {site: display_of(present_site(session, site)) for site in {alert["site"] for alert in found}}
    return [alert | {"summary": in_readers_units(alert["summary"], displays[alert["site"]])} for alert in found]


def _found_alerts(
    settings: Settings, records: Records, service: Service | None, *, site: str | None
) -> list[dict[str, Any]]:
    if service is not None:
        wanted = {"settled": "true"} | ({"site": site} if site else {})
        found: list[dict[str, Any]] = ask(service, "GET", f"/api/alerts?{urlencode(wanted)}")
        return found
    compute_here(settings, records, sites=None if site is None else [site])
    with records.look() as session:
        return [said_when_over(each) for each in alerts(session, site=site)]
