"""What people and alarms did, as the journal has it, against the rows that follow from it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

from sqlalchemy import Connection, Row

from ...errors import IntervalError
from ...instants import parse
from ..hot.tables import alarm, decision, inspection, mark
from .raw_rows import differs, read_rows

UTC = ZoneInfo("UTC")
COLUMNS = ("zone", "from_ns", "to_ns")


@dataclass
class Acts:
    """What the rows must say. An inspection that a newer version changed in its own way is left out."""

    inspections: dict[str, dict[str, Any]] = field(default_factory=dict)  # key -> zone, from, to, body
    unknown: set[str] = field(default_factory=set)  # keys of inspections with acts that are not known here
    marks: dict[int, dict[str, Any]] = field(default_factory=dict)
    alarms: dict[str, tuple[str, int]] = field(default_factory=dict)  # key -> state, occurrence
    decisions: list[tuple[Any, ...]] = field(default_factory=list)  # number, channel, instant, value, seen


def read_act(row: Row[Any], what: Mapping[str, Any], acts: Acts) -> None:
    """Learn what one entry of kind inspection, mark or alarm says; KeyError where it lacks something."""
    if row.kind == "inspection":
        _inspection(what, acts)
    elif row.kind == "mark":
        span = {"from_ns": _ns(what["from"]), "to_ns": _ns(what["to"])}
        acts.marks[what["mark"]] = {"zone": what["zone"], **span, "reason": row.why, "who": row.who}
    elif row.kind == "decision":
        acts.decisions += [
            (row.number, what["channel"], instant["taken_ns"], instant["value"], tuple(instant["seen"]))
            for instant in what["instants"]
        ]
    elif row.kind == "alarm":
        acts.alarms[what["alarm"]] = (what["is"], what["occurrence"])


def _inspection(what: Mapping[str, Any], acts: Acts) -> None:
    key = what["inspection"]
    if what["act"] == "add":
        body = {
            name: value for name, value in what.items() if name not in {"inspection", "act", "key", *COLUMNS}
        }
        acts.inspections[key] = {**{name: what[name] for name in COLUMNS}, "body": body}
    elif what["act"] == "stop":
        acts.inspections[key]["to_ns"] = _ns(what["to"])
    else:
        acts.unknown.add(key)


def check_acts(conn: Connection, acts: Acts) -> Iterator[str]:
    """A sentence for every row that does not say what its acts say, is missing, or has none."""
    jobs = {row["key"]: row for row in read_rows(conn, inspection)}
    for key in sorted((jobs.keys() | acts.inspections.keys()) - acts.unknown):
        if differs(jobs.get(key), acts.inspections.get(key)):
            yield f"inspection {key}: its row is missing, altered, or without its journal entry"
    marks = {row["id"]: row for row in read_rows(conn, mark)}
    for number in sorted(marks.keys() | acts.marks.keys()):
        if differs(marks.get(number), acts.marks.get(number)):
            yield f"mark {number}: its row is missing, altered, or without its journal entry"
    yield from _check_decisions(conn, acts)
    states = {row["key"]: (row["state"], _occurrence(row["body"])) for row in read_rows(conn, alarm)}
    for key in sorted(states.keys() | acts.alarms.keys()):
        if states.get(key) != acts.alarms.get(key, ("normal", 0)):
            yield f"alarm {key}: its state differs from that in the journal"


def _check_decisions(conn: Connection, acts: Acts) -> Iterator[str]:
    names = ("number", "channel", "taken_ns", "value", "seen")
    rows = [tuple(_still(row[name]) for name in names) for row in read_rows(conn, decision)]
    for decision_row in sorted(set(rows) ^ set(acts.decisions), key=repr):
        number, channel, *_ = decision_row
        yield f"decision {number} on {channel}: its row is missing, altered, or without its journal entry"
    in_order = sorted((row["id"], row["number"]) for row in read_rows(conn, decision))
    if [number for _, number in in_order] != sorted(number for _, number in in_order):
        yield "table decision: its rows are in another order than their journal entries"


def _still(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def _occurrence(body: Any) -> Any:
    return body.get("occurrence", 0) if isinstance(body, dict) else None


def _ns(text: str) -> int:
    try:
        return parse(text, UTC)
    except IntervalError as error:
        raise ValueError(str(error)) from error
