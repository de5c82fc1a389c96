"""
The records: what the program remembers beside the readings.

Sites with every version of their file, tokens, the days' ledgers, alerts with every change of their state, and the
watcher's place in the news. Everything but the site files, tokens, acknowledgements, statements and what moved can be
computed again from the readings. All instants are milliseconds since 1970-01-01 UTC, so that SQLite and PostgreSQL
hold the same thing.
"""

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, ClassVar, Self

import msgspec
from sqlalchemy import (
    JSON,
    BigInteger,
    Engine,
    ForeignKey,
    Integer,
    String,
    Text,
    UniqueConstraint,
    create_engine,
    event,
)
from sqlalchemy.engine import make_url
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import DeclarativeBase, Mapped, Session, mapped_column

__all__ = [
    "AlertRow",
    "AlertTransitionRow",
    "Base",
    "DayRow",
    "DueDayRow",
    "LeaseRow",
    "MovedDayRow",
    "Records",
    "RecordsError",
    "SiteRow",
    "SiteVersionRow",
    "StatementRow",
    "TokenRow",
    "WatcherRow",
]

# SQLite numbers its rows by itself only where the key's type is exactly INTEGER.
_RowId = BigInteger().with_variant(Integer, "sqlite")


class RecordsError(RuntimeError):
    """The records cannot be opened or written; the message says which and why."""


class Base(DeclarativeBase):
    type_annotation_map: ClassVar = {dict[str, Any]: JSON, list[Any]: JSON, int: BigInteger}


class SiteRow(Base):
    __tablename__ = "sites"
    id: Mapped[str] = mapped_column(String(128), primary_key=True)
    added_ms: Mapped[int]


class SiteVersionRow(Base):
    """One version of a site file. `valid_from` is a local day (ISO); empty means since ever."""

    __tablename__ = "site_versions"
    id: Mapped[int] = mapped_column(_RowId, primary_key=True)
    site_id: Mapped[str] = mapped_column(ForeignKey("sites.id"), index=True)
    text: Mapped[str] = mapped_column(Text)
    digest: Mapped[str] = mapped_column(String(64))
    valid_from: Mapped[str] = mapped_column(String(10))
    added_ms: Mapped[int]


class TokenRow(Base):
    """A key with which a site's gateway may post readings; only its SHA-256 is kept."""

    __tablename__ = "tokens"
    id: Mapped[int] = mapped_column(_RowId, primary_key=True)
    site_id: Mapped[str] = mapped_column(ForeignKey("sites.id"), index=True)
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    created_ms: Mapped[int]


class DayRow(Base):
    """
    One computed day of a site. `state` is what it hands to the next day, `alerts` the alerts' state at its end.

    `until_ms` is set while the day was still running when it was computed. `silent_days` counts the days without
    any reading that end with this one. `program` is which one computed it (`api.program`), "" where that is not known.
    """

    __tablename__ = "day_ledgers"
    site_id: Mapped[str] = mapped_column(ForeignKey("sites.id"), primary_key=True)
    day: Mapped[str] = mapped_column(String(10), primary_key=True)
    ledger: Mapped[dict[str, Any]]
    state: Mapped[dict[str, Any]]
    alerts: Mapped[list[Any]]
    version_digest: Mapped[str] = mapped_column(String(64))
    until_ms: Mapped[int | None]
    silent_days: Mapped[int]
    computed_ms: Mapped[int]
    program: Mapped[str] = mapped_column(String(16), default="", server_default="", index=True)


class DueDayRow(Base):
    """
    A day that must be computed; `mark` rises with every new reason, so that none is lost while one is served.

    `cause` is what moved the day before, where that is why it is due (see `api.moved`).
    """

    __tablename__ = "due_days"
    site_id: Mapped[str] = mapped_column(String(128), primary_key=True)
    day: Mapped[str] = mapped_column(String(10), primary_key=True)
    mark: Mapped[int]
    reason: Mapped[str] = mapped_column(String(16))
    cause: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))


class MovedDayRow(Base):
    """
    A past day whose figures moved when it was computed again.

    `cause` says why, `figures` has by path what each figure was `before` and is `after`; only those that moved.
    `unread` has what others were that moved by less than is read, since a further step may make it more: with it
    alone, nothing has moved yet.
    """

    __tablename__ = "moved_days"
    id: Mapped[int] = mapped_column(_RowId, primary_key=True)
    site_id: Mapped[str] = mapped_column(ForeignKey("sites.id"), index=True)
    day: Mapped[str] = mapped_column(String(10))
    computed_ms: Mapped[int]
    cause: Mapped[dict[str, Any]]
    figures: Mapped[dict[str, Any]]
    unread: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict, server_default="{}")


class StatementRow(Base):
    """
    A month's statement as it was sent; never changed but to be withdrawn.

    `issue` counts a month's statements from 1. `body` has the figures and the versions of the site file as they were,
    `page` is the very document. `corrects` is the issue that it takes the place of.
    """

    __tablename__ = "statements"
    id: Mapped[int] = mapped_column(_RowId, primary_key=True)
    site_id: Mapped[str] = mapped_column(ForeignKey("sites.id"))
    month: Mapped[str] = mapped_column(String(7))
    issue: Mapped[int]
    issued_ms: Mapped[int]
    issued_by: Mapped[str] = mapped_column(Text)
    corrects: Mapped[int | None]
    body: Mapped[dict[str, Any]]
    page: Mapped[str] = mapped_column(Text)
    withdrawn_ms: Mapped[int | None]
    withdrawn_by: Mapped[str] = mapped_column(Text)
    note: Mapped[str] = mapped_column(Text)
    __table_args__ = (UniqueConstraint("site_id", "month", "issue", name="uq_statements_issue"),)


class AlertRow(Base):
    """
    An alert as it stands now.

    `body` is the contract's JSON; `state` is open, acknowledged, resolved, or withdrawn: readings that came late, or
    another version of the site file, took its ground away.
    """

    __tablename__ = "alerts"
    id: Mapped[str] = mapped_column(String(160), primary_key=True)
    site_id: Mapped[str] = mapped_column(ForeignKey("sites.id"), index=True)
    state: Mapped[str] = mapped_column(String(16), index=True)
    body: Mapped[dict[str, Any]]
    acknowledged_by: Mapped[str] = mapped_column(Text, default="")
    note: Mapped[str] = mapped_column(Text, default="")


class AlertTransitionRow(Base):
    """A change of an alert's state. `at_ms` is when the limit was passed, `noticed_ms` when that became known."""

    __tablename__ = "alert_transitions"
    id: Mapped[int] = mapped_column(_RowId, primary_key=True)
    alert_id: Mapped[str] = mapped_column(ForeignKey("alerts.id"), index=True)
    state: Mapped[str] = mapped_column(String(16))
    at_ms: Mapped[int]
    noticed_ms: Mapped[int]
    by: Mapped[str] = mapped_column(Text, default="")
    note: Mapped[str] = mapped_column(Text, default="")


class WatcherRow(Base):
    """How far the store's news have been turned into due days; one row, advanced by compare-and-set."""

    __tablename__ = "watcher"
    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    cursor: Mapped[str] = mapped_column(Text)


class LeaseRow(Base):
    """Which watcher computes a site now, and until when it may."""

    __tablename__ = "leases"
    site_id: Mapped[str] = mapped_column(String(128), primary_key=True)
    holder: Mapped[str] = mapped_column(String(64))
    until_ms: Mapped[int]


class Records:
    """
    An open connection pool to the records. `reading` is the same pool, for transactions that do not write.

    Raises:
        RecordsError: If the database cannot be reached.
    """

    def __init__(self, url: str) -> None:
        self.url = url
        self.engine = _engine(url)
        self.reading = self.engine.execution_options(is_read=True)

    def begin(self) -> AbstractContextManager[Session]:
        """A session that writes: it commits at the end, or not at all."""
        return self._session(self.engine)

    def look(self) -> AbstractContextManager[Session]:
        """A session that only reads; it waits for no writer."""
        return self._session(self.reading)

    @contextmanager
    def _session(self, engine: Engine) -> Iterator[Session]:
        try:
            with Session(engine, expire_on_commit=False) as session, session.begin():
                yield session
        except SQLAlchemyError as error:
            raise RecordsError(f"the records at {_shown(self.url)} cannot be used: {_first_line(error)}") from error

    def close(self) -> None:
        self.engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _shown(url: str) -> str:
    return make_url(url).render_as_string(hide_password=True)


def _first_line(error: Exception) -> str:
    return str(error).strip().splitlines()[0]


def _engine(url: str) -> Engine:
    parsed = make_url(url)
    engine = create_engine(
        parsed,
        json_serializer=lambda value: msgspec.json.encode(value).decode(),
        json_deserializer=msgspec.json.decode,
        pool_pre_ping=True,
    )
    if parsed.get_backend_name() == "sqlite":
        if parsed.database:
            Path(parsed.database).parent.mkdir(parents=True, exist_ok=True)
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin)
    return engine


def _prepare_sqlite(connection: Any, _record: object) -> None:
    # SQLAlchemy decides when a transaction begins; several processes share the file, so waits must be long enough.
    connection.isolation_level = None
    for pragma in ("busy_timeout=30000", "journal_mode=WAL", "synchronous=NORMAL", "foreign_keys=ON"):
        connection.execute(f"PRAGMA {pragma}")


def _begin(connection: Any) -> None:
    # A read that later writes would fail with "database is locked" when another writer came between.
    is_read = connection.get_execution_options().get("is_read", False)
    connection.exec_driver_sql("BEGIN" if is_read else "BEGIN IMMEDIATE")
