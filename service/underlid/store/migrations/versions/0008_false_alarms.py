"""The keeper's mark that an alarm was false."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("transition", sa.Column("false_ms", sa.BigInteger(), nullable=True))
