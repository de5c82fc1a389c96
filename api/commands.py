"""
The program `heatledger`: one parser, one function a command, one place where a failure becomes a sentence.

Exit codes: 0 done; 1 found what it looks for to be wrong; 2 wrong usage or bad input.
"""

import argparse
import os
import sys
import tempfile
import traceback
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

from analytics.site_file import SiteFileError
from api.broker import EmbeddedBrokerError
from api.command_line import CommandError
from api.commands_data import add_data_commands
from api.commands_expected import add_expected_command
from api.commands_explain import add_explain_command
from api.commands_month import add_month_command
from api.commands_past import add_past_commands
from api.commands_results import add_result_commands
from api.commands_service import add_service_commands
from api.commands_settings import add_settings_command
from api.commands_site import add_site_commands
from api.records import RecordsError
from api.results import NoLedgerError, StatementError, UnknownFigureError, UnknownStatementError
from api.service_file import ServiceError
from api.settings import SettingsError, default_data
from api.sites import UnknownSiteError
from api.usage import OneSentenceParser, UsageError
from ingest.file_rows import FileRefusedError
from ingest.store import StoreUnavailableError

__all__ = ["main"]

_DONE, _BAD_INPUT = 0, 2
# Whose message is a whole sentence for the user already.
_SAID = (
    CommandError,
    SiteFileError,
    SettingsError,
    RecordsError,
    ServiceError,
    StoreUnavailableError,
    UnknownSiteError,
    NoLedgerError,
    StatementError,
    UnknownStatementError,
    UnknownFigureError,
    EmbeddedBrokerError,
    FileRefusedError,
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code."""
    try:
        arguments = _parser().parse_args(argv)
    except SystemExit as end:  # argparse ends the program by itself after --help.
        return int(end.code or _DONE)
    except UsageError as error:
        return _fail(str(error))
    return _run(arguments.run, arguments)


def _run(command: Callable[[argparse.Namespace], int], arguments: argparse.Namespace) -> int:
    try:
        code = command(arguments)
        sys.stdout.flush()
    except KeyboardInterrupt:
        return _fail("stopped before it was done")
    except BrokenPipeError:
        # Whoever read our output has enough; a second complaint at exit is not wanted either.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _DONE
    except _SAID as error:
        return _fail(str(error))
    except OSError as error:
        if not error.filename:
            return _fail(f"a fault of the program ({_one_line(error)}); the details are in {_log(arguments)}")
        return _fail(f"{error.filename} cannot be used: {(error.strerror or 'no reason given').lower()}")
    except Exception as error:
        return _fail(f"a fault of the program ({_one_line(error)}); the details are in {_log(arguments)}")
    return code


def _fail(sentence: str) -> int:
    print(f"heatledger: {sentence}" if "\n" not in sentence else sentence, file=sys.stderr)
    return _BAD_INPUT


def _one_line(error: Exception) -> str:
    return f"{type(error).__name__}: {' '.join(str(error).split())}"[:300]


def _log(arguments: argparse.Namespace) -> Path:
    """Append the traceback to the data folder's log, or to one among the temporary files."""
    folder = getattr(arguments, "data", None) or default_data() or tempfile.gettempdir()
    path = Path(folder) / "heatledger.log"
    text = f"{datetime.now(UTC).isoformat()} {traceback.format_exc()}\n"
    try:
        with path.open("a") as log:
            log.write(text)
    except OSError:  # no such folder, or one that may not be written into
        path = Path(tempfile.gettempdir()) / "heatledger.log"
        with path.open("a") as log:
            log.write(text)
    return path


def _parser() -> argparse.ArgumentParser:
    parser = OneSentenceParser(
        prog="heatledger",
        description="Keeps an honest account of heat for hybrid hot-water and heating systems, and says what has "
        "failed, with its evidence.",
        epilog="`heatledger COMMAND --help` explains a command.",
    )
    parser.add_argument("--version", action="version", version=f"heatledger {version('heatledger')}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for add in (
        add_service_commands,
        add_site_commands,
        add_data_commands,
        add_result_commands,
        add_month_command,
        add_explain_command,
        add_expected_command,
        add_past_commands,
        add_settings_command,
    ):
        add(commands)
    return parser
