"""Accounts of people, their sessions and preferences; tokens of machines."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

# A server that knows JSON would hand it out decoded and in another order of keys: there it is text.
Json = sa.JSON().with_variant(sa.Text(), "postgresql")


def upgrade() -> None:
    op.create_table(
        "account",
        sa.Column("name", sa.String, primary_key=True),
        sa.Column("person", sa.Text, nullable=False),
        sa.Column("roles", Json, nullable=False),
        sa.Column("password", sa.Text, nullable=False),
        sa.Column("active", sa.Boolean, nullable=False),
        sa.Column("made_ns", sa.BigInteger, nullable=False),
        sa.Column("changed_ns", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "session",
        sa.Column("sha256", sa.String, primary_key=True),
        sa.Column("account", sa.Text, nullable=False),
        sa.Column("began_ns", sa.BigInteger, nullable=False),
        sa.Column("used_ns", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "preference",
        sa.Column("account", sa.String, primary_key=True),
        sa.Column("key", sa.String, primary_key=True),
        sa.Column("value", sa.Text, nullable=False),
    )
    op.create_table(
        "token",
        sa.Column("id", sa.String, primary_key=True),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("scopes", Json, nullable=False),
        sa.Column("probes", Json, nullable=False),
        sa.Column("sha256", sa.Text, nullable=False),
        sa.Column("made_ns", sa.BigInteger, nullable=False),
        sa.Column("until_ns", sa.BigInteger, nullable=True),
        sa.Column("revoked_ns", sa.BigInteger, nullable=True),
    )
