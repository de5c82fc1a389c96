"""What the commands share: their failures, their common options, days as they are typed, and progress bars."""

import argparse
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Protocol

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

from analytics.period import Span
from api.settings import Settings, from_environment
from api.span_names import day_of, month_of, span_of

__all__ = [
    "CommandError",
    "Commands",
    "Tell",
    "add_data_option",
    "add_days_options",
    "day_argument",
    "days_asked",
    "existing_settings_of",
    "month_argument",
    "now_ms",
    "print_out",
    "progress_bar",
    "read_text",
    "refuse_file",
    "say",
    "settings_of",
    "span_argument",
    "terminal",
]

_WIDTH_OF_FILES = 150


class CommandError(Exception):
    """A command cannot do what was asked; the message is the sentence that the user gets."""


class Commands(Protocol):
    """Where a command's parser is hung in."""

    def add_parser(self, name: str, *, help: str, description: str) -> argparse.ArgumentParser: ...


class Tell(Protocol):
    """Told how far the work is: `done` of `total`, in whatever is counted; total 0 where it is not known."""

    def __call__(self, done: int, total: int) -> None: ...


def add_data_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--data", metavar="DIR", type=Path, help="the data folder (default: the variable HEATLEDGER_DATA)"
    )


def add_days_options(parser: argparse.ArgumentParser) -> None:
    """`--from` and `--to`; `days_asked` reads them."""
    parser.add_argument("--from", dest="first", metavar="DAY", type=day_argument, help="first day (YYYY-MM-DD)")
    parser.add_argument("--to", dest="last", metavar="DAY", type=day_argument, help="last day (YYYY-MM-DD)")


def days_asked(arguments: argparse.Namespace) -> tuple[date | None, date | None]:
    """
    First and last day, None where not said.

    Raises:
        CommandError: If the first comes after the last.
    """
    first, last = arguments.first, arguments.last
    if first and last and first > last:
        raise CommandError(f"--from {first} is after --to {last}; no day lies between them")
    return first, last


def settings_of(arguments: argparse.Namespace, **given: object) -> Settings:
    """
    Settings from the command line and the environment.

    Raises:
        CommandError: If a file lies where the data folder should be.
    """
    settings = from_environment(data=arguments.data, **given)
    if settings.data is not None:
        refuse_file(settings.data)
    return settings


def refuse_file(data: Path) -> None:
    """
    That a data folder can be there.

    Raises:
        CommandError: If a file is there.
    """
    if data.exists() and not data.is_dir():
        raise CommandError(f"{data} is a file, where the data folder should be")


def existing_settings_of(arguments: argparse.Namespace, **given: object) -> Settings:
    """
    The same, for a command that needs what is stored already.

    Raises:
        CommandError: If the data folder does not exist or is empty, so that a slip of the pen makes no new one.
    """
    settings = settings_of(arguments, **given)
    if settings.data is not None:
        _check_folder(settings.data, is_embedded=not settings.records_url)
    return settings


def _check_folder(data: Path, *, is_embedded: bool) -> None:
    begins = "`heatledger add SITE.toml --data DIR` begins one"
    if not data.exists():
        raise CommandError(f"there is no data folder {data}; {begins}")
    if is_embedded and not (data / "records.db").exists():
        raise CommandError(f"the folder {data} holds no data of heatledger; {begins}")


def day_argument(text: str) -> date:
    """A day as it is typed: 2026-01-05."""
    try:
        return day_of(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def span_argument(text: str) -> Span:
    """A day, a week, a month or a year as it is typed."""
    try:
        return span_of(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def month_argument(text: str) -> date:
    """A month as it is typed, 2026-01, by its first day."""
    try:
        return month_of(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def read_text(path: Path) -> str:
    """
    The text of a file that the user named.

    Raises:
        CommandError: If it cannot be read as UTF-8 text.
    """
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise CommandError(f"{path} cannot be read: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise CommandError(f"{path} is not a text file in UTF-8: byte {error.start} does not fit") from error


def now_ms() -> int:
    """The wall clock, which only commands and services look at."""
    return time.time_ns() // 1_000_000


def say(sentence: str) -> None:
    """A sentence about what is going on; on standard error, so that standard output is the result alone."""
    print(sentence, file=sys.stderr, flush=True)


def print_out(text: str) -> None:
    sys.stdout.write(text if text.endswith("\n") else text + "\n")


def terminal() -> Console:
    """Where tables go: standard output, as wide as the terminal; wide enough for a sentence where it is a file."""
    return Console(highlight=False, markup=False, width=None if sys.stdout.isatty() else _WIDTH_OF_FILES)


@contextmanager
def progress_bar(what: str) -> Iterator[Tell]:
    """A bar on standard error where that is a terminal; elsewhere nothing."""
    if not sys.stderr.isatty():
        yield lambda done, total: None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    console = Console(stderr=True)
    with Progress(*columns, TimeElapsedColumn(), TimeRemainingColumn(), console=console, transient=True) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total or None)
