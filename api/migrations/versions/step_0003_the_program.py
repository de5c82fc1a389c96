"""By which program each day was computed. Of days from before this was kept it is not known: they are as of another."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("day_ledgers", sa.Column("program", sa.String(16), nullable=False, server_default=""))
    op.create_index("ix_day_ledgers_program", "day_ledgers", ["program"])


def downgrade() -> None:
    op.drop_index("ix_day_ledgers_program", "day_ledgers")
    with op.batch_alter_table("day_ledgers") as table:
        table.drop_column("program")
