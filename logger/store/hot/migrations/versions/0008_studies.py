"""Answers of room studies are stored: a page shows them, and the same question is not computed twice."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "study",
        sa.Column("digest", sa.String, primary_key=True),
        sa.Column("at_ns", sa.BigInteger, nullable=False),
        sa.Column("question", sa.Text, nullable=False),
        sa.Column("zone", sa.Text, nullable=False),
        sa.Column("channel", sa.Text, nullable=False),
        sa.Column("from_ns", sa.BigInteger, nullable=False),
        sa.Column("to_ns", sa.BigInteger, nullable=False),
        sa.Column("body", sa.Text, nullable=False),
    )
    op.create_index("study_at", "study", ["at_ns"])
