"""The list of configuration keys: `python -m logger.config.reference > docs/configuration.md`.

Keys, types, bounds and defaults come from the tables that read the files; the meaning of each key from
key_descriptions. A key without a description is an error.
"""

from __future__ import annotations

import types
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from ..imports import profile_file
from ..probes import connection_tables as wires
from ..probes.bacnet import BacnetTable
from ..probes.opc_ua import OpcUaTable
from ..probes.snmp import SnmpObjectTable, SnmpTable
from ..store import store_file
from . import notice_tables as notices
from . import schema
from .key_descriptions import DESCRIPTIONS
from .limits import COMMON_KEYS


@dataclass(frozen=True)
class KeyTable:
    """One table of the reference: its name in DESCRIPTIONS, its heading, and the class that reads it."""

    name: str
    heading: str
    model: type[BaseModel]


# File by file, as docs/configuration.md lists them.
TABLES: dict[str, tuple[KeyTable, ...]] = {
    "room.toml": (
        KeyTable("room", "[room]", schema.RoomTable),
        KeyTable("zones", "[zones.KEY]", schema.ZoneTable),
        KeyTable("bodies", "[zones.KEY.bodies.KEY]", schema.BodyTable),
        KeyTable("positions", "[positions.KEY]", schema.PositionTable),
    ),
    "probes.toml": (
        KeyTable("probes file", "above all tables", schema.ProbesFile),
        KeyTable("probes", "[probes.KEY]", schema.ProbeTable),
        KeyTable("channels", "[probes.KEY.channels.NAME]", schema.ChannelTable),
        KeyTable("placements", "[[placements]]", schema.PlacementTable),
        KeyTable("text", '[probes.KEY.connection], kind = "text"', wires.TextLineTable),
        KeyTable("scpi", '[probes.KEY.connection], kind = "scpi"', wires.ScpiTable),
        KeyTable("sdi-12", '[probes.KEY.connection], kind = "sdi-12"', wires.Sdi12Table),
        KeyTable("modbus", '[probes.KEY.connection], kind = "modbus"', wires.ModbusTable),
        KeyTable("register", "registers of modbus, and identity", wires.RegisterTable),
        KeyTable("one-wire", '[probes.KEY.connection], kind = "one-wire"', wires.OneWireTable),
        KeyTable("command probe", '[probes.KEY.connection], kind = "command"', wires.CommandTable),
        KeyTable("mqtt", '[probes.KEY.connection], kind = "mqtt"', wires.MqttTable),
        KeyTable("push", '[probes.KEY.connection], kind = "push"', wires.PushTable),
        KeyTable("opc-ua", '[probes.KEY.connection], kind = "opc-ua"', OpcUaTable),
        KeyTable("snmp", '[probes.KEY.connection], kind = "snmp"', SnmpTable),
        KeyTable("snmp object", "oids of snmp", SnmpObjectTable),
        KeyTable("bacnet", '[probes.KEY.connection], kind = "bacnet"', BacnetTable),
    ),
    "limits.toml": (
        KeyTable("defaults", "[defaults]", schema.RuleDefaults),
        KeyTable("rules", "[rules.ZONE.NAME]", schema.RuleTable),
    ),
    "alarms.toml": (
        KeyTable("alarms", "[alarms.KEY]", notices.AlarmTable),
        KeyTable("mail", "[mail.KEY]", notices.MailTable),
        KeyTable("webhook", "[webhook.KEY]", notices.WebhookTable),
        KeyTable("command", "[command.KEY]", notices.CommandRouteTable),
        KeyTable("chat", "[chat.KEY]", notices.ChatTable),
        KeyTable("people", "[people.KEY]", notices.PersonTable),
        KeyTable("duty", "[duty.KEY]", notices.DutyTable),
        KeyTable("shifts", "shifts of a duty calendar", notices.ShiftTable),
        KeyTable("away", "away of a duty calendar", notices.AwayTable),
        KeyTable("notices", "[notices]", notices.NoticesTable),
    ),
    "service.toml": (
        KeyTable("backup", "[backup]", schema.BackupTable),
        KeyTable("retention", "[retention]", schema.RetentionTable),
        KeyTable("watch", "[watch]", schema.WatchTable),
        KeyTable("clock", "[clock]", schema.ClockTable),
        KeyTable("heartbeat", "[heartbeat]", schema.HeartbeatTable),
        KeyTable("centre", "[centre]", schema.CentreTable),
        KeyTable("sign_in", "[sign_in]", schema.SignInTable),
        KeyTable("api", "[api]", schema.ApiTable),
        KeyTable("publish", "[publish]", schema.PublishTable),
        KeyTable("reviews", "[reviews]", schema.ReviewsTable),
        KeyTable("records", "[records]", schema.RecordsTable),
        KeyTable("conditions", "[conditions]", schema.ConditionsTable),
    ),
    "certificates/*.toml": (
        KeyTable("certificate", "above all tables", schema.CertificateFile),
        KeyTable("points", "[[points]]", schema.PointTable),
        KeyTable("polynomial", "polynomial", schema.PolynomialTable),
        KeyTable("as_found", "[[as_found]]", schema.AsFoundTable),
        KeyTable("dcc", "above all tables, beside a DCC (XML)", schema.DccFile),
        KeyTable("use", "[[use]], beside a DCC (XML)", schema.UseTable),
    ),
    "profiles/*.toml": (
        KeyTable("profile", "above all tables", profile_file.ProfileFile),
        KeyTable("time", "[time]", profile_file.ProfileTimeTable),
        KeyTable("time zones", "[[time.zones]]", profile_file.ProfileZoneTable),
        KeyTable("columns", "[[columns]]", profile_file.ProfileColumnTable),
    ),
    "store.toml": (
        KeyTable("hot", "[hot]", store_file.HotTable),
        KeyTable("archive", "[archive]", store_file.ArchiveTable),
    ),
}

_HEAD = """# Configuration

Written by `python -m logger.config.reference > docs/configuration.md` from the classes that read the
files; a test compares both.

A configuration is a folder of TOML files. `stillroom config export --out config` writes a complete,
commented example; `stillroom config check --config config` lists all faults of all files at once. A
key that no table has is a fault. Keys carry their unit. A day or time without an offset is local to
the room. Words in capitals (KEY, ZONE, NAME) are names of your own choice.
"""

_LIMIT_KEYS = """A rule has one limit besides these keys. The key of the limit says its kind, window and unit:
{keys}. Other windows (`span_10min_K`) and other units (`upper_ppm`, `upper_m_per_s`, `upper_lx`) follow
the same pattern.
"""

_STORE = """This file is in the data folder, not in the configuration: it says where those parts of the
record are that are not in that folder. `stillroom store` writes it; without it everything is in the folder.
"""

# The longest suffix that fits a key is its unit.
_UNITS = (
    ("_percent_RH", "%RH"), ("_K_per_h", "K/h"), ("_K_per_m", "K/m"), ("_degC", "°C"), ("_days", "d"),
    ("_min", "min"), ("_hPa", "hPa"), ("_ppm", "ppm"), ("_GB", "GB"), ("_dew_point_K", "K"), ("_s", "s"),
    ("_m", "m"), ("_h", "h"), ("_K", "K"),
)  # fmt: skip
_WORDS: dict[Any, str] = {
    str: "text",
    int: "whole number",
    float: "number",
    bool: "`true` or `false`",
    date: "day",
    datetime: "time",
}

_LISTS = {
    "text": "list of texts",
    "number": "list of numbers",
    "day": "list of days",
    "table": "list of tables",
}


def configuration_reference() -> str:
    """The page docs/configuration.md."""
    return "\n".join([_HEAD, *(_file(name, tables) for name, tables in TABLES.items())])


def keys_of(model: type[BaseModel]) -> Iterator[tuple[str, FieldInfo]]:
    """Every key of a table as it is written in the file, with its definition."""
    for name, field in model.model_fields.items():
        yield field.alias or name, field


def _file(name: str, tables: Iterable[KeyTable]) -> str:
    about = {"limits.toml": _LIMIT_KEYS.format(keys=_wrapped_keys()), "store.toml": _STORE}
    lead = [about[name]] if name in about else []
    return "\n".join([f"## {name}", "", *lead, *(_table(name, table) for table in tables)])


def _wrapped_keys() -> str:
    return ",\n".join(
        ", ".join(f"`{key}`" for key in COMMON_KEYS[n : n + 4]) for n in range(0, len(COMMON_KEYS), 4)
    )


def _table(file: str, table: KeyTable) -> str:
    rows = [_row(DESCRIPTIONS[table.name][key], key, field) for key, field in keys_of(table.model)]
    heading = f"### {file}: {table.heading}"
    head = ["| key | value | unit | default | meaning |", "|---|---|---|---|---|"]
    return "\n".join([heading, "", *head, *rows, ""])


def _row(meaning: str, key: str, field: FieldInfo) -> str:
    cells = (f"`{key}`", _value(field.annotation, field.metadata), _unit(key), _default(field), meaning)
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def _unit(key: str) -> str:
    return next((unit for suffix, unit in _UNITS if key.endswith(suffix)), "")


def _default(field: FieldInfo) -> str:
    """The default as written in TOML; "required" where the key must be there."""
    if field.is_required():
        return "required"
    default = field.default
    if default in (None, "", [], (), {}) or (isinstance(default, list) and len(default) > 8):
        return "none" if not default else "see meaning"
    if isinstance(default, bool):
        return f"`{str(default).lower()}`"
    if isinstance(default, str | list):
        return f"`{default!r}`".replace("'", '"')
    return f"`{default:g}`"


def _value(annotation: Any, metadata: Iterable[Any] = ()) -> str:
    """What may be entered, in words, with its bounds."""
    origin, inside = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        return _value(inside[0], inside[1:])
    if origin is Literal:
        return " or ".join(
            f"`{choice!r}`".replace("'", '"') if choice != "'" else '`"\'"`' for choice in inside
        )
    if origin in (Union, types.UnionType):
        words = [_value(part, metadata) for part in inside if part is not type(None)]
        return " or ".join(dict.fromkeys(words))
    return _container(origin, inside) or _WORDS.get(annotation, "table") + _bounds(metadata)


def _container(origin: Any, inside: tuple[Any, ...]) -> str:
    if origin in (list, tuple):
        return (
            _LISTS.get(_value(inside[0]), f"list of {_value(inside[0])}") if inside[0] is not Any else "list"
        )
    if origin is dict:
        return "table"
    return ""


def _bounds(metadata: Iterable[Any]) -> str:
    """Bounds of a number: ", > 0"; nothing for other values."""
    signs = (("gt", ">"), ("ge", "≥"), ("lt", "<"), ("le", "≤"))
    bounds = [
        f"{sign} {bound:g}"
        for part in metadata
        for item in (part.metadata if isinstance(part, FieldInfo) else (part,))
        for name, sign in signs
        if (bound := getattr(item, name, None)) is not None
    ]
    return ", " + ", ".join(bounds) if bounds else ""


if __name__ == "__main__":
    print(configuration_reference(), end="")
