"""Calibrations."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "calibration",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("channel_id", sa.Integer(), nullable=False),
        sa.Column("moisture_id", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("made_ms", sa.BigInteger(), nullable=False),
        sa.Column("from_ms", sa.BigInteger(), nullable=False),
        sa.Column("points", sa.JSON(), nullable=False),
        sa.Column("temp_coeff", sa.Float(), nullable=False),
        sa.Column("temp_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["channel_id"], ["channel.id"], name=op.f("fk_calibration_channel_id")),
        sa.ForeignKeyConstraint(["moisture_id"], ["channel.id"], name=op.f("fk_calibration_moisture_id")),
        sa.ForeignKeyConstraint(["temp_id"], ["channel.id"], name=op.f("fk_calibration_temp_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration")),
        sa.UniqueConstraint("channel_id", "version", name=op.f("uq_calibration_channel_id_version")),
    )
