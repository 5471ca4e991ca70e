"""The things that everything else speaks about: plain frozen data, no behaviour but look-ups.

Instants are int64 nanoseconds since 1970-01-01T00:00Z (`_ns`); intervals are half-open;
`None` as an end means "still". Values are in the canonical unit of their quantity
(`units.py`); differences of temperature are in K.
"""

from __future__ import annotations

from .outcome import Excursion, Period, RuleState
from .setup import (
    AlarmSpec,
    AsFound,
    Certificate,
    Channel,
    Correction,
    HoursOfUse,
    Mark,
    Placement,
    Position,
    Probe,
    Room,
    Rule,
    Settings,
    Setup,
    ThermalBody,
    Zone,
)
from .wire import AsciiLine, BackupPlan, Config, Inspection, MailRoute, Row
from .words import (
    DERIVED,
    MEDIA,
    NS,
    REASONS,
    SURFACES,
    VERDICT_OF,
    Conformity,
    Quality,
    Reason,
    RuleKind,
    Verdict,
)

__all__ = [
    "DERIVED",
    "MEDIA",
    "NS",
    "REASONS",
    "SURFACES",
    "VERDICT_OF",
    "AlarmSpec",
    "AsFound",
    "AsciiLine",
    "BackupPlan",
    "Certificate",
    "Channel",
    "Config",
    "Conformity",
    "Correction",
    "Excursion",
    "HoursOfUse",
    "Inspection",
    "MailRoute",
    "Mark",
    "Period",
    "Placement",
    "Position",
    "Probe",
    "Quality",
    "Reason",
    "Room",
    "Row",
    "Rule",
    "RuleKind",
    "RuleState",
    "Settings",
    "Setup",
    "ThermalBody",
    "Verdict",
    "Zone",
]
