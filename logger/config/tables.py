"""All files of config/ as one set of checked tables; a faulty table is left out, its name kept."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from pydantic import BaseModel

from ..errors import Fault, UnitError
from ..formats.toml import Entry, Path, TomlFile, fault_at, nearest, parsed, validated
from ..probes.foreign import UnavailableTable
from ..probes.kinds import OWN
from ..probes.plug_in import KindRefused, ProbeKind
from ..probes.registry import kind_named
from . import notice_tables, schema
from .limits import COMMON_KEYS, Limit, is_limit_key, limit_of

Model = TypeVar("Model", bound=BaseModel)
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")
PLUG_INS = "plug-ins.toml"  # written by the program: see plug_ins
KINDS = ("room", "probes", "limits", "alarms", "service")
_HEADER_OF = {
    "zone": "zones",
    "position": "positions",
    "probe": "probes",
    "person": "people",
    "alarm": "alarms",
}


@dataclass(frozen=True)
class RuleEntry:
    """A rule's table with the limit that its keys state, and the defaults of its file."""

    entry: Entry[schema.RuleTable]
    limit: Limit
    defaults: schema.RuleDefaults


@dataclass(frozen=True)
class ConnectionEntry:
    """A connection's table with its kind, and what the kind says of it: values -> channels, and the bus.

    `kind` None: an approved setup has it, but it cannot be used here any more; the table says why.
    """

    entry: Entry[Any]
    name: str
    kind: ProbeKind | None
    values: Mapping[str, str] = field(default_factory=dict)
    bus: str = ""


@dataclass(frozen=True)
class CertificateEntry:
    """A certificate's head and its points."""

    entry: Entry[schema.CertificateFile]
    points: tuple[Entry[schema.PointTable], ...]
    as_found: tuple[Entry[schema.AsFoundTable], ...] = ()


@dataclass
class Tables:
    """What was read so far. `names` holds faulty tables too, so that references to them stay quiet."""

    faults: list[Fault] = field(default_factory=list)
    stored: bool = False  # texts that were approved: a kind of probe that is gone is no fault of theirs
    room: Entry[schema.RoomTable] | None = None
    zones: dict[str, Entry[schema.ZoneTable]] = field(default_factory=dict)
    bodies: dict[str, Entry[schema.BodyTable]] = field(default_factory=dict)  # "<zone>.<name>"
    positions: dict[str, Entry[schema.PositionTable]] = field(default_factory=dict)
    probes: dict[str, Entry[schema.ProbeTable]] = field(default_factory=dict)
    channels: dict[str, Entry[schema.ChannelTable]] = field(default_factory=dict)
    connections: dict[str, ConnectionEntry] = field(default_factory=dict)
    intervals_s: dict[str, float] = field(default_factory=dict)
    placements: list[Entry[schema.PlacementTable]] = field(default_factory=list)
    rules: dict[str, RuleEntry] = field(default_factory=dict)
    rule_defaults: list[Entry[schema.RuleDefaults]] = field(default_factory=list)
    routes: dict[str, Entry[Any]] = field(default_factory=dict)  # of notices, by mail and otherwise
    people: dict[str, Entry[notice_tables.PersonTable]] = field(default_factory=dict)
    notices: Entry[notice_tables.NoticesTable] | None = None
    alarms: dict[str, Entry[notice_tables.AlarmTable]] = field(default_factory=dict)
    backup: Entry[schema.BackupTable] | None = None
    retention: Entry[schema.RetentionTable] | None = None
    watch: Entry[schema.WatchTable] | None = None
    clock: Entry[schema.ClockTable] | None = None
    heartbeat: Entry[schema.HeartbeatTable] | None = None
    centre: Entry[schema.CentreTable] | None = None
    sign_in: Entry[schema.SignInTable] | None = None
    reviews: Entry[schema.ReviewsTable] | None = None
    records: Entry[schema.RecordsTable] | None = None
    api: Entry[schema.ApiTable] | None = None
    publish: Entry[schema.PublishTable] | None = None
    conditions: Entry[schema.ConditionsTable] | None = None
    certificates: list[CertificateEntry] = field(default_factory=list)
    uses: list[TomlFile] = field(
        default_factory=list
    )  # files that put a Digital Calibration Certificate in use
    names: dict[str, dict[str, str]] = field(default_factory=dict)  # kind -> name -> file

    def names_of(self, kind: str) -> list[str]:
        """All names of a kind, those of faulty tables too."""
        return list(self.names.get(kind, ()))


def read_tables(texts: Mapping[str, str], *, stored: bool = False) -> Tables:
    """Every file but the import profiles and what the program itself writes, in sorted order."""
    tables = Tables(stored=stored)
    names = set()
    read = (f for f in texts if not f.startswith("profiles/") and not f.endswith(".xml") and f != PLUG_INS)
    for file in sorted(read):
        kind = kind_of(file)
        if kind is None:
            expected = f"{', '.join(k + '.toml' for k in KINDS)}, certificates/*.toml or profiles/*.toml"
            tables.faults.append(Fault(file, "", "", expected, "a file of another name"))
        elif source := parsed(file, texts[file], tables.faults):
            _READERS[kind](tables, source)
        names.add(kind)
    for kind in ("room", "probes", "limits"):
        if kind not in names:
            tables.faults.append(Fault(f"{kind}.toml", "", "", "this file", "nothing"))
    return tables


def kind_of(file: str) -> str | None:
    """Which schema a file has, told by its name; room-annex.toml adds to room.toml.

    >>> kind_of("limits-2027.toml"), kind_of("certificates/AG-0411-T.toml"), kind_of("notes.toml")
    ('limits', 'certificates', None)
    """
    if file.startswith("certificates/"):
        return "certificates"
    stem = file.removesuffix(".toml")
    return next((k for k in KINDS if stem == k or stem.startswith(k + "-")), None)


def _read_room(tables: Tables, source: TomlFile) -> None:
    file = validated(schema.RoomFile, source.tables, source, (), tables.faults)
    if file is None:
        return
    if file.value.room is not None and claim(tables, source, "room", "room", ("room",)):
        tables.room = validated(schema.RoomTable, file.value.room, source, ("room",), tables.faults)
    zones = _named(tables, source, "zone", schema.ZoneTable, file.value.zones)
    tables.zones |= zones
    for zone, entry in zones.items():
        for name, raw in entry.value.bodies.items():
            where: Path = (*entry.path, "bodies", name)
            if body := validated(schema.BodyTable, raw, source, where, tables.faults):
                tables.bodies[f"{zone}.{name}"] = body
    positions = file.value.positions
    tables.positions |= _named(tables, source, "position", schema.PositionTable, positions)


def _read_probes(tables: Tables, source: TomlFile) -> None:
    file = validated(schema.ProbesFile, source.tables, source, (), tables.faults)
    if file is None:
        return
    probes = _named(tables, source, "probe", schema.ProbeTable, file.value.probes)
    tables.probes |= probes
    for key, probe in probes.items():
        _read_probe(tables, key, probe, file.value.sampling_interval_s or 60.0)
    for number, raw in enumerate(file.value.placements):
        where: Path = ("placements", number)
        if entry := validated(schema.PlacementTable, raw, source, where, tables.faults):
            tables.placements.append(entry)


def _read_probe(tables: Tables, key: str, probe: Entry[schema.ProbeTable], interval_s: float) -> None:
    tables.intervals_s[key] = probe.value.sampling_interval_s or interval_s
    path = (*probe.path, "channels")
    for name, raw in probe.value.channels.items():
        claim(tables, probe.source, "channel", f"{key}.{name}", (*path, name))
        if entry := validated(schema.ChannelTable, raw, probe.source, (*path, name), tables.faults):
            tables.channels[f"{key}.{name}"] = entry
    if probe.value.connection is not None:
        _read_connection(tables, key, probe, probe.value.connection)


def _read_connection(tables: Tables, key: str, probe: Entry[schema.ProbeTable], raw: schema.Tables) -> None:
    where, name = (*probe.path, "connection"), raw.get("kind", "text")
    faults: list[Fault] = []
    try:
        connection = _connection(str(name), raw, probe.source, where, faults)
    except KindRefused as refused:
        connection = None
        faults.append(fault_at(probe.source, (*where, "kind"), refused.expected, refused.found))
    if connection is not None:
        tables.connections[key] = connection
    elif tables.stored and str(name) not in OWN:
        gone = UnavailableTable(
            why="; ".join(f"{f.key}: expected {f.expected}, found {f.found}" for f in faults)
        )
        tables.connections[key] = ConnectionEntry(Entry(probe.source, where, gone), str(name), None)
    else:
        tables.faults += faults


def _connection(
    name: str, raw: schema.Tables, source: TomlFile, where: Path, faults: list[Fault]
) -> ConnectionEntry | None:
    kind = kind_named(name)
    entry = validated(kind.table, raw, source, where, faults)
    if entry is None:
        return None
    values, bus = kind.values(entry.value), kind.bus(entry.value)
    texts = isinstance(values, Mapping) and all(isinstance(t, str) for pair in values.items() for t in pair)
    if not (texts and values and isinstance(bus, str) and bus):
        raise KindRefused(f"kind {name!r} to name its values and its bus", f"{values!r} and {bus!r}")
    return ConnectionEntry(entry, name, kind, values, bus)


def _read_limits(tables: Tables, source: TomlFile) -> None:
    file = validated(schema.LimitsFile, source.tables, source, (), tables.faults)
    if file is None:
        return
    defaults = validated(schema.RuleDefaults, file.value.defaults, source, ("defaults",), tables.faults)
    tables.rule_defaults += [defaults] if defaults else []
    for zone, rules in file.value.rules.items():
        if not isinstance(rules, dict):
            expected = "tables [rules.<zone>.<name>]"
            tables.faults.append(fault_at(source, ("rules", zone), expected, repr(rules)))
            continue
        for name, raw in rules.items():
            path: Path = ("rules", zone, name)
            if claim(tables, source, "rule", f"{zone}.{name}", path) and (
                rule := _rule(tables, source, path, raw, defaults)
            ):
                tables.rules[f"{zone}.{name}"] = rule


def _rule(
    tables: Tables, source: TomlFile, path: Path, raw: Any, defaults: Entry[schema.RuleDefaults] | None
) -> RuleEntry | None:
    limits = {k: v for k, v in raw.items() if is_limit_key(k)} if isinstance(raw, dict) else {}
    rest = {k: v for k, v in raw.items() if k not in limits} if isinstance(raw, dict) else raw
    entry = validated(schema.RuleTable, rest, source, path, tables.faults, more_keys=COMMON_KEYS)
    misspelt = (
        not limits and isinstance(rest, dict) and not rest.keys() <= schema.RuleTable.model_fields.keys()
    )
    # An unknown key is told already; it may well be the limit.
    limit = None if misspelt else _limit(tables, source, path, limits, rest)
    if entry is None or limit is None:
        return None
    return RuleEntry(entry, limit, defaults.value if defaults else schema.RuleDefaults())


def _limit(
    tables: Tables, source: TomlFile, path: Path, limits: Mapping[str, Any], rest: Any
) -> Limit | None:
    wrong = [k for k, v in limits.items() if not _is_number(v)]
    tables.faults += [fault_at(source, (*path, k), "a finite number", repr(limits[k])) for k in wrong]
    if wrong or not isinstance(rest, dict):
        return None
    quantity = rest.get("quantity")
    try:
        return limit_of(limits, quantity if isinstance(quantity, str) else None)
    except (ValueError, UnitError) as error:
        expected = f"the limit of one kind, by keys such as {', '.join(COMMON_KEYS[:2])} or span_1h_K"
        tables.faults.append(fault_at(source, (*path, next(iter(limits), "")), expected, str(error)))
        return None


def _is_number(value: object) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return abs(value) < 1e12  # false for NaN and infinity as well


def _read_alarms(tables: Tables, source: TomlFile) -> None:
    file = validated(notice_tables.AlarmsFile, source.tables, source, (), tables.faults)
    if file is None:
        return
    for header, model in notice_tables.ROUTES.items():
        for name, table in getattr(file.value, header).items():
            path: Path = (header, name)
            if not claim(tables, source, "route", name, path):
                continue
            if entry := validated(model, table, source, path, tables.faults):
                tables.routes[name] = entry
    tables.people |= _named(tables, source, "person", notice_tables.PersonTable, file.value.people)
    tables.alarms |= _named(tables, source, "alarm", notice_tables.AlarmTable, file.value.alarms)
    plan = file.value.notices
    if plan is not None and claim(tables, source, "notices", "notices", ("notices",)):
        tables.notices = validated(notice_tables.NoticesTable, plan, source, ("notices",), tables.faults)


# Each table of service.toml, read into the attribute of `Tables` with its name.
SECTIONS: Mapping[str, type[BaseModel]] = {
    "backup": schema.BackupTable,
    "retention": schema.RetentionTable,
    "watch": schema.WatchTable,
    "clock": schema.ClockTable,
    "heartbeat": schema.HeartbeatTable,
    "centre": schema.CentreTable,
    "sign_in": schema.SignInTable,
    "reviews": schema.ReviewsTable,
    "records": schema.RecordsTable,
    "api": schema.ApiTable,
    "publish": schema.PublishTable,
    "conditions": schema.ConditionsTable,
}


def _read_service(tables: Tables, source: TomlFile) -> None:
    file = validated(schema.ServiceFile, source.tables, source, (), tables.faults)
    if file is None:
        return
    for name, model in SECTIONS.items():
        raw = getattr(file.value, name)
        if raw is not None and claim(tables, source, name, name, (name,)):
            setattr(tables, name, validated(model, raw, source, (name,), tables.faults))


def _read_certificate(tables: Tables, source: TomlFile) -> None:
    if "dcc" in source.tables:
        tables.uses.append(source)  # read when all probes are known
        return
    head = validated(schema.CertificateFile, source.tables, source, (), tables.faults)
    points = _listed(tables, source, "points", schema.PointTable)
    as_found = _listed(tables, source, "as_found", schema.AsFoundTable)
    if head and claim(tables, source, "certificate", head.value.number, ("number",)):
        tables.certificates.append(CertificateEntry(head, points, as_found))


def _listed(tables: Tables, source: TomlFile, name: str, model: type[Model]) -> tuple[Entry[Model], ...]:
    """The tables of an array such as [[points]]; a faulty one is left out."""
    raw = source.tables.get(name)
    each = enumerate(raw if isinstance(raw, list) else ())
    entries = [validated(model, table, source, (name, number), tables.faults) for number, table in each]
    return tuple(entry for entry in entries if entry)


_READERS = {
    "room": _read_room,
    "probes": _read_probes,
    "limits": _read_limits,
    "alarms": _read_alarms,
    "service": _read_service,
    "certificates": _read_certificate,
}


def _named(
    tables: Tables, source: TomlFile, kind: str, model: type[Model], raw: Mapping[str, Any]
) -> dict[str, Entry[Model]]:
    """The tables below [zones], [positions] and so on, by their names."""
    entries = {}
    for name, table in raw.items():
        path = (_HEADER_OF[kind], name)
        if not claim(tables, source, kind, name, path):
            continue
        if entry := validated(model, table, source, path, tables.faults):
            entries[name] = entry
    return entries


def claim(tables: Tables, source: TomlFile, kind: str, name: str, path: Path) -> bool:
    """Whether the name is free; TOML itself refuses a second one in the same file."""
    names = tables.names.setdefault(kind, {})
    if name in names:
        expected = f"a {kind} name that is used once"
        tables.faults.append(fault_at(source, path, expected, f"{name!r}, which is in {names[name]} too"))
        return False
    names[name] = source.file
    if kind not in ("certificate", "channel", "rule") and not _NAME.fullmatch(name):
        expected = f"a {kind} name of letters, digits, - and _"
        tables.faults.append(fault_at(source, path, expected, repr(name)))
    return True


def unknown(entry: Entry[Any], key: str, name: str, names: list[str], kind: str) -> Fault:
    """The fault of a reference to a thing that is not there."""
    return entry.fault(key, nearest(name, names).replace("name", kind, 1), f"{name!r}")
