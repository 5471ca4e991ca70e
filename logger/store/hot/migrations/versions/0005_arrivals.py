"""Messages that were stored, and what is known of the clocks that stamped readings."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

Number = sa.BigInteger().with_variant(sa.Integer, "sqlite")


def upgrade() -> None:
    op.create_table(
        "delivery",
        sa.Column("node", sa.String, primary_key=True),
        sa.Column("seq", sa.BigInteger, primary_key=True),
        sa.Column("sha256", sa.Text, nullable=False),
        sa.Column("at_ns", sa.BigInteger, nullable=False),
    )
    op.create_table(
        "clock_comparison",
        sa.Column("number", Number, primary_key=True),
        sa.Column("probe", sa.Text, nullable=False),
        sa.Column("clock_ns", sa.BigInteger, nullable=False),
        sa.Column("offset_ns", sa.BigInteger, nullable=False),
        sa.Column("arrival", sa.BigInteger, nullable=False),
    )
    op.create_index("clock_comparison_probe", "clock_comparison", ["probe", "clock_ns"])
    op.create_table(
        "clock_correction",
        sa.Column("number", Number, primary_key=True),
        sa.Column("boot", sa.Text, nullable=False),
        sa.Column("base_ns", sa.BigInteger, nullable=False),
        sa.Column("arrival", sa.BigInteger, nullable=False),
    )
    if op.get_bind().dialect.name == "sqlite":
        for table in ("clock_comparison", "clock_correction"):
            op.execute(
                f"CREATE TRIGGER {table}_unchanged BEFORE UPDATE ON {table} "
                f"BEGIN SELECT RAISE(ABORT, 'rows of {table} are never changed'); END"
            )
            op.execute(
                f"CREATE TRIGGER {table}_kept BEFORE DELETE ON {table} "
                f"BEGIN SELECT RAISE(ABORT, 'rows of {table} are kept'); END"
            )
