"""Of two values for one instant a person may say which one holds; what was decided is never changed."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

# A server that knows JSON would hand it out decoded and in another order of keys: there it is text.
Json = sa.JSON().with_variant(sa.Text(), "postgresql")

Number = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    op.create_table(
        "decision",
        sa.Column("id", Number, primary_key=True, autoincrement=True),
        sa.Column("number", sa.BigInteger, nullable=False),
        sa.Column("channel", sa.Text, nullable=False),
        sa.Column("taken_ns", sa.BigInteger, nullable=False),
        sa.Column("value", sa.Double, nullable=True),
        sa.Column("seen", Json, nullable=False),
        sqlite_autoincrement=True,
    )
    op.create_index("decision_channel_taken", "decision", ["channel", "taken_ns"])
    if op.get_bind().dialect.name != "sqlite":
        return
    op.execute(
        "CREATE TRIGGER decision_unchanged BEFORE UPDATE ON decision "
        "BEGIN SELECT RAISE(ABORT, 'rows of decision are never changed'); END"
    )
    op.execute(
        "CREATE TRIGGER decision_kept BEFORE DELETE ON decision "
        "BEGIN SELECT RAISE(ABORT, 'rows of decision are kept'); END"
    )
    op.execute(
        "CREATE TRIGGER decision_journalled BEFORE INSERT ON decision "
        "WHEN NOT EXISTS (SELECT 1 FROM journal WHERE number = NEW.number AND kind = 'decision') "
        "BEGIN SELECT RAISE(ABORT, 'a decision needs its journal entry'); END"
    )
