"""Readings that come by themselves, stored exactly once: MQTT, HTTP push, and rows of other nodes.

What is acknowledged is on the disk. The same message again stores nothing; a number that comes again
with other content is refused. While this machine's clock is unsure it is no judge of a message's own time,
and what it stamps itself waits for its correction. The HTTP interface calls these two, and answers when they
return:

    push        one message of a device, JSON or SenML, by its node's name and a number of the node's own
    take_rows   rows of another stillroom, by its name and the number of the first
"""

from __future__ import annotations

import hashlib
import re
import time
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from sqlalchemy import Connection, select

from ..errors import Refused, UnitError, UnknownName
from ..formats.senml import UNITS
from ..instants import NS
from ..model import Config, MqttTopic, PushedLine, Row, Setup
from ..probes.clock import boot_id
from ..probes.messages import MOST_SECONDS, BadMessage, MessageValue, ParsedMessage, parse_message
from ..probes.mqtt import BrokerMessage
from ..series import STATUS
from ..store import Store
from ..store.hot import tables
from ..store.hot.clocks import OURS, UNSURE, ClockComparison
from ..units import unit_name

COMPARED_EVERY_NS = 6 * 3600 * NS  # a clock that keeps its offset is noted so often
MOVED_NS = 2 * NS  # one that does not, at once
AHEAD_NS = 30 * NS
EARLIEST_NS = 946_684_800 * NS  # 2000-01-01: what a device stamps earlier is the start of a clock never set
LATEST_NS = MOST_SECONDS * NS  # what is stored are 64 bits
FIELDS = (
    "channel",
    "taken_ns",
    "received_ns",
    "value",
    "status",
    "raw",
    "source",
    "late",
    "boot",
    "monotonic_ns",
)


class Duplicate(Refused):
    """A number that came before with other content; it stays as it was (an HTTP interface says 409)."""


@dataclass(frozen=True)
class Accepted:
    """Outcome of a message: rows stored, values stored before, whether the message is a repeat."""

    stored: int
    known: int
    repeated: bool = False


def push(  # noqa: PLR0917 (who, which, what, when: as they stand in the request)
    store: Store, config: Config, node: str, seq: int, payload: bytes, now_ns: int | None = None
) -> Accepted:
    """Store one message of a node. Refused: an unknown node, a message that cannot be read, `Duplicate`.

    `seq`: a number of the node's own, larger for each message; gaps do not matter. On the disk on return.
    """
    now_ns = time.time_ns() if now_ns is None else now_ns
    lines = _lines_of(config, node)
    sha = hashlib.sha256(payload).hexdigest()
    sure = boot_id() not in store.clocks.unsure_boots()
    rows, clock_ns = _read(config.setup, lines, payload, now_ns, "push", sure)
    with store.begin() as conn:
        if _is_delivered(conn, node, seq, sha):
            return Accepted(0, len(rows), repeated=True)
        accepted = _store_new(store, conn, f"push:{node}", rows)
        conn.execute(tables.delivery.insert().values(node=node, seq=seq, sha256=sha, at_ns=now_ns))
        for line in lines if sure else ():
            _note_comparison(store, conn, line.probe, clock_ns, now_ns)
    return accepted


def take_rows(  # noqa: PLR0917 (who, of which record, from where, what, when)
    store: Store,
    config: Config,
    node: str,
    record: str,
    first: int,
    rows: Sequence[Sequence[Any]],
    now_ns: int | None = None,
) -> int:
    """Store rows of another stillroom's record, numbered from `first`; gives the number expected next.

    Rows that are there already are passed over; where some are missing before `first` nothing is stored, and
    the number is where to go on. Each row has the fields of `FIELDS`; Refused where one has not. What was
    taken at once there and comes late here is late: nobody was waiting for it at its instant.
    """
    now_ns = time.time_ns() if now_ns is None else now_ns
    allowed = {c: _late_ns(line) for line in _lines_of(config, node) for c in line.channels.values()}
    parsed = [_row(fields, allowed) for fields in rows]
    parsed = [replace(r, late=r.late or now_ns - r.taken_ns > allowed[r.channel]) for r in parsed]
    if not re.fullmatch("[0-9a-f]{32}", record):
        raise Refused(f"Key of the node's record: expected 32 hexadecimal digits, found {record[:40]!r}.")
    writer = f"node:{node}:{record[:12]}"  # another record of the same node counts from 1 again
    with store.begin() as conn:
        next_seq = store.hot.next_seq(conn, writer)
        fresh = parsed[next_seq - first :] if first <= next_seq else []
        store.append(writer, fresh, conn)
        return next_seq + len(fresh)


def store_messages(store: Store, config: Config, messages: Sequence[BrokerMessage], event: Any) -> None:
    """Store messages of a broker; one that cannot be read is an event, and is not requested again."""
    rows: list[Row] = []
    clocks: list[tuple[str, int, int]] = []
    sure = boot_id() not in store.clocks.unsure_boots()
    for message in messages:
        try:
            message_rows, clock_ns = _read(
                config.setup, message.topics, message.payload, message.at_ns, "mqtt", sure
            )
        except Refused as refused:
            topic = message.topics[0].topic
            event(
                "message-refused", {"url": message.topics[0].url, "topic": topic, "why": str(refused)[:200]}
            )
            continue
        rows += message_rows
        clocks += [(t.probe, clock_ns, message.at_ns) for t in message.topics if clock_ns is not None]
    with store.begin() as conn:
        _store_new(store, conn, "mqtt", rows)
        for probe, clock_ns, at_ns in clocks if sure else ():
            _note_comparison(store, conn, probe, clock_ns, at_ns)


def _lines_of(config: Config, node: str) -> list[PushedLine]:
    lines = [line for line in config.lines if isinstance(line, PushedLine)]
    mine = [line for line in lines if line.node == node]
    if not mine:
        raise UnknownName("node", node, {line.node for line in lines})
    return mine


def _read(  # noqa: PLR0917 (what is said, when, by which way)
    setup: Setup, lines: Sequence[PushedLine | MqttTopic], payload: bytes, now_ns: int, way: str, sure: bool
) -> tuple[list[Row], int | None]:
    """Rows of all lines that a message may speak of, and what the clock of the node showed.

    `sure`: whether this machine's clock is, which `now_ns` is read from.
    """
    readings: list[Row] = []
    clocks: list[int] = []
    faults: list[str] = []
    for line in lines:
        try:
            parsed = parse_message(payload, line.message, line.channels, now_ns)
        except BadMessage as bad:
            faults.append(f"probe {line.probe}: {bad}")
            continue
        readings += _rows(setup, line, parsed, now_ns, way, sure)
        clocks += [parsed.clock_ns] if parsed.clock_ns is not None else []
    if not readings:
        raise Refused(f"The message cannot be read; nothing of it was stored. {'; '.join(faults)}.")
    return readings, clocks[-1] if clocks else None


def _rows(  # noqa: PLR0917 (as above)
    setup: Setup, line: PushedLine | MqttTopic, parsed: ParsedMessage, now_ns: int, way: str, sure: bool
) -> list[Row]:
    rows = []
    for value in parsed.values:
        channel = line.channels[value.name]
        _fits(setup, channel, value)
        taken_ns = (
            now_ns if value.taken_ns is None else _own_time(value, parsed.clock_ns, now_ns if sure else None)
        )
        row = Row(channel, taken_ns, now_ns, value.value, "ok" if value.value is not None else "sensor-fault")
        age_ns = (parsed.clock_ns or now_ns) - taken_ns
        source = way if value.taken_ns is not None else f"{way} on arrival" if sure else UNSURE
        rows.append(replace(row, raw=value.raw, source=source, late=age_ns > _late_ns(line), **_here()))
    return rows


def _own_time(value: MessageValue, clock_ns: int | None, now_ns: int | None) -> int:
    """Judged by the probe's clock where it sent its time; else by ours, where that is sure."""
    taken_ns = value.taken_ns or 0
    judged_by = now_ns if clock_ns is None else clock_ns
    if judged_by is not None and taken_ns > judged_by + AHEAD_NS:
        raise Refused(f"{value.name}: its time is more than 30 s in the future. Check its clock.")
    if taken_ns >= LATEST_NS:
        raise Refused(f"{value.name}: its time is after the year 2242. Set its clock.")
    if taken_ns < EARLIEST_NS:
        raise Refused(f"{value.name}: its time is before the year 2000. Set its clock.")
    return taken_ns


def _late_ns(line: PushedLine | MqttTopic) -> int:
    return 2 * round(line.interval_s * NS)


def _fits(setup: Setup, channel: str, value: MessageValue) -> None:
    """SenML names its units: another one than the channel's would be a wrong number under a right name."""
    expected = setup.channels[channel].unit
    if value.unit and unit_name(UNITS.get(value.unit, value.unit)) != unit_name(expected):
        raise UnitError(
            f"{value.name}: expected {expected}, as channel {channel} has it; found {value.unit!r}."
        )


def _here() -> dict[str, Any]:
    return {"boot": boot_id(), "monotonic_ns": time.monotonic_ns()}


def _is_delivered(conn: Connection, node: str, seq: int, sha: str) -> bool:
    t = tables.delivery
    stored_sha = conn.execute(select(t.c.sha256).where(t.c.node == node, t.c.seq == seq)).scalar()
    if stored_sha is not None and stored_sha != sha:
        raise Duplicate(
            f"Message {seq} of {node} was received before with other content; nothing was stored."
        )
    return stored_sha is not None


def _store_new(store: Store, conn: Connection, writer: str, rows: Sequence[Row]) -> Accepted:
    """Store what is new by channel, stamp and value; another value at one stamp is stored beside it."""
    fresh: dict[tuple[str, int, float | None], Row] = {}
    for row in rows:
        own_time = row.source not in OURS
        if own_time and _is_stored(store, row):
            continue
        fresh[row.channel, row.taken_ns, row.value] = row
    store.append(writer, list(fresh.values()), conn)
    return Accepted(len(fresh), len(rows) - len(fresh))


def _is_stored(store: Store, row: Row) -> bool:
    """Whether a value, or a fault, is stored at that stamp already."""
    values = store.readings.columns(row.channel, row.taken_ns, row.taken_ns + 1).value
    if row.value is None:
        return bool(np.isnan(values).any())
    return row.value in values.tolist()


def _note_comparison(store: Store, conn: Connection, probe: str, clock_ns: int | None, now_ns: int) -> None:
    """Note by how much a probe's clock is ahead, in ns: at first, when that changed, and every six hours."""
    if clock_ns is None:
        return
    comparisons = store.clocks.comparisons(probe)
    offset_ns = clock_ns - now_ns
    last = comparisons[-1] if comparisons else None
    if last and abs(offset_ns - last.offset_ns) < MOVED_NS and clock_ns - last.clock_ns < COMPARED_EVERY_NS:
        return
    store.clocks.record_comparison(
        ClockComparison(probe, clock_ns, offset_ns), "stillroom", "given with its readings", conn
    )


def _row(values: Sequence[Any], allowed: Collection[str]) -> Row:
    fields: Mapping[str, Any] = dict(zip(FIELDS, values, strict=False))
    types = {"channel": str, "taken_ns": int, "received_ns": int, "status": str, "raw": str, "source": str,
              "late": bool, "boot": str, "monotonic_ns": int}  # fmt: skip
    sound = len(values) == len(FIELDS) and all(type(fields[name]) is kind for name, kind in types.items())
    sound = sound and all(abs(fields[name]) < 2**63 for name, kind in types.items() if kind is int)
    if not sound or fields["status"] not in STATUS or not _is_value(fields["value"]):
        raise Refused(
            f"Row: expected {', '.join(FIELDS)}, found {str(list(values))[:120]}. Nothing was stored."
        )
    if fields["channel"] not in allowed:
        raise UnknownName("channel of this node", fields["channel"], allowed)
    return Row(**fields)


def _is_value(value: Any) -> bool:
    return value is None or (type(value) in (int, float) and abs(value) < 1e300)
