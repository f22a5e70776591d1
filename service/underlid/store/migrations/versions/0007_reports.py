"""Kept reports, and messages that tell of one."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "report",
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("name", sa.String(length=128), nullable=False),
        sa.Column("made_ms", sa.BigInteger(), nullable=False),
        sa.Column("basis", sa.JSON(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("kind", "name", name=op.f("pk_report")),
    )
    with op.batch_alter_table("outbox", schema=None) as batch_op:
        batch_op.add_column(sa.Column("report", sa.String(length=160), nullable=False, server_default=""))
    with op.batch_alter_table("outbox", schema=None) as batch_op:
        batch_op.alter_column("report", server_default=None)
