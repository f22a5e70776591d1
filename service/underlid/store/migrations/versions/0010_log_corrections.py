"""Log entries that are corrected or deleted, and their photos."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("log_entry", sa.Column("corrected_ms", sa.BigInteger(), nullable=True))
    op.add_column("log_entry", sa.Column("deleted_ms", sa.BigInteger(), nullable=True))
    op.create_table(
        "log_revision",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.Column("until_ms", sa.BigInteger(), nullable=False),
        sa.Column("body", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["log_entry.id"], name=op.f("fk_log_revision_entry_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_log_revision")),
    )
    op.create_index(op.f("ix_log_revision_entry_id"), "log_revision", ["entry_id"])
    op.create_table(
        "photo",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("entry_id", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("added_ms", sa.BigInteger(), nullable=False),
        sa.Column("width", sa.Integer(), nullable=False),
        sa.Column("height", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["entry_id"], ["log_entry.id"], name=op.f("fk_photo_entry_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photo")),
        sa.UniqueConstraint("entry_id", "digest", name=op.f("uq_photo_entry_id_digest")),
    )
