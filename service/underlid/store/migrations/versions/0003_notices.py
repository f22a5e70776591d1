"""Notices, and what a message of the outbox is about."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "notice",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=300), nullable=False),
        sa.Column("target", sa.String(length=64), nullable=False),
        sa.Column("alarm_id", sa.Integer(), nullable=False),
        sa.Column("subject_kind", sa.String(length=16), nullable=False),
        sa.Column("subject_id", sa.String(length=128), nullable=False),
        sa.Column("rule", sa.String(length=32), nullable=False),
        sa.Column("name", sa.String(length=128), nullable=False),
        sa.Column("cause", sa.String(length=32), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("due_ms", sa.BigInteger(), nullable=True),
        sa.Column("priority", sa.String(length=16), nullable=False),
        sa.Column("forecast", sa.Boolean(), nullable=False),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("limit", sa.Float(), nullable=True),
        sa.Column("unit", sa.String(length=16), nullable=False),
        sa.Column("headline", sa.String(length=400), nullable=False),
        sa.Column("advice", sa.Text(), nullable=False),
        sa.Column("caution", sa.Text(), nullable=False),
        sa.Column("held", sa.Boolean(), nullable=False),
        sa.Column("told_ms", sa.BigInteger(), nullable=True),
        sa.Column("outcome", sa.String(length=320), nullable=False),
        sa.ForeignKeyConstraint(["alarm_id"], ["alarm.id"], name=op.f("fk_notice_alarm_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_notice")),
        sa.UniqueConstraint("key", "target", name=op.f("uq_notice_key_target")),
    )
    with op.batch_alter_table("notice", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_notice_due_ms"), ["due_ms"], unique=False)
        batch_op.create_index(batch_op.f("ix_notice_target_alarm_id"), ["target", "alarm_id"], unique=False)
    with op.batch_alter_table("outbox", schema=None) as batch_op:
        batch_op.add_column(sa.Column("priority", sa.String(length=16), nullable=True))
        batch_op.add_column(sa.Column("failing_since_ms", sa.BigInteger(), nullable=True))
