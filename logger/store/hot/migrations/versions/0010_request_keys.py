"""Requests over HTTP that may be sent again under their Idempotency-Key."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "request_key",
        sa.Column("token", sa.String, primary_key=True),
        sa.Column("key", sa.String, primary_key=True),
        sa.Column("at_ns", sa.BigInteger, nullable=False),
        sa.Column("sha256", sa.Text, nullable=False),
        sa.Column("subject", sa.Text, nullable=False),
        sa.Column("answer", sa.JSON, nullable=True),
    )
