"""What moved by less than is read, so that many small steps are told as the one that they add up to."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("moved_days", sa.Column("unread", sa.JSON(), nullable=False, server_default="{}"))


def downgrade() -> None:
    with op.batch_alter_table("moved_days") as table:
        table.drop_column("unread")
