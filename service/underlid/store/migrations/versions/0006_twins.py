"""Channels that are compared with a twin."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "twin",
        sa.Column("channel_id", sa.Integer(), nullable=False),
        sa.Column("twin_id", sa.Integer(), nullable=False),
        sa.Column("from_ms", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["channel_id"], ["channel.id"], name=op.f("fk_twin_channel_id")),
        sa.ForeignKeyConstraint(["twin_id"], ["channel.id"], name=op.f("fk_twin_twin_id")),
        sa.PrimaryKeyConstraint("channel_id", name=op.f("pk_twin")),
    )
