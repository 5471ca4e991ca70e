"""Sealed files may be disposed of by a recorded act of two people; their seals stay."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

Number = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    op.create_table(
        "disposal",
        sa.Column("seal", Number, primary_key=True),
        sa.Column("number", sa.BigInteger, nullable=False),
    )
    if op.get_bind().dialect.name != "sqlite":
        return  # a server has its own: see guards
    op.execute(
        "CREATE TRIGGER disposal_unchanged BEFORE UPDATE ON disposal "
        "BEGIN SELECT RAISE(ABORT, 'rows of disposal are never changed'); END"
    )
    op.execute(
        "CREATE TRIGGER disposal_kept BEFORE DELETE ON disposal "
        "BEGIN SELECT RAISE(ABORT, 'rows of disposal are kept'); END"
    )
    op.execute(
        "CREATE TRIGGER disposal_journalled BEFORE INSERT ON disposal "
        "WHEN NOT EXISTS (SELECT 1 FROM journal WHERE number = NEW.number AND kind = 'disposal') "
        "BEGIN SELECT RAISE(ABORT, 'a disposal needs its journal entry'); END"
    )
