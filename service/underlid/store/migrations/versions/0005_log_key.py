"""Keys of log entries, so that one sent twice is kept once."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table("log_entry", schema=None) as batch_op:
        batch_op.add_column(sa.Column("key", sa.String(length=64), nullable=True))
        batch_op.create_index(batch_op.f("ix_log_entry_key"), ["key"], unique=True)
