"""Workers and the leases by which they share the work."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "lease",
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("piece", sa.Integer(), nullable=False),
        sa.Column("holder", sa.String(length=32), nullable=False),
        sa.Column("until_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("kind", "piece", name=op.f("pk_lease")),
    )
    op.create_table(
        "worker",
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("holder", sa.String(length=32), nullable=False),
        sa.Column("until_ms", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("kind", "holder", name=op.f("pk_worker")),
    )
