"""The tables of the hot tier, as SQLAlchemy Core metadata.

The schema in a data folder is made by `migrations/`; a test holds both together. Instants
are int64 nanoseconds since 1970 UTC, never a date type: those lose precision or take on a zone.
"""

from __future__ import annotations

import json
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Double,
    Index,
    Integer,
    MetaData,
    SmallInteger,
    String,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
)

from ...errors import StoreDamaged

metadata = MetaData()

# SQLite gives out row numbers only to a column declared INTEGER; elsewhere that would be 32 bits.
Number = BigInteger().with_variant(Integer, "sqlite")


RESTORE = "Restore the newest backup: `stillroom restore`."


def decode_json(text: str) -> Any:
    """What a column of JSON holds; StoreDamaged where its bytes are none any more."""
    try:
        return json.loads(text)
    except ValueError as error:
        raise StoreDamaged(
            f"The database of the record was damaged: a text in it cannot be read ({error}). "
            f"`stillroom verify` names the place. {RESTORE}"
        ) from error


class _JsonText(TypeDecorator[Any]):
    """JSON in a column of text, letter for letter as the embedded home keeps it."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Any) -> str:  # noqa: ARG002 (SQLAlchemy's own names)
        return json.dumps(value)

    def process_result_value(self, value: Any, dialect: Any) -> Any:  # noqa: ARG002
        return None if value is None else decode_json(value)


# A server that knows JSON would hand it out decoded, and a verification could not see what stands there.
Json = JSON().with_variant(_JsonText(), "postgresql")


def _instant(name: str, nullable: bool = False) -> Column[int]:
    return Column(name, BigInteger, nullable=nullable)


def _text(name: str, default: str | None = None) -> Column[str]:
    return Column(name, Text, nullable=False, server_default=default)


meta = Table("meta", metadata, Column("key", String, primary_key=True), _text("value"))

# Writers, channels, boots and sources repeat in every row; a number instead of the text makes a
# row a third as long. Digests are taken over the texts, so that a changed name is found as well.
name = Table(
    "name",
    metadata,
    Column("id", Number, primary_key=True),
    _text("kind"),
    _text("text"),
    UniqueConstraint("kind", "text", name="name_once"),
)

# `arrival` is the local order of commit, without holes and never used twice: cursors rely on it.
reading = Table(
    "reading",
    metadata,
    Column("arrival", Number, primary_key=True),
    Column("writer", Integer, nullable=False),
    Column("seq", BigInteger, nullable=False),
    Column("channel", Integer, nullable=False),
    _instant("taken_ns"),
    _instant("received_ns"),
    Column("boot", Integer, nullable=False),
    _instant("monotonic_ns"),
    Column("value", Double, nullable=True),
    Column("status", SmallInteger, nullable=False),
    _text("raw"),
    Column("source", Integer, nullable=False),
    Column("late", Boolean, nullable=False),
    UniqueConstraint("writer", "seq", name="reading_once"),
    Index("reading_channel_taken", "channel", "taken_ns"),
)

journal = Table(
    "journal",
    metadata,
    Column("number", Number, primary_key=True),
    _instant("at_ns"),
    _text("kind"),
    _text("who"),
    _text("what"),
    _text("why"),
    _text("sha256"),
    Index("journal_kind", "kind", "number"),
)

# Entries of batches that moved into a file of the journal, each file under its own entry.
journal_seal = Table(
    "journal_seal",
    metadata,
    Column("number", Number, primary_key=True),
    _text("file"),
    Column("first_number", BigInteger, nullable=False),
    Column("last_number", BigInteger, nullable=False),
    Column("entries", BigInteger, nullable=False),
    Column("size_bytes", BigInteger, nullable=False),
    _text("sha256"),
)

# Which journal entry holds the digest of which readings.
batch = Table(
    "batch",
    metadata,
    Column("number", Number, primary_key=True),
    Column("writer", Integer, nullable=False),
    Column("first_seq", BigInteger, nullable=False),
    Column("last_seq", BigInteger, nullable=False),
    Column("first_arrival", BigInteger, nullable=False),
    UniqueConstraint("writer", "last_seq", name="batch_once"),
)

seal = Table(
    "seal",
    metadata,
    Column("number", Number, primary_key=True),
    _text("room"),
    _instant("from_ns"),
    _instant("to_ns"),
    Column("upto_arrival", BigInteger, nullable=False),
    _text("file"),
    Column("rows", BigInteger, nullable=False),
    Column("size_bytes", BigInteger, nullable=False),
    _text("sha256"),
    UniqueConstraint("file", name="seal_file_once"),
)

# A hot row lies under a seal when its channel and instant do and it arrived by `upto_arrival`.
seal_channel = Table(
    "seal_channel",
    metadata,
    Column("number", Number, primary_key=True),
    Column("channel", Integer, primary_key=True),
    _instant("from_ns"),
    _instant("to_ns"),
    Column("upto_arrival", BigInteger, nullable=False),
    Column("last_arrival", BigInteger, nullable=False),
    Column("rows", BigInteger, nullable=False),
    _instant("first_ns"),
    _instant("last_ns"),
    _instant("first_ok_ns", nullable=True),
    _instant("last_ok_ns", nullable=True),
    Index("seal_channel_span", "channel", "to_ns"),
)

# Sealed files that two people disposed of, with the journal entry that says so.
disposal = Table(
    "disposal",
    metadata,
    Column("seal", Number, primary_key=True),
    Column("number", BigInteger, nullable=False),
)

# Which of several values for one instant holds; the newest decision on an instant counts.
decision = Table(
    "decision",
    metadata,
    Column("id", Number, primary_key=True, autoincrement=True),
    Column("number", BigInteger, nullable=False),
    _text("channel"),
    _instant("taken_ns"),
    Column("value", Double, nullable=True),
    Column("seen", Json, nullable=False),
    Index("decision_channel_taken", "channel", "taken_ns"),
    sqlite_autoincrement=True,
)

setup = Table(
    "setup",
    metadata,
    Column("version", Number, primary_key=True),
    _instant("at_ns"),
    _text("who"),
    _text("approver"),
    _text("why"),
    Column("texts", Json, nullable=False),
    _text("digest"),
)

# A version waits here until it is approved, which makes its row in `setup`, or refused.
setup_proposal = Table(
    "setup_proposal",
    metadata,
    Column("version", Number, primary_key=True),
    _instant("at_ns"),
    _text("who"),
    _text("why"),
    Column("base", BigInteger, nullable=False),
    Column("correction", Boolean, nullable=False),
    Column("texts", Json, nullable=False),
    _text("digest"),
)
setup_refusal = Table(
    "setup_refusal",
    metadata,
    Column("version", Number, primary_key=True),
    _instant("at_ns"),
    _text("who"),
    _text("why"),
)

# Judged pieces and the newest statements: a cache that can be made again, hence not journalled.
piece = Table(
    "piece",
    metadata,
    Column("zone", String, primary_key=True),
    Column("day", Integer, primary_key=True),
    _text("key"),
    _text("body"),
)
live = Table("live", metadata, Column("zone", String, primary_key=True), _text("body"))

# Answers of studies, each under the digest of the question and of all that it rests on; made again at will.
study = Table(
    "study",
    metadata,
    Column("digest", String, primary_key=True),
    _instant("at_ns"),
    _text("question"),
    _text("zone"),
    _text("channel"),
    _instant("from_ns"),
    _instant("to_ns"),
    _text("body"),
    Index("study_at", "at_ns"),
)

import_file = Table(
    "import_file",
    metadata,
    Column("sha256", String, primary_key=True),
    _text("name"),
    _instant("at_ns"),
    _text("original"),
    Column("summary", Json, nullable=False),
)

# Messages that nodes posted, each by its number: one that comes again is not stored again.
delivery = Table(
    "delivery",
    metadata,
    Column("node", String, primary_key=True),
    Column("seq", BigInteger, primary_key=True),
    _text("sha256"),
    _instant("at_ns"),
)

# `number` is that of the journal's entry; by `arrival` a reader of what is new sees that readings moved.
clock_comparison = Table(
    "clock_comparison",
    metadata,
    Column("number", Number, primary_key=True),
    _text("probe"),
    _instant("clock_ns"),
    Column("offset_ns", BigInteger, nullable=False),
    Column("arrival", BigInteger, nullable=False),
    Index("clock_comparison_probe", "probe", "clock_ns"),
)
clock_correction = Table(
    "clock_correction",
    metadata,
    Column("number", Number, primary_key=True),
    _text("boot"),
    Column("base_ns", BigInteger, nullable=False),
    Column("arrival", BigInteger, nullable=False),
)

# What follows from acts. The act itself is in the journal, written in the same transaction.
inspection = Table(
    "inspection",
    metadata,
    Column("key", String, primary_key=True),
    _text("zone"),
    _instant("from_ns"),
    _instant("to_ns", nullable=True),
    Column("body", Json, nullable=False),
)
# What somebody is typing about a case; an act only once it is written down, which is in the journal.
case_draft = Table(
    "case_draft",
    metadata,
    Column("case", BigInteger, primary_key=True),
    Column("field", String, primary_key=True),
    Column("account", String, primary_key=True),
    _instant("at_ns"),
    _text("text"),
)
mark = Table(
    "mark",
    metadata,
    Column("id", Number, primary_key=True, autoincrement=True),
    _text("zone"),
    _instant("from_ns"),
    _instant("to_ns"),
    _text("reason"),
    _text("who"),
    sqlite_autoincrement=True,
)
alarm = Table(
    "alarm",
    metadata,
    Column("key", String, primary_key=True),
    _text("state"),
    _instant("at_ns"),
    Column("body", Json, nullable=False),
)
notice = Table(
    "notice",
    metadata,
    Column("id", Number, primary_key=True, autoincrement=True),
    _instant("at_ns"),
    _text("alarm", default=""),
    _text("route"),
    _text("state", default="waiting"),  # waiting, sent, failed
    Column("tries", Integer, nullable=False, server_default="0"),
    _instant("next_ns", nullable=True),
    _instant("sent_ns", nullable=True),
    _text("error", default=""),
    Column("body", Json, nullable=False),
    Index("notice_state", "state", "next_ns"),
    sqlite_autoincrement=True,
)
issue = Table(
    "issue",
    metadata,
    Column("number", Number, primary_key=True),
    _text("zone"),
    _instant("from_ns"),
    _instant("to_ns"),
    _instant("at_ns"),
    _text("who"),
    Column("replaces", BigInteger, nullable=True),
    _text("why", default=""),
    _text("folder"),
    _text("sha256"),
    Column("body", Json, nullable=False),
)

# People and machines. What is done with accounts and tokens is in the journal; secrets are kept as digests.
account = Table(
    "account",
    metadata,
    Column("name", String, primary_key=True),
    _text("person"),
    Column("roles", Json, nullable=False),
    _text("password"),
    Column("active", Boolean, nullable=False),
    _instant("made_ns"),
    _instant("changed_ns"),
)
session = Table(
    "session",
    metadata,
    Column("sha256", String, primary_key=True),
    _text("account"),
    _instant("began_ns"),
    _instant("used_ns"),
)
preference = Table(
    "preference",
    metadata,
    Column("account", String, primary_key=True),
    Column("key", String, primary_key=True),
    _text("value"),
)
token = Table(
    "token",
    metadata,
    Column("id", String, primary_key=True),
    _text("name"),
    Column("scopes", Json, nullable=False),
    Column("probes", Json, nullable=False),
    _text("sha256"),
    _instant("made_ns"),
    _instant("until_ns", nullable=True),
    _instant("revoked_ns", nullable=True),
)
# Requests that a program may send again: each key of a token with what was answered. Kept for two days.
request_key = Table(
    "request_key",
    metadata,
    Column("token", String, primary_key=True),
    Column("key", String, primary_key=True),
    _instant("at_ns"),
    _text("sha256"),
    _text("subject"),
    Column("answer", Json, nullable=True),
)
