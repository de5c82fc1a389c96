"""The first tables: sites, tokens, days, alerts, the watcher's place, and what the intake keeps beside readings."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_row_id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    _create_sites()
    _create_days()
    _create_alerts()
    _create_watch()
    _create_intake()


def _create_sites() -> None:
    op.create_table(
        "sites",
        sa.Column("id", sa.String(128), primary_key=True),
        sa.Column("added_ms", sa.BigInteger(), nullable=False),
    )
    op.create_table(
        "site_versions",
        sa.Column("id", _row_id, primary_key=True),
        sa.Column("site_id", sa.String(128), sa.ForeignKey("sites.id"), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("valid_from", sa.String(10), nullable=False),
        sa.Column("added_ms", sa.BigInteger(), nullable=False),
    )
    op.create_index("ix_site_versions_site_id", "site_versions", ["site_id"])
    op.create_table(
        "tokens",
        sa.Column("id", _row_id, primary_key=True),
        sa.Column("site_id", sa.String(128), sa.ForeignKey("sites.id"), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False, unique=True),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
    )
    op.create_index("ix_tokens_site_id", "tokens", ["site_id"])


def _create_days() -> None:
    op.create_table(
        "day_ledgers",
        sa.Column("site_id", sa.String(128), sa.ForeignKey("sites.id"), primary_key=True),
        sa.Column("day", sa.String(10), primary_key=True),
        sa.Column("ledger", sa.JSON(), nullable=False),
        sa.Column("state", sa.JSON(), nullable=False),
        sa.Column("alerts", sa.JSON(), nullable=False),
        sa.Column("version_digest", sa.String(64), nullable=False),
        sa.Column("until_ms", sa.BigInteger(), nullable=True),
        sa.Column("silent_days", sa.BigInteger(), nullable=False),
        sa.Column("computed_ms", sa.BigInteger(), nullable=False),
    )
    op.create_table(
        "due_days",
        sa.Column("site_id", sa.String(128), primary_key=True),
        sa.Column("day", sa.String(10), primary_key=True),
        sa.Column("mark", sa.BigInteger(), nullable=False),
        sa.Column("reason", sa.String(16), nullable=False),
    )


def _create_alerts() -> None:
    op.create_table(
        "alerts",
        sa.Column("id", sa.String(160), primary_key=True),
        sa.Column("site_id", sa.String(128), sa.ForeignKey("sites.id"), nullable=False),
        sa.Column("state", sa.String(16), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("acknowledged_by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
    )
    op.create_index("ix_alerts_site_id", "alerts", ["site_id"])
    op.create_index("ix_alerts_state", "alerts", ["state"])
    op.create_table(
        "alert_transitions",
        sa.Column("id", _row_id, primary_key=True),
        sa.Column("alert_id", sa.String(160), sa.ForeignKey("alerts.id"), nullable=False),
        sa.Column("state", sa.String(16), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("noticed_ms", sa.BigInteger(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
    )
    op.create_index("ix_alert_transitions_alert_id", "alert_transitions", ["alert_id"])


def _create_watch() -> None:
    op.create_table(
        "watcher",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("cursor", sa.Text(), nullable=False),
    )
    op.create_table(
        "leases",
        sa.Column("site_id", sa.String(128), primary_key=True),
        sa.Column("holder", sa.String(64), nullable=False),
        sa.Column("until_ms", sa.BigInteger(), nullable=False),
    )


def _create_intake() -> None:
    op.create_table(
        "quarantine",
        sa.Column("id", _row_id, primary_key=True),
        sa.Column("way", sa.String(16), nullable=False),
        sa.Column("site", sa.String(128), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("received_ms", sa.BigInteger(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("records", sa.Text()),
        sa.Column("n_readings", sa.BigInteger(), nullable=False),
        sa.Column("replayed_ms", sa.BigInteger()),
    )
    op.create_index("ix_quarantine_site", "quarantine", ["site"])
    counts = ("received", "stored", "duplicate", "quarantined", "replaced")
    op.create_table(
        "intake_totals",
        sa.Column("way", sa.String(16), primary_key=True),
        *(sa.Column(name, sa.BigInteger(), nullable=False) for name in counts),
    )
    op.create_table(
        "site_presence",
        sa.Column("site", sa.String(128), primary_key=True),
        sa.Column("state", sa.String(16), nullable=False),
        sa.Column("since_ms", sa.BigInteger(), nullable=False),
    )


def downgrade() -> None:
    tables = ("site_presence", "intake_totals", "quarantine", "leases", "watcher", "alert_transitions", "alerts")
    for table in (*tables, "due_days", "day_ledgers", "tokens", "site_versions", "sites"):
        op.drop_table(table)
