"""Entries of batches whose readings are sealed move into files of the journal, each under a seal."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

Number = sa.BigInteger().with_variant(sa.Integer, "sqlite")
FILED = """
    SELECT 1 FROM journal_seal s WHERE OLD.number >= s.first_number AND OLD.number <= s.last_number
"""


def upgrade() -> None:
    op.create_table(
        "journal_seal",
        sa.Column("number", Number, primary_key=True),
        sa.Column("file", sa.Text, nullable=False),
        sa.Column("first_number", sa.BigInteger, nullable=False),
        sa.Column("last_number", sa.BigInteger, nullable=False),
        sa.Column("entries", sa.BigInteger, nullable=False),
        sa.Column("size_bytes", sa.BigInteger, nullable=False),
        sa.Column("sha256", sa.Text, nullable=False),
    )
    if op.get_bind().dialect.name != "sqlite":
        return
    for what, rule in (("UPDATE", "never changed"), ("DELETE", "kept")):
        op.execute(
            f"CREATE TRIGGER journal_seal_{'unchanged' if what == 'UPDATE' else 'kept'} BEFORE {what} "
            f"ON journal_seal BEGIN SELECT RAISE(ABORT, 'rows of journal_seal are {rule}'); END"
        )
    op.execute(
        "CREATE TRIGGER journal_seal_journalled BEFORE INSERT ON journal_seal "
        "WHEN NOT EXISTS (SELECT 1 FROM journal WHERE number = NEW.number AND kind = 'journal-seal') "
        "BEGIN SELECT RAISE(ABORT, 'a journal_seal needs its journal entry'); END"
    )
    for table, moved in (
        ("journal", f"OLD.kind = 'batch' AND EXISTS ({FILED})"),
        ("batch", f"EXISTS ({FILED})"),
    ):
        op.execute(f"DROP TRIGGER {table}_kept")
        op.execute(
            f"CREATE TRIGGER {table}_kept BEFORE DELETE ON {table} WHEN NOT ({moved}) "
            f"BEGIN SELECT RAISE(ABORT, 'rows of {table} are kept'); END"
        )
