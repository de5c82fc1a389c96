"""`import`, `quarantine` and `virtual`: readings from files, what could not be used, and invented readings."""

import argparse
import base64
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode

from rich.table import Table

from api.command_line import (
    CommandError,
    Commands,
    add_data_option,
    day_argument,
    existing_settings_of,
    now_ms,
    print_out,
    progress_bar,
    terminal,
)
from api.settings import Settings, require_data
from dashboards.numbers import plural

__all__ = ["add_data_commands"]

_SHOWN_BYTES = 60
_MOST_DAYS = 3660  # ten years; a house writes some 10 MB of text a month


def add_data_commands(commands: Commands) -> None:
    _add_import(commands)
    _add_quarantine(commands)
    _add_virtual(commands)


def _add_import(commands: Commands) -> None:
    parser = commands.add_parser(
        "import",
        help="read files of readings",
        description="Reads files of readings, CSV or Parquet: a first column `time` (ISO 8601 with offset, UTC if it "
        "has none) and one column a point, or the long form time,point,value. What cannot be used goes to quarantine. "
        "The same file twice is stored once.",
    )
    parser.add_argument("site", metavar="SITE", help="id of the site")
    parser.add_argument("files", metavar="FILE", nargs="+", type=Path, help="CSV (may be gzipped) or Parquet")
    add_data_option(parser)
    parser.set_defaults(run=_import)


def _import(arguments: argparse.Namespace) -> int:
    from api.migrate import open_records
    from api.service_file import running_service
    from api.sites import present_site

    settings = existing_settings_of(arguments)
    missing = [str(path) for path in arguments.files if not path.exists()]
    if missing:
        raise CommandError(f"there is no file {', '.join(missing)}")
    for path in arguments.files:
        if path.is_dir():
            raise CommandError(f"{path} is a folder; name the files in it, such as {path}/*.csv")
    with open_records(settings.resolved_records_url) as records:
        with records.look() as session:
            present_site(session, arguments.site)
        service = running_service(require_data(settings)) if settings.is_embedded_store else None
        if service is not None:
            counts = _import_by_service(service, arguments.site, arguments.files)
        else:
            counts = _import_here(settings, records, site=arguments.site, paths=arguments.files)
    print_out(_counted(counts))
    return 0 if counts["stored"] + counts["duplicate"] else 1


def _import_here(settings: Settings, records: Any, *, site: str, paths: Sequence[Path]) -> dict[str, int]:
    from api.importing import import_into
    from api.open_store import open_store

    with open_store(settings) as store, progress_bar("bytes read") as tell:
        return import_into(records, store, site, paths, now_ms=now_ms(), progress=tell)


def _import_by_service(service: Any, site: str, paths: Sequence[Path]) -> dict[str, int]:
    from api.service_file import ask

    total: dict[str, int] = {}
    with progress_bar("files") as tell:
        for done, path in enumerate(paths):
            tell(done, len(paths))
            with path.open("rb") as file:
                headers = {"Content-Type": "application/octet-stream", "Content-Length": str(path.stat().st_size)}
                target = f"/api/sites/{quote(site)}/files?{urlencode({'name': path.name})}"
                counts = ask(service, "POST", target, body=file, headers=headers)
            total = {name: total.get(name, 0) + count for name, count in counts.items()}
    return total


def _counted(counts: dict[str, int]) -> str:
    if counts["received"] == 0:
        return "No reading was found: nothing but a header, or nothing at all."
    sentence = (
        f"{plural(counts['received'], 'reading')} received: {counts['stored']} stored, "
        f"{counts['duplicate']} duplicate, {counts['quarantined']} in quarantine"
    )
    if counts["replaced"]:
        sentence += f"; {counts['replaced']} of those stored took the place of another value"
    if counts["quarantined"]:
        sentence += "; `heatledger quarantine` says why"
    return sentence + "."


def _add_quarantine(commands: Commands) -> None:
    parser = commands.add_parser(
        "quarantine",
        help="what could not be used, and why",
        description="Lists what could not be used, with the reason; with --replay tries it again, once the cause is "
        "mended.",
    )
    parser.add_argument("--replay", action="store_true", help="try again what waits")
    parser.add_argument("--site", metavar="SITE", help="only this site's")
    parser.add_argument("--format", choices=("table", "json"), default="table")
    add_data_option(parser)
    parser.set_defaults(run=_quarantine)


def _quarantine(arguments: argparse.Namespace) -> int:
    from api.importing import quarantine_json
    from api.migrate import open_records

    settings = existing_settings_of(arguments)
    with open_records(settings.resolved_records_url) as records:
        if arguments.replay:
            counts = _replay(settings, records, site=arguments.site)
            _check_site(records, arguments.site, n_found=counts["received"])
            print_out(_replayed(counts))
            return 1 if counts["quarantined"] else 0
        found, last = [], 0
        while page := quarantine_json(records, site=arguments.site, after_id=last, limit=1000):
            found += page
            last = page[-1]["id"]
        _check_site(records, arguments.site, n_found=len(found))
    if arguments.format == "json":
        print_out(json.dumps(found))
    else:
        _quarantine_table(found)
    return 0


def _check_site(records: Any, site: str | None, *, n_found: int) -> None:
    """
    That a site of which nothing was found exists; messages of sites that do not are in quarantine, too.

    Raises:
        UnknownSiteError: If it does not.
    """
    from api.sites import present_site

    if site is not None and not n_found:
        with records.look() as session:
            present_site(session, site)


def _replay(settings: Settings, records: Any, *, site: str | None) -> dict[str, Any]:
    from api.directory import RecordsDirectory
    from api.importing import intake_of, receipt_json
    from api.open_store import open_store
    from api.service_file import ask, running_service

    service = running_service(require_data(settings)) if settings.is_embedded_store else None
    if service is not None:
        wanted = f"?{urlencode({'site': site})}" if site else ""
        counts: dict[str, Any] = ask(service, "POST", f"/api/quarantine/replay{wanted}", body=b"")
        return counts
    with open_store(settings) as store:
        intake = intake_of(records, store, way="replay", directory=RecordsDirectory(records))
        return receipt_json(intake.replay(now_ms=now_ms(), site=site))


def _replayed(counts: dict[str, Any]) -> str:
    return (
        f"{plural(counts['received'], 'reading')} tried again: {counts['stored']} stored, "
        f"{counts['duplicate']} duplicate, {counts['quarantined']} still in quarantine."
    )


def _quarantine_table(found: Sequence[dict[str, Any]]) -> None:
    console = terminal()
    if not found:
        console.print("Nothing is in quarantine.")
        return
    table = Table()
    for heading in ("Received", "Topic", "Readings", "Reason", "Payload"):
        table.add_column(heading, overflow="fold")
    for entry in found:
        payload = base64.b64decode(entry["payload"])
        shown = payload[:_SHOWN_BYTES].decode(errors="replace") + ("..." if len(payload) > _SHOWN_BYTES else "")
        table.add_row(entry["received"][:19], entry["topic"], str(entry["n_readings"]), entry["reason"], shown)
    console.print(table)


def _add_virtual(commands: Commands) -> None:
    parser = commands.add_parser(
        "virtual",
        help="write an invented site's readings, with their ground truth",
        description="Simulates an invented house and writes its site file, its readings, and the ground truth of its "
        "heat by stage and by origin. `heatledger virtual list` names the scenarios and the faults.",
    )
    parser.add_argument("scenario", metavar="SCENARIO", help="name of a scenario, or `list`")
    parser.add_argument("--out", metavar="DIR", type=Path, help="folder for what is written")
    parser.add_argument("--start", metavar="DAY", type=day_argument, help="first day (default: 1 January 2025)")
    parser.add_argument("--days", type=int, default=365, help="how many (default: %(default)s)")
    parser.add_argument("--seed", type=int, default=0, help="another one gives another weather and other draws")
    parser.add_argument("--perfect", action="store_true", help="sensors without error")
    parser.add_argument("--format", choices=("parquet", "csv"), default="csv", help="of the readings' file")
    parser.add_argument(
        "--fault", metavar="FAULT", action="append", default=[], help="NAME@START[..END], NAME:POINT@START for a sensor"
    )
    parser.set_defaults(run=_virtual)


def _virtual(arguments: argparse.Namespace) -> int:
    from api.virtual_site import list_scenarios, write_virtual_site

    if arguments.scenario == "list":
        print_out(list_scenarios())
        return 0
    if arguments.out is None:
        raise CommandError("say with --out DIR where the site file and the readings are to be written")
    if not 1 <= arguments.days <= _MOST_DAYS:
        raise CommandError(f"--days must be 1 to {_MOST_DAYS}; it is {arguments.days}")
    if arguments.seed < 0:
        raise CommandError(f"--seed must be 0 or more; it is {arguments.seed}")
    if arguments.out.exists() and not arguments.out.is_dir():
        raise CommandError(f"{arguments.out} is a file, where the folder for what is written should be")
    with progress_bar("days") as tell:
        print_out(write_virtual_site(arguments, tell))
    return 0
