"""Requests over HTTP that may be sent again under their Idempotency-Key."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

# A server that knows JSON would hand it out decoded and in another order of keys: there it is text.
Json = sa.JSON().with_variant(sa.Text(), "postgresql")


def upgrade() -> None:
    op.create_table(
        "request_key",
        sa.Column("token", sa.String, primary_key=True),
        sa.Column("key", sa.String, primary_key=True),
        sa.Column("at_ns", sa.BigInteger, nullable=False),
        sa.Column("sha256", sa.Text, nullable=False),
        sa.Column("subject", sa.Text, nullable=False),
        sa.Column("answer", Json, nullable=True),
    )
