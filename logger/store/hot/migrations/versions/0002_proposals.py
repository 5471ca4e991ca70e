"""Setup versions are proposed by one person and approved or refused by another."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

# A server that knows JSON would hand it out decoded and in another order of keys: there it is text.
Json = sa.JSON().with_variant(sa.Text(), "postgresql")

Number = sa.BigInteger().with_variant(sa.Integer, "sqlite")
UNCHANGED = ("setup_proposal", "setup_refusal")


def _text(name: str) -> sa.Column[Any]:
    return sa.Column(name, sa.Text, nullable=False)


def upgrade() -> None:
    op.create_table(
        "setup_proposal",
        sa.Column("version", Number, primary_key=True),
        sa.Column("at_ns", sa.BigInteger, nullable=False),
        _text("who"),
        _text("why"),
        sa.Column("base", sa.BigInteger, nullable=False),
        sa.Column("correction", sa.Boolean, nullable=False),
        sa.Column("texts", Json, nullable=False),
        _text("digest"),
    )
    op.create_table(
        "setup_refusal",
        sa.Column("version", Number, primary_key=True),
        sa.Column("at_ns", sa.BigInteger, nullable=False),
        _text("who"),
        _text("why"),
    )
    if op.get_bind().dialect.name != "sqlite":
        return  # a server has its own: see guards
    for table in UNCHANGED:
        op.execute(
            f"CREATE TRIGGER {table}_unchanged BEFORE UPDATE ON {table} "
            f"BEGIN SELECT RAISE(ABORT, 'rows of {table} are never changed'); END"
        )
        op.execute(
            f"CREATE TRIGGER {table}_kept BEFORE DELETE ON {table} "
            f"BEGIN SELECT RAISE(ABORT, 'rows of {table} are kept'); END"
        )
