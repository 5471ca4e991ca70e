"""The vocabulary of all rooms: plain frozen data, no behaviour but look-ups.

Instants are int64 nanoseconds since 1970-01-01T00:00Z (`_ns`); intervals are half-open;
`None` as an end means "still". Values are in the canonical unit of their quantity
(`units.py`); differences of temperature are in K.

Each name is imported at its first use: the child that reads files needs one class of them all.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .certificates import AsFound, Certificate, Polynomial
    from .lines import (
        AsciiLine,
        CommandLine,
        Line,
        Message,
        ModbusLine,
        MqttTopic,
        OneWire,
        PluginLine,
        PolledLine,
        PushedLine,
        Register,
        Sdi12Line,
    )
    from .notices import (
        Away,
        ChatRoute,
        CommandRoute,
        CommonCause,
        Duty,
        MailRoute,
        NoticePlan,
        Person,
        Route,
        Shift,
        TemperatureUnit,
        WebhookRoute,
    )
    from .outcome import Excursion, Period, RuleState
    from .plate import Plate
    from .room import Channel, HoursOfUse, Placement, Position, Probe, Room, ThermalBody, Zone
    from .setup import AlarmSpec, Correction, Mark, Rule, Settings, Setup
    from .wire import (
        ApiPlan,
        BackupPlan,
        CentrePlan,
        ConditionsPlan,
        Config,
        Heartbeat,
        Inspection,
        PublishPlan,
        Row,
        SessionPlan,
        WatchPlan,
    )
    from .words import (
        DERIVED,
        MEDIA,
        REASONS,
        SURFACES,
        VERDICT_OF,
        Conformity,
        Quality,
        Reason,
        RuleKind,
        Status,
        Verdict,
    )

__all__ = [
    "DERIVED",
    "MEDIA",
    "REASONS",
    "SURFACES",
    "VERDICT_OF",
    "AlarmSpec",
    "ApiPlan",
    "AsFound",
    "AsciiLine",
    "Away",
    "BackupPlan",
    "CentrePlan",
    "Certificate",
    "Channel",
    "ChatRoute",
    "CommandLine",
    "CommandRoute",
    "CommonCause",
    "ConditionsPlan",
    "Config",
    "Conformity",
    "Correction",
    "Duty",
    "Excursion",
    "Heartbeat",
    "HoursOfUse",
    "Inspection",
    "Line",
    "MailRoute",
    "Mark",
    "Message",
    "ModbusLine",
    "MqttTopic",
    "NoticePlan",
    "OneWire",
    "Period",
    "Person",
    "Placement",
    "Plate",
    "PluginLine",
    "PolledLine",
    "Polynomial",
    "Position",
    "Probe",
    "PublishPlan",
    "PushedLine",
    "Quality",
    "Reason",
    "Register",
    "Room",
    "Route",
    "Row",
    "Rule",
    "RuleKind",
    "RuleState",
    "Sdi12Line",
    "SessionPlan",
    "Settings",
    "Setup",
    "Shift",
    "Status",
    "TemperatureUnit",
    "ThermalBody",
    "Verdict",
    "WatchPlan",
    "WebhookRoute",
    "Zone",
]

_NAMES = {
    "certificates": ("AsFound", "Certificate", "Polynomial"),
    "lines": (
        "AsciiLine",
        "CommandLine",
        "Line",
        "Message",
        "ModbusLine",
        "MqttTopic",
        "OneWire",
        "PluginLine",
        "PolledLine",
        "PushedLine",
        "Register",
        "Sdi12Line",
    ),
    "notices": (
        "Away",
        "ChatRoute",
        "CommandRoute",
        "CommonCause",
        "Duty",
        "MailRoute",
        "NoticePlan",
        "Person",
        "Route",
        "Shift",
        "TemperatureUnit",
        "WebhookRoute",
    ),
    "outcome": ("Excursion", "Period", "RuleState"),
    "plate": ("Plate",),
    "room": ("Channel", "HoursOfUse", "Placement", "Position", "Probe", "Room", "ThermalBody", "Zone"),
    "setup": ("AlarmSpec", "Correction", "Mark", "Rule", "Settings", "Setup"),
    "wire": (
        "ApiPlan",
        "BackupPlan",
        "CentrePlan",
        "ConditionsPlan",
        "Config",
        "Heartbeat",
        "Inspection",
        "PublishPlan",
        "Row",
        "SessionPlan",
        "WatchPlan",
    ),
    "words": (
        "DERIVED",
        "MEDIA",
        "REASONS",
        "SURFACES",
        "VERDICT_OF",
        "Conformity",
        "Quality",
        "Reason",
        "RuleKind",
        "Status",
        "Verdict",
    ),
}
_MODULE_OF = {name: module for module, names in _NAMES.items() for name in names}


def __getattr__(name: str) -> Any:
    if name not in _MODULE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f".{_MODULE_OF[name]}", __name__), name)
    globals()[name] = value  # the next use does not come here
    return value
