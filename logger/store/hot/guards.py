"""What keeps facts as they are on a database server: triggers, as the migrations make them in a file.

A role can drop the triggers of its own tables, as an editor can those of a file: `verify` names it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from sqlalchemy import Connection

UNCHANGED = (
    *("reading", "name", "journal", "batch", "seal", "seal_channel", "setup", "import_file", "mark", "issue"),
    *("setup_proposal", "setup_refusal", "disposal", "clock_comparison", "clock_correction", "decision"),
    "journal_seal",
)
# What may leave its table, and when: after it was sealed.
_SEALED = """EXISTS (SELECT 1 FROM seal_channel s WHERE s.channel = OLD.channel AND OLD.taken_ns >= s.from_ns
    AND OLD.taken_ns < s.to_ns AND OLD.arrival <= s.upto_arrival)"""
_FILED = "EXISTS (SELECT 1 FROM journal_seal s WHERE OLD.number BETWEEN s.first_number AND s.last_number)"
_MAY_LEAVE = {"reading": _SEALED, "journal": f"OLD.kind = 'batch' AND {_FILED}", "batch": _FILED}
# Rows that need an entry of the journal, of that kind.
_ENTRIES = {
    "seal": "seal",
    "batch": "batch",
    "disposal": "disposal",
    "decision": "decision",
    "journal_seal": "journal-seal",
}
_AS = "USING ERRCODE = 'integrity_constraint_violation'"

_BEFORE_UPDATE, _BEFORE_DELETE, _BEFORE_INSERT, _BEFORE_TRUNCATE = 19, 11, 7, 34  # pg_trigger.tgtype


def functions() -> Mapping[str, str]:
    """Name -> body of each function."""
    bodies = {
        "unchanged": f"BEGIN RAISE EXCEPTION 'rows of % are never changed', TG_TABLE_NAME {_AS}; END",
        "kept": f"BEGIN RAISE EXCEPTION 'rows of % are kept', TG_TABLE_NAME {_AS}; END",
    }
    for table, leaves in _MAY_LEAVE.items():
        bodies[f"{table}_kept"] = (
            f"BEGIN IF {leaves} THEN RETURN OLD; END IF; "
            f"RAISE EXCEPTION 'rows of {table} are kept' {_AS}; END"
        )
    for table, kind in _ENTRIES.items():
        entry = f"journal WHERE number = NEW.number AND kind = '{kind}'"
        bodies[f"{table}_journalled"] = _needs(entry, table, "journal entry")
    bodies["seal_channel_journalled"] = _needs("seal WHERE number = NEW.number", "seal_channel", "seal")
    return bodies


def _needs(row: str, table: str, thing: str) -> str:
    # The names are our own, from the tables above.
    exists = f"EXISTS (SELECT 1 FROM {row})"  # noqa: S608
    return (
        f"BEGIN IF {exists} THEN RETURN NEW; END IF; RAISE EXCEPTION 'a {table} needs its {thing}' {_AS}; END"
    )


def triggers() -> Mapping[tuple[str, str], tuple[int, str]]:
    """(Table, trigger) -> when it fires, as in pg_trigger.tgtype, and its function."""
    pairs: dict[tuple[str, str], tuple[int, str]] = {}
    for table in UNCHANGED:
        keeping = f"{table}_kept" if table in _MAY_LEAVE else "kept"
        pairs[table, f"{table}_unchanged"] = (_BEFORE_UPDATE, "unchanged")
        pairs[table, f"{table}_kept"] = (_BEFORE_DELETE, keeping)
        pairs[table, f"{table}_not_emptied"] = (_BEFORE_TRUNCATE, "kept")
    for table in (*_ENTRIES, "seal_channel"):
        pairs[table, f"{table}_journalled"] = (_BEFORE_INSERT, f"{table}_journalled")
    return pairs


_EVENTS = {
    _BEFORE_UPDATE: ("UPDATE", "ROW"),
    _BEFORE_DELETE: ("DELETE", "ROW"),
    _BEFORE_INSERT: ("INSERT", "ROW"),
    _BEFORE_TRUNCATE: ("TRUNCATE", "STATEMENT"),
}


def guard(conn: Connection) -> None:
    """Make functions and triggers anew, in the transaction of the caller."""
    driver: Any = conn.connection.driver_connection  # which takes a % as it stands
    for name, body in functions().items():
        driver.execute(
            f"CREATE OR REPLACE FUNCTION {name}() RETURNS trigger LANGUAGE plpgsql AS $guard${body}$guard$"
        )
    for (table, name), (when, function) in triggers().items():
        event, each = _EVENTS[when]
        conn.exec_driver_sql(f"DROP TRIGGER IF EXISTS {name} ON {table}")
        conn.exec_driver_sql(
            f"CREATE TRIGGER {name} BEFORE {event} ON {table} FOR EACH {each} EXECUTE FUNCTION {function}()"
        )


def check_guards(conn: Connection) -> Iterator[str]:
    """A sentence for every trigger or function that is missing, switched off, changed or not ours."""
    rows = conn.exec_driver_sql(
        "SELECT c.relname, t.tgname, t.tgtype, p.proname, t.tgenabled FROM pg_trigger t "
        "JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_proc p ON p.oid = t.tgfoid "
        "WHERE NOT t.tgisinternal AND c.relnamespace = current_schema()::regnamespace"
    )
    actual: dict[tuple[str, str], Any] = {
        (table, name): (when, function) if enabled == "O" else "off"
        for table, name, when, function, enabled in rows
    }
    yield from _differences("trigger", {name: what for (_, name), what in actual.items()},
                            {name: what for (_, name), what in triggers().items()})  # fmt: skip
    sources = conn.exec_driver_sql(
        "SELECT proname, prosrc FROM pg_proc WHERE pronamespace = current_schema()::regnamespace"
    )
    yield from _differences("function", {name: body for name, body in sources}, functions())


def _differences(kind: str, actual: Mapping[str, Any], expected: Mapping[str, Any]) -> Iterator[str]:
    for name in sorted(actual.keys() | expected.keys()):
        if actual.get(name) != expected.get(name):
            state = "missing" if name not in actual else "not ours" if name not in expected else "changed"
            yield f"{kind} {name}: {state}; the tables of this record are not as the program made them"
