"""What moved in the past, and the statements that were sent."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_row_id = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.add_column("due_days", sa.Column("cause", sa.JSON(), nullable=True))
    op.create_table(
        "moved_days",
        sa.Column("id", _row_id, primary_key=True),
        sa.Column("site_id", sa.String(128), sa.ForeignKey("sites.id"), nullable=False),
        sa.Column("day", sa.String(10), nullable=False),
        sa.Column("computed_ms", sa.BigInteger(), nullable=False),
        sa.Column("cause", sa.JSON(), nullable=False),
        sa.Column("figures", sa.JSON(), nullable=False),
    )
    op.create_index("ix_moved_days_site_id", "moved_days", ["site_id"])
    op.create_table(
        "statements",
        sa.Column("id", _row_id, primary_key=True),
        sa.Column("site_id", sa.String(128), sa.ForeignKey("sites.id"), nullable=False),
        sa.Column("month", sa.String(7), nullable=False),
        sa.Column("issue", sa.BigInteger(), nullable=False),
        sa.Column("issued_ms", sa.BigInteger(), nullable=False),
        sa.Column("issued_by", sa.Text(), nullable=False),
        sa.Column("corrects", sa.BigInteger(), nullable=True),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.Column("page", sa.Text(), nullable=False),
        sa.Column("withdrawn_ms", sa.BigInteger(), nullable=True),
        sa.Column("withdrawn_by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.UniqueConstraint("site_id", "month", "issue", name="uq_statements_issue"),
    )


def downgrade() -> None:
    op.drop_table("statements")
    op.drop_table("moved_days")
    with op.batch_alter_table("due_days") as table:
        table.drop_column("cause")
