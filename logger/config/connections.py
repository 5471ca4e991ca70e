"""Checked connection tables to the model, and what no single key of them can tell."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from ..errors import Fault
from ..formats.toml import Entry
from ..model import Line, MqttTopic, PushedLine
from ..probes.plug_in import KindRefused, LineFacts, plugin_line
from ..probes.wiring import clashes
from .tables import ConnectionEntry, Tables, unknown


def lines_of(tables: Tables) -> tuple[Line, ...]:
    """How each connected probe is reached, in the order of the files."""
    return tuple(_line(key, tables) for key in tables.connections if key in tables.probes)


def _line(key: str, tables: Tables) -> Line:
    connection = tables.connections[key]
    names = connection.values
    if connection.kind is None:  # nobody can say which of its channels it would read
        names = {name: name for name in tables.probes[key].value.channels}
    channels = {name: f"{key}.{channel}" for name, channel in names.items()}
    facts = LineFacts(
        probe=key,
        kind=connection.name,
        bus=connection.bus or f"unavailable:{key}",
        channels=channels,
        interval_s=tables.intervals_s[key],
        serial=tables.probes[key].value.serial,
        units={c: tables.channels[c].value.unit for c in channels.values() if c in tables.channels},
    )
    make = plugin_line if connection.kind is None else connection.kind.line
    return make(connection.entry.value, facts)


def connection_faults(tables: Tables) -> Iterator[Fault]:
    """Names that are no channels, patterns that are none, blocks that no request can read."""
    for key, connection in tables.connections.items():
        if connection.kind is None:
            continue
        yield from _names(tables, key, connection)
        try:
            faults = list(connection.kind.faults(connection.entry.value))
        except KindRefused as refused:
            faults = [("kind", refused.expected, refused.found)]
        yield from (connection.entry.fault(*fault) for fault in faults)
    if not tables.faults:
        yield from _shared(tables)


def _shared(tables: Tables) -> Iterator[Fault]:
    """Lines that several probes share, and names that probes of one node share."""
    lines = lines_of(tables)
    for probe, key, expected, clash in clashes(lines):
        entry: Entry[Any] = (
            tables.probes[probe] if key == "sampling_interval_s" else tables.connections[probe].entry
        )
        yield entry.fault(key, expected, clash)
    first_of: dict[tuple[str, str], str] = {}
    for line in (line for line in lines if isinstance(line, PushedLine | MqttTopic)):
        place = line.node if isinstance(line, PushedLine) else f"{line.url}/{line.topic}"
        for name in line.channels:
            if (other := first_of.setdefault((place, name), line.probe)) != line.probe:
                expected = f"names of its own in what {place} sends"
                yield tables.connections[line.probe].entry.fault(
                    "values", expected, f"{name!r}, which is {other}'s too"
                )


def _names(tables: Tables, key: str, connection: ConnectionEntry) -> Iterator[Fault]:
    channels = [c.rsplit(".", 1)[1] for c in tables.names_of("channel") if c.startswith(f"{key}.")]
    at = connection.kind.names_at if connection.kind else ""
    for name, channel in connection.values.items():
        if channel not in channels:
            yield unknown(connection.entry, at or f"values.{name}", channel, channels, "channel")
