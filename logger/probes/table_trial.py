"""A probe tried by its table: any kind, also of a plug-in, polled some times as the service would poll it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import partial
from pathlib import Path
from typing import Any

from ..errors import ConfigError, Fault, ProbeError, Refused
from ..formats.toml import parsed, validated
from ..processes.deadline import Attempt, DeadlineExceeded
from ..units import QUANTITIES
from .bus import transact
from .clock import SystemClock
from .driver import ProbeDriver, Raw
from .plug_in import KindRefused, LineFacts, ProbeKind, TrialReport
from .registry import kind_named
from .wiring import drivers

POLLS = 3


def try_table(file: Path) -> TrialReport:
    """Polls the probes of a file with [probes.KEY.connection]; Refused with all faults of the file."""
    faults: list[Fault] = []
    try:
        source = parsed(file.name, file.read_text(encoding="utf-8-sig"), faults)
    except (OSError, UnicodeDecodeError) as error:
        raise Refused(f"{file}: expected a TOML file, found {error}.") from error
    probes = source.tables.get("probes", {}) if source else {}
    tables = {key: probe for key, probe in _tables(probes) if isinstance(probe.get("connection"), dict)}
    if source is None or not tables:
        faults = faults or [Fault(file.name, "", "", "a table [probes.KEY.connection]", "none")]
        raise ConfigError(faults)
    shown, answered = list[str](), False
    for key, probe in tables.items():
        raw = probe["connection"]
        name = str(raw.get("kind", "text"))
        where = ("probes", key, "connection")
        try:
            kind = kind_named(name)
            entry = validated(kind.table, raw, source, where, faults)
            if entry is not None:
                lines, came = _polled(_driver(kind, name, key, entry.value, probe))
                shown, answered = shown + lines, answered or came
        except KindRefused as refused:
            faults.append(Fault(file.name, ".".join(where), "kind", refused.expected, refused.found))
    if faults:
        raise ConfigError(faults)
    return TrialReport(tuple(shown), (), answered)


def _tables(probes: object) -> Iterator[tuple[str, dict[str, Any]]]:
    if isinstance(probes, dict):
        yield from ((key, probe) for key, probe in probes.items() if isinstance(probe, dict))


def _driver(kind: ProbeKind, name: str, key: str, table: Any, probe: Mapping[str, Any]) -> ProbeDriver:
    if kind.driver is None:
        raise KindRefused("a kind that is asked", f"{name!r}, whose probes send by themselves")
    channels = {value: f"{key}.{channel}" for value, channel in kind.values(table).items()}
    written = probe.get("channels", {})
    units = {
        f"{key}.{channel}": _unit(channel, written.get(channel)) for channel in kind.values(table).values()
    }
    facts = LineFacts(key, name, kind.bus(table), channels, serial=str(probe.get("serial", "")), units=units)
    line: Any = kind.line(table, facts)
    return drivers([line])[0]


def _unit(channel: str, table: object) -> str:
    """The unit of a channel: as written, else that in which its quantity is counted."""
    unit = table.get("unit") if isinstance(table, dict) else None
    return str(unit) if unit else QUANTITIES[channel].unit if channel in QUANTITIES else ""


def _polled(driver: ProbeDriver) -> tuple[list[str], bool]:
    """Lines of some polls, each with the deadline that the service gives it; whether any value came."""
    lines, answered, clock = list[str](), False, SystemClock()
    for _ in range(POLLS):
        attempt = Attempt(f"poll of {driver.probe}", partial(transact, driver, clock))
        if not attempt.wait(driver.deadline_s):
            late = f"{driver.probe}: no end within {driver.deadline_s:g} s (deadline_s): "
            lines.append(f"{late}the service would set it apart and try it again later.")
            return lines, answered  # whoever hangs holds its line; it is not closed under it
        try:
            rows = attempt.result()
        except (ProbeError, DeadlineExceeded) as lost:
            lines.append(f"{driver.probe}: {lost}")
            continue
        lines += [_line(row) for row in rows]
        answered = answered or any(row.status == "ok" for row in rows)
    driver.close()
    return lines, answered


def _line(row: Raw) -> str:
    value = "no value" if row.value is None else f"{row.value!r}"
    return f"  {row.channel} = {value} ({row.status}{f': {row.raw}' if row.raw else ''})"
