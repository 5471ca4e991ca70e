"""What a person types about a case is kept from the first letter on, until it is written down."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "case_draft",
        sa.Column("case", sa.BigInteger, primary_key=True),
        sa.Column("field", sa.String, primary_key=True),
        sa.Column("account", sa.String, primary_key=True),
        sa.Column("at_ns", sa.BigInteger, nullable=False),
        sa.Column("text", sa.Text, nullable=False),
    )
