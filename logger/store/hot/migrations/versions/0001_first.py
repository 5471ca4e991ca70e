"""The first schema: readings, journal, batches, seals, setups, and what follows from acts."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

# A server that knows JSON would hand it out decoded and in another order of keys: there it is text.
Json = sa.JSON().with_variant(sa.Text(), "postgresql")
Number = sa.BigInteger().with_variant(sa.Integer, "sqlite")

# Facts: a row that stands is never changed. Rows of `reading` leave only after they were sealed.
UNCHANGED = (
    "reading",
    "name",
    "journal",
    "batch",
    "seal",
    "seal_channel",
    "setup",
    "import_file",
    "mark",
    "issue",
)
UNDER_A_SEAL = """
    SELECT 1 FROM seal_channel s WHERE s.channel = OLD.channel
    AND OLD.taken_ns >= s.from_ns AND OLD.taken_ns < s.to_ns AND OLD.arrival <= s.upto_arrival
"""


def _instant(name: str, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(name, sa.BigInteger, nullable=nullable)


def _text(name: str, default: str | None = None) -> sa.Column[Any]:
    return sa.Column(name, sa.Text, nullable=False, server_default=default)


def _integer(name: str) -> sa.Column[Any]:
    return sa.Column(name, sa.Integer, nullable=False)


def _big(name: str, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(name, sa.BigInteger, nullable=nullable)


def _key(
    name: str = "key", kind: sa.types.TypeEngine[Any] | None = None, count: bool = False
) -> sa.Column[Any]:
    return sa.Column(name, kind or sa.String(), primary_key=True, autoincrement=count)


def _json(name: str) -> sa.Column[Any]:
    return sa.Column(name, Json, nullable=False)


def upgrade() -> None:
    """Tables first, then the triggers that guard them."""
    _readings()
    _journal()
    _seals()
    _judged()
    _acts()
    if op.get_bind().dialect.name == "sqlite":
        _guard()


def _readings() -> None:
    op.create_table("meta", _key(), _text("value"))
    op.create_table(
        "name",
        _key("id", Number),
        _text("kind"),
        _text("text"),
        sa.UniqueConstraint("kind", "text", name="name_once"),
    )
    op.create_table(
        "reading",
        _key("arrival", Number),
        _integer("writer"),
        _big("seq"),
        _integer("channel"),
        _instant("taken_ns"),
        _instant("received_ns"),
        _integer("boot"),
        _instant("monotonic_ns"),
        sa.Column("value", sa.Double, nullable=True),
        sa.Column("status", sa.SmallInteger, nullable=False),
        _text("raw"),
        _integer("source"),
        sa.Column("late", sa.Boolean, nullable=False),
        sa.UniqueConstraint("writer", "seq", name="reading_once"),
    )
    op.create_index("reading_channel_taken", "reading", ["channel", "taken_ns"])


def _journal() -> None:
    op.create_table(
        "journal",
        _key("number", Number),
        _instant("at_ns"),
        _text("kind"),
        _text("who"),
        _text("what"),
        _text("why"),
        _text("sha256"),
    )
    op.create_index("journal_kind", "journal", ["kind", "number"])
    op.create_table(
        "batch",
        _key("number", Number),
        _integer("writer"),
        _big("first_seq"),
        _big("last_seq"),
        _big("first_arrival"),
        sa.UniqueConstraint("writer", "last_seq", name="batch_once"),
    )


def _seals() -> None:
    op.create_table(
        "seal",
        _key("number", Number),
        _text("room"),
        _instant("from_ns"),
        _instant("to_ns"),
        _big("upto_arrival"),
        _text("file"),
        _big("rows"),
        _big("size_bytes"),
        _text("sha256"),
        sa.UniqueConstraint("file", name="seal_file_once"),
    )
    op.create_table(
        "seal_channel",
        _key("number", Number),
        _key("channel", sa.Integer()),
        _instant("from_ns"),
        _instant("to_ns"),
        _big("upto_arrival"),
        _big("last_arrival"),
        _big("rows"),
        _instant("first_ns"),
        _instant("last_ns"),
        _instant("first_ok_ns", nullable=True),
        _instant("last_ok_ns", nullable=True),
    )
    op.create_index("seal_channel_span", "seal_channel", ["channel", "to_ns"])


def _judged() -> None:
    op.create_table(
        "setup",
        _key("version", Number),
        _instant("at_ns"),
        _text("who"),
        _text("approver"),
        _text("why"),
        _json("texts"),
        _text("digest"),
    )
    op.create_table("piece", _key("zone"), _key("day", sa.Integer()), _text("key"), _text("body"))
    op.create_table("live", _key("zone"), _text("body"))
    op.create_table(
        "import_file", _key("sha256"), _text("name"), _instant("at_ns"), _text("original"), _json("summary")
    )


def _acts() -> None:
    op.create_table(
        "inspection", _key(), _text("zone"), _instant("from_ns"), _instant("to_ns", True), _json("body")
    )
    op.create_table(
        "mark",
        _key("id", Number, count=True),
        _text("zone"),
        _instant("from_ns"),
        _instant("to_ns"),
        _text("reason"),
        _text("who"),
        sqlite_autoincrement=True,
    )
    op.create_table("alarm", _key(), _text("state"), _instant("at_ns"), _json("body"))
    op.create_table(
        "notice",
        _key("id", Number, count=True),
        _instant("at_ns"),
        _text("alarm", ""),
        _text("route"),
        _text("state", "waiting"),
        sa.Column("tries", sa.Integer, nullable=False, server_default="0"),
        _instant("next_ns", True),
        _instant("sent_ns", True),
        _text("error", ""),
        _json("body"),
        sqlite_autoincrement=True,
    )
    op.create_index("notice_state", "notice", ["state", "next_ns"])
    op.create_table(
        "issue",
        _key("number", Number),
        _text("zone"),
        _instant("from_ns"),
        _instant("to_ns"),
        _instant("at_ns"),
        _text("who"),
        _big("replaces", True),
        _text("why", ""),
        _text("folder"),
        _text("sha256"),
        _json("body"),
    )


def _guard() -> None:
    for table in UNCHANGED:
        op.execute(
            f"CREATE TRIGGER {table}_unchanged BEFORE UPDATE ON {table} "
            f"BEGIN SELECT RAISE(ABORT, 'rows of {table} are never changed'); END"
        )
        under = f"WHEN NOT EXISTS ({UNDER_A_SEAL})" if table == "reading" else ""
        op.execute(
            f"CREATE TRIGGER {table}_kept BEFORE DELETE ON {table} {under} "
            f"BEGIN SELECT RAISE(ABORT, 'rows of {table} are kept'); END"
        )
    for table, kind in (("seal", "seal"), ("batch", "batch")):
        op.execute(
            # The names are our own, from the line above.
            f"CREATE TRIGGER {table}_journalled BEFORE INSERT ON {table} "  # noqa: S608
            f"WHEN NOT EXISTS (SELECT 1 FROM journal WHERE number = NEW.number AND kind = '{kind}') "
            f"BEGIN SELECT RAISE(ABORT, 'a {table} needs its journal entry'); END"
        )
    op.execute(
        "CREATE TRIGGER seal_channel_journalled BEFORE INSERT ON seal_channel "
        "WHEN NOT EXISTS (SELECT 1 FROM seal WHERE number = NEW.number) "
        "BEGIN SELECT RAISE(ABORT, 'a seal_channel needs its seal'); END"
    )
