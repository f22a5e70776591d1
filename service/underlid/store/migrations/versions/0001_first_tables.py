"""First tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "alarm",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("subject_kind", sa.String(length=16), nullable=False),
        sa.Column("subject_id", sa.String(length=128), nullable=False),
        sa.Column("rule", sa.String(length=32), nullable=False),
        sa.Column("state", sa.String(length=32), nullable=False),
        sa.Column("holds_since_ms", sa.BigInteger(), nullable=True),
        sa.Column("clear_since_ms", sa.BigInteger(), nullable=True),
        sa.Column("raised_ms", sa.BigInteger(), nullable=True),
        sa.Column("changed_ms", sa.BigInteger(), nullable=False),
        sa.Column("shelved_until_ms", sa.BigInteger(), nullable=True),
        sa.Column("reason", sa.String(length=400), nullable=False),
        sa.Column("finding", sa.JSON(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_alarm")),
        sa.UniqueConstraint(
            "subject_kind", "subject_id", "rule", name=op.f("uq_alarm_subject_kind_subject_id_rule")
        ),
    )
    with op.batch_alter_table("alarm", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_alarm_state"), ["state"], unique=False)

    op.create_table(
        "arrival",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("digest", sa.LargeBinary(length=32), nullable=False),
        sa.Column("received_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_arrival")),
        sa.UniqueConstraint("digest", name=op.f("uq_arrival_digest")),
    )
    op.create_table(
        "condition",
        sa.Column("subject_kind", sa.String(length=16), nullable=False),
        sa.Column("subject_id", sa.String(length=128), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("subject_kind", "subject_id", name=op.f("pk_condition")),
    )
    op.create_table(
        "farm",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("time_zone", sa.String(length=64), nullable=False),
        sa.Column("limits", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_farm")),
    )
    op.create_table(
        "log_entry",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("subject_kind", sa.String(length=16), nullable=False),
        sa.Column("subject_id", sa.String(length=128), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("amount_kg", sa.Float(), nullable=True),
        sa.Column("amount_l", sa.Float(), nullable=True),
        sa.Column("what", sa.String(length=200), nullable=False),
        sa.Column("corner", sa.String(length=40), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_log_entry")),
    )
    with op.batch_alter_table("log_entry", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_log_entry_at_ms"), ["at_ms"], unique=False)
        batch_op.create_index(
            batch_op.f("ix_log_entry_subject_kind_subject_id_at_ms"),
            ["subject_kind", "subject_id", "at_ms"],
            unique=False,
        )

    op.create_table(
        "outbox",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=300), nullable=False),
        sa.Column("target", sa.String(length=64), nullable=False),
        sa.Column("topic", sa.String(length=300), nullable=False),
        sa.Column("title", sa.String(length=300), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("created_ms", sa.BigInteger(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("due_ms", sa.BigInteger(), nullable=True),
        sa.Column("delivered_ms", sa.BigInteger(), nullable=True),
        sa.Column("error", sa.String(length=400), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outbox")),
        sa.UniqueConstraint("key", "target", name=op.f("uq_outbox_key_target")),
    )
    with op.batch_alter_table("outbox", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_outbox_due_ms"), ["due_ms"], unique=False)

    op.create_table(
        "place",
        sa.Column("id", sa.String(length=63), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("outdoors", sa.Boolean(), nullable=False),
        sa.Column("limits", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_place")),
    )
    op.create_table(
        "probe",
        sa.Column("id", sa.String(length=128), nullable=False),
        sa.Column("name", sa.String(length=128), nullable=False),
        sa.Column("first_seen_ms", sa.BigInteger(), nullable=False),
        sa.Column("online", sa.Boolean(), nullable=True),
        sa.Column("retired_ms", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_probe")),
    )
    op.create_table(
        "quarantine",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("topic", sa.String(length=300), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("reason", sa.String(length=400), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("times", sa.Integer(), nullable=False),
        sa.Column("first_ms", sa.BigInteger(), nullable=False),
        sa.Column("received_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_quarantine")),
        sa.UniqueConstraint("topic", "digest", "reason", name=op.f("uq_quarantine_topic_digest_reason")),
    )
    op.create_table(
        "bin",
        sa.Column("id", sa.String(length=63), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("place_id", sa.String(length=63), nullable=False),
        sa.Column("species", sa.String(length=63), nullable=False),
        sa.Column("length_m", sa.Float(), nullable=False),
        sa.Column("width_m", sa.Float(), nullable=False),
        sa.Column("depth_m", sa.Float(), nullable=False),
        sa.Column("worm_kg", sa.Float(), nullable=False),
        sa.Column("started_ms", sa.BigInteger(), nullable=False),
        sa.Column("limits", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["place_id"], ["place.id"], name=op.f("fk_bin_place_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_bin")),
    )
    op.create_table(
        "channel",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("probe_id", sa.String(length=128), nullable=False),
        sa.Column("name", sa.String(length=128), nullable=False),
        sa.Column("unit", sa.String(length=16), nullable=False),
        sa.Column("quantity", sa.String(length=16), nullable=False),
        sa.ForeignKeyConstraint(["probe_id"], ["probe.id"], name=op.f("fk_channel_probe_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_channel")),
        sa.UniqueConstraint("probe_id", "name", "unit", name=op.f("uq_channel_probe_id_name_unit")),
    )
    op.create_table(
        "feed_store",
        sa.Column("id", sa.String(length=63), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("place_id", sa.String(length=63), nullable=False),
        sa.Column("diameter_m", sa.Float(), nullable=False),
        sa.Column("fill_depth_m", sa.Float(), nullable=False),
        sa.Column("insulation_w_m2k", sa.Float(), nullable=True),
        sa.Column("limits", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["place_id"], ["place.id"], name=op.f("fk_feed_store_place_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_feed_store")),
    )
    op.create_table(
        "transition",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("alarm_id", sa.Integer(), nullable=False),
        sa.Column("at_ms", sa.BigInteger(), nullable=False),
        sa.Column("before", sa.String(length=32), nullable=False),
        sa.Column("after", sa.String(length=32), nullable=False),
        sa.Column("cause", sa.String(length=32), nullable=False),
        sa.Column("by", sa.String(length=80), nullable=False),
        sa.Column("finding", sa.JSON(), nullable=True),
        sa.ForeignKeyConstraint(["alarm_id"], ["alarm.id"], name=op.f("fk_transition_alarm_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_transition")),
    )
    with op.batch_alter_table("transition", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_transition_alarm_id_at_ms"), ["alarm_id", "at_ms"], unique=False)

    op.create_table(
        "placement",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("channel_id", sa.Integer(), nullable=False),
        sa.Column("subject_kind", sa.String(length=16), nullable=False),
        sa.Column("subject_id", sa.String(length=128), nullable=False),
        sa.Column("position", sa.String(length=16), nullable=False),
        sa.Column("from_ms", sa.BigInteger(), nullable=False),
        sa.Column("to_ms", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["channel_id"], ["channel.id"], name=op.f("fk_placement_channel_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_placement")),
    )
    with op.batch_alter_table("placement", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_placement_channel_id"), ["channel_id"], unique=False)
        batch_op.create_index(
            batch_op.f("ix_placement_subject_kind_subject_id"), ["subject_kind", "subject_id"], unique=False
        )
