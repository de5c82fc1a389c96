"""
Brings the records' tables to the present form; runs by itself on every start.

Any number of processes may start at once: SQLite lets one of them write at a time, PostgreSQL queues them at an
advisory lock, and whoever comes second finds nothing left to do.
"""

from collections.abc import Callable
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import URL, Connection, MetaData, text
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from api.records import Base, Records, RecordsError
from ingest.quarantine import quarantine_metadata

__all__ = ["downgrade", "open_records", "records_metadata", "upgrade"]

# Any number that no other program on the same database uses for its own lock.
_ADVISORY_LOCK = 8_420_001


def records_metadata() -> list[MetaData]:
    """Every table that the records hold, the quarantine's included."""
    return [Base.metadata, quarantine_metadata]


def open_records(url: str) -> Records:
    """
    Records ready for use.

    Raises:
        RecordsError: If the database cannot be reached, or was made by a newer version of the program.
    """
    records = Records(url)
    try:
        upgrade(records)
    except BaseException:
        records.close()
        raise
    return records


def upgrade(records: Records, *, to: str = "head") -> None:
    """Bring the tables up to a step (default: the newest)."""
    _run(records, lambda config: command.upgrade(config, to))


def downgrade(records: Records, *, to: str = "base") -> None:
    """Take the tables back to a step (default: before the first one)."""
    _run(records, lambda config: command.downgrade(config, to))


def _run(records: Records, act: Callable[[Config], None]) -> None:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    config.set_main_option("path_separator", "os")
    try:
        with records.engine.begin() as connection:
            if connection.dialect.name == "postgresql":
                connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _ADVISORY_LOCK})
            _refuse_newer(connection, config)
            config.attributes["connection"] = connection
            act(config)
    except SQLAlchemyError as error:
        raise RecordsError(_sentence(records.engine.url, error)) from error


def _refuse_newer(connection: Connection, config: Config) -> None:
    present = MigrationContext.configure(connection).get_current_revision()
    known = {step.revision for step in ScriptDirectory.from_config(config).walk_revisions()}
    if present is not None and present not in known:
        shown = connection.engine.url.render_as_string(hide_password=True)
        raise RecordsError(
            f"the records at {shown} were written by a newer version of heatledger (step {present}); update heatledger"
        )


def _sentence(url: URL, error: SQLAlchemyError) -> str:
    """What was wrong with the records, and what would be right."""
    said = str(error.orig) if isinstance(error, DBAPIError) else str(error)
    reason = said.strip().splitlines()[0]
    if url.get_backend_name() != "sqlite":
        return f"the records at {url.render_as_string(hide_password=True)} cannot be opened: {reason}"
    if "readonly" in reason or "unable to open" in reason:
        return f"{url.database} cannot be written: the data folder, and the files in it, must be writable"
    if "not a database" in reason:
        return f"{url.database} is not a records file of heatledger; move it away, or name another data folder"
    return f"{url.database} cannot be opened: {reason}"
