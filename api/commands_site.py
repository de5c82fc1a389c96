"""`check`, `add` and `token`: a site's file and its gateway's key."""

import argparse
import sys
from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from rich.table import Table

from analytics.capability import Capability, capabilities
from analytics.site import Site
from analytics.site_file import SiteFileError, parse_site
from analytics.slips import slips
from api.command_line import (
    Commands,
    add_data_option,
    day_argument,
    existing_settings_of,
    now_ms,
    print_out,
    read_text,
    settings_of,
    terminal,
)
from api.migrate import open_records
from api.sites import SINCE_EVER, Added, add_version, new_token

__all__ = ["add_site_commands"]

_VERDICTS = {
    "measured": "measured",
    "derived": "derived from measured ones",
    "estimated": "estimated",
    "unavailable": "not available",
}


def add_site_commands(commands: Commands) -> None:
    _add_check(commands)
    _add_add(commands)
    _add_token(commands)


def _add_check(commands: Commands) -> None:
    parser = commands.add_parser(
        "check",
        help="validate a site file, and say which figures it will give",
        description="Validates a site file. Says which figures of the ledger it will and will not give, and why, "
        "and what in it may be a slip. Lists every fault of a faulty file, and then "
        "exits with 1.",
    )
    parser.add_argument("site_file", metavar="SITE.toml", type=Path)
    parser.set_defaults(run=_check)


def _check(arguments: argparse.Namespace) -> int:
    try:
        site = parse_site(read_text(arguments.site_file), file=str(arguments.site_file))
    except SiteFileError as error:
        print(error, file=sys.stderr)
        return 1
    console = terminal()
    console.print(f"{arguments.site_file}: {site.name} ({site.id}) is valid, with {len(site.points)} points.")
    console.print(_capability_table(capabilities(site)))
    doubts = slips(site, today=_today(site))
    if doubts:
        console.print("Valid, but look again:")
    for doubt in doubts:
        console.print(f"- {doubt}", markup=False, highlight=False)
    return 0


def _capability_table(found: Sequence[Capability]) -> Table:
    table = Table()
    for heading in ("Figure", "Of", "Will be", "How, or why not"):
        table.add_column(heading, overflow="fold")
    for capability in found:
        verdict = _VERDICTS[capability.verdict]
        table.add_row(capability.figure, capability.component, verdict, capability.sentence)
    return table


def _add_add(commands: Commands) -> None:
    parser = commands.add_parser(
        "add",
        help="add a site, or a new version of it",
        description="Adds a site, or a new version of it. A site's first version holds from the start; a later one "
        "from today in the site's time zone, unless --from says otherwise. Days that a new version touches are "
        "computed again; the readings stay as they are. For a new site, prints a token with which its gateway may post "
        "readings over HTTP.",
    )
    parser.add_argument("site_file", metavar="SITE.toml", type=Path)
    parser.add_argument(
        "--from",
        dest="first",
        metavar="DAY",
        type=_first_day,
        help="first day on which this version holds (YYYY-MM-DD), or `ever`",
    )
    add_data_option(parser)
    parser.set_defaults(run=_add)


def _first_day(text: str) -> str:
    return SINCE_EVER if text == "ever" else day_argument(text).isoformat()


def _add(arguments: argparse.Namespace) -> int:
    settings = settings_of(arguments)
    text = read_text(arguments.site_file)
    site = parse_site(text, file=str(arguments.site_file))
    with open_records(settings.resolved_records_url) as records, records.begin() as session:
        added = add_version(session, text, valid_from=arguments.first, today=_today(site), now_ms=now_ms())
        token = new_token(session, site.id, now_ms=now_ms()) if added.outcome == "new" else ""
    print_out(_report(added))
    n_doubts = len(slips(site, today=_today(site)))
    if n_doubts and added.outcome != "same":
        print_out(
            f"In {n_doubts} {'place' if n_doubts == 1 else 'places'} look again: heatledger check {arguments.site_file}"
        )
    if token:
        print_out(f"Token of its gateway, shown this once: {token}")
    return 0


def _today(site: Site) -> date:
    return datetime.fromtimestamp(now_ms() / 1000, ZoneInfo(site.timezone)).date()


def _report(added: Added) -> str:
    name = f"{added.site.name} ({added.site.id})"
    since = f"from {added.valid_from} on" if added.valid_from else "from the start"
    if added.outcome == "same":
        return f"{name}: this very version holds {since} already; nothing was changed."
    if added.outcome == "new":
        return f"{name}: added with {len(added.site.points)} points; its first version holds {since}."
    days = "1 day" if added.days_due == 1 else f"{added.days_due} days"
    again = f"; {days} will be computed again, and `heatledger moved {added.site.id}` then says what moved"
    until = f" until the version of {added.until} takes over" if added.until else ""
    told = f"{name}: a new version holds {since.removesuffix(' on') if until else since}{until}"
    told += f"{again if added.days_due else ''}."
    changes = added.changes or ["nothing that counts in the account"]
    return "\n".join([told, "What changed in the file:", *(f"- {change}" for change in changes)])


def _add_token(commands: Commands) -> None:
    parser = commands.add_parser(
        "token",
        help="make a token with which a site's gateway may post readings",
        description="Makes a token with which a site's gateway may post readings over HTTP "
        "(`Authorization: Bearer TOKEN`), and prints it. Only its hash is kept, so it cannot be shown again. Earlier "
        "tokens of the site stay valid.",
    )
    parser.add_argument("site", metavar="SITE", help="id of the site")
    add_data_option(parser)
    parser.set_defaults(run=_token)


def _token(arguments: argparse.Namespace) -> int:
    settings = existing_settings_of(arguments)
    with open_records(settings.resolved_records_url) as records, records.begin() as session:
        print_out(new_token(session, arguments.site, now_ms=now_ms()))
    return 0
