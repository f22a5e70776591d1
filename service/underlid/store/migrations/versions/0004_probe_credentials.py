"""Credentials of probes at the broker."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "probe_credential",
        sa.Column("probe_id", sa.String(length=128), nullable=False),
        sa.Column("hash", sa.String(length=200), nullable=False),
        sa.Column("made_ms", sa.BigInteger(), nullable=False),
        sa.Column("mosquitto_dir", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("probe_id", name=op.f("pk_probe_credential")),
    )
