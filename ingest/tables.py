"""
What ingest remembers in the records beside the readings: quarantine, running totals, presence.

The tables are SQLAlchemy Core, the same on SQLite and PostgreSQL, in one `MetaData` that the program's migrations
take up. Instants are milliseconds since 1970 UTC.
"""

from collections.abc import Mapping
from typing import Any

from sqlalchemy import (
    BigInteger,
    Column,
    Connection,
    Engine,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
)
from sqlalchemy.dialects import postgresql, sqlite

__all__ = ["intake_totals", "quarantine", "quarantine_metadata", "site_presence", "upsert"]

quarantine_metadata = MetaData()

# SQLite numbers its rows by itself only where the key's type is exactly INTEGER.
_ROW_ID = BigInteger().with_variant(Integer, "sqlite")

quarantine = Table(
    "quarantine",
    quarantine_metadata,
    Column("id", _ROW_ID, primary_key=True),
    Column("way", String(16), nullable=False),
    Column("site", String(128), nullable=False, index=True),
    Column("topic", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    Column("received_ms", BigInteger, nullable=False),
    Column("reason", Text, nullable=False),
    Column("records", Text),
    Column("n_readings", BigInteger, nullable=False),
    Column("replayed_ms", BigInteger),
)

intake_totals = Table(
    "intake_totals",
    quarantine_metadata,
    Column("way", String(16), primary_key=True),
    *(
        Column(name, BigInteger, nullable=False)
        for name in ("received", "stored", "duplicate", "quarantined", "replaced")
    ),
)

site_presence = Table(
    "site_presence",
    quarantine_metadata,
    Column("site", String(128), primary_key=True),
    Column("state", String(16), nullable=False),
    Column("since_ms", BigInteger, nullable=False),
)


def upsert(connection: Connection | Engine, table: Table, key: Mapping[str, Any]) -> Any:
    """An INSERT of `key` that takes `on_conflict_do_update`, in the dialect of the database."""
    dialect = postgresql if connection.dialect.name == "postgresql" else sqlite
    return dialect.insert(table).values(**key)
