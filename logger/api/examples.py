"""One example of each body and answer, for the description; held against their schemas by a test."""

from __future__ import annotations

from typing import Any

_FROM, _TO = "2026-10-19T08:30:00Z", "2026-10-19T10:00:00Z"
_STATE = {
    "zone": "machine-bay",
    "name": "Machine bay",
    "verdict": "stable",
    "reason": "conforming",
    "sentence": "Machine bay is stable.",
    "since": "2026-10-19T06:12:00Z",
    "judged_until": "2026-10-19T08:30:00Z",
    "provisional": True,
    "simulated": False,
    "digest": "0f3c7a1d5e9b2846c0f3c7a1d5e9b2846c0f3c7a1d5e9b2846c0f3c7a1d5e9b2",
}
_RULE = {
    "key": "machine-bay.temperature",
    "name": "temperature",
    "kind": "limit",
    "quantity": "temperature",
    "unit": "degC",
    "lower": 19.0,
    "upper": 21.0,
    "activity": "",
    "basis": "stated by the maker of the machine",
}
_RUN = {
    "zone": "machine-bay",
    "rule": "machine-bay.temperature",
    "from": "2026-10-19T09:02:00Z",
    "to": "2026-10-19T09:41:00Z",
    "worst": 21.34,
    "worst_at": "2026-10-19T09:20:00Z",
    "limit": 21.0,
    "U": 0.2,
    "unit": "degC",
    "exceedance": 0.13,
    "probes": ["P1.temperature"],
    "proven": True,
    "basis": "stated by the maker of the machine",
    "provisional": False,
    "asks_disposition": True,
}
_CASE = {
    "case": 12,
    "continued": [],
    "revision": 1,
    "state": "open",
    "in_use": True,
    "cause": "no cause yet",
    "zones": ["machine-bay"],
    "from": "2026-10-19T09:02:00Z",
    "to": "2026-10-19T09:41:00Z",
    "settled": {"machine-bay": "2026-10-19T13:41:00Z"},
    "runs": [_RUN],
}
_REASON = {
    "reason": "conforming",
    "rule": "machine-bay.temperature",
    "probe": "P1.temperature",
    "from": _FROM,
    "to": _TO,
    "worst": 20.21,
    "limit": 21.0,
    "U": 0.2,
    "unit": "degC",
    "proven": True,
    "basis": "stated by the maker of the machine",
}
_CHANNEL = {
    "channel": "P1.temperature",
    "probe": "P1",
    "serial": "AG-0411",
    "quantity": "temperature",
    "unit": "degC",
    "interval_s": 60.0,
    "zone": "machine-bay",
    "position": "bay-north",
    "medium": "air",
    "xyz_m": [1.2, 3.4, 1.5],
    "certificate": "AG-0411-T",
    "due": "2027-03-01T00:00:00Z",
}
_READING = {
    "taken": "2026-10-19T08:30:00Z",
    "indicated": 20.03,
    "corrected": 20.01,
    "U": 0.12,
    "unit": "degC",
    "quality": "pass",
    "status": "ok",
    "why": "",
    "late": False,
}
_INSPECTION = {
    "key": "G-12",
    "zone": "machine-bay",
    "title": "Gear hub 12",
    "from": "2026-10-19T08:30:00.25Z",
    "to": None,
    "state": "running",
}
_ISSUE = {
    "revision": 1,
    "at": "2026-10-19T11:05:00Z",
    "verdict": "stable",
    "reason": "conforming",
    "because": "Closest to its limit: temperature 20.21 °C.",
    "digest": "7b1e4f0a",
    "difference": "",
}
_WHOLE = _INSPECTION | {
    "to": "2026-10-19T10:00:00.5Z",
    "state": "over",
    "part": "Gear hub",
    "material": "steel",
    "length_mm": 120.0,
    "tolerance_um": 10.0,
    "machine": "C3",
    "person": "",
    "activity": "",
    "verdicts": [_ISSUE],
    "links": {"self": "/api/v1/inspections/G-12"},
}
_VERDICT = {
    "verdict": "stable",
    "reason": "conforming",
    "because": "Closest to its limit: temperature 20.21 °C.",
    "zone": "machine-bay",
    "from": _FROM,
    "to": _TO,
    "pre_window_s": 7200,
    "provisional": False,
    "decision_rule": "guard band w = U",
    "reasons": [_REASON],
    "leading": _REASON,
    "thermal": None,
    "statement": "Temperature of the air from 19.9 °C to 20.2 °C.",
    "stamp": "stillroom: machine-bay 2026-10-19T08:30:00Z/2026-10-19T10:00:00Z stable",
    "statistics": {},
    "digest": "7b1e4f0a",
    "setup": "3",
    "software": "stillroom 0.1.0, judge 8",
    "notices": [],
    "settings": [],
}
_EVENT = (
    'retry: 5000\n\nevent: verdict\ndata: {"zone": "machine-bay", "verdict": "stable", …}\n\n: still here\n\n'
)


def _page(entry: Any) -> dict[str, Any]:
    return {"items": [entry], "next": None}


EXAMPLES: dict[str, Any] = {
    "Description": {"openapi": "3.1.0"},
    "ProblemMeaning": {
        "type": "/api/v1/problems/unknown-zone",
        "title": "There is no such zone",
        "status": 404,
        "meaning": "The setup in force has no zone of this key.",
        "remedy": "GET /api/v1/zones lists the zones.",
    },
    "Verdict": _VERDICT,
    "ZoneStates": _page(_STATE),
    "Zone": {
        "zone": "machine-bay",
        "name": "Machine bay",
        "state": _STATE,
        "given_up": False,
        "rules": [_RULE],
    },
    "Readiness": {
        "zone": "machine-bay",
        "may_start": False,
        "from": "2026-10-19T09:15:00Z",
        "reason": "settling",
        "sentence": "Machine bay: not yet, machine and parts settle. Ready at 11:15 if it stays as it is.",
    },
    "Excursions": _page(_RUN),
    "Cases": _page(_CASE),
    "Case": _CASE,
    "Events": _EVENT,
    "Channels": _page(_CHANNEL),
    "Channel": _CHANNEL,
    "Readings": _page(_READING),
    "Start": {"zone": "machine-bay", "title": "Gear hub 12", "key": "G-12", "length_mm": 120.0},
    "Inspection": _INSPECTION,
    "Inspections": _page(_INSPECTION),
    "WholeInspection": _WHOLE,
    "Conditions": {"inspection": {"key": "G-12"}, "verdict": "stable", "provisional": True},
    "Calendar": "BEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n",
    "Message": {"time": "2026-10-19T08:30:00Z", "t": 20.03, "rh": 45.1},
    "Pack": [
        {"bn": "", "bt": 1792398600, "n": "t", "u": "Cel", "v": 20.03},
        {"n": "rh", "u": "%RH", "v": 45.1},
    ],
    "Taken": {"stored": 2, "known": 0, "repeated": False},
    "Rows": {"record": "0123456789abcdef0123456789abcdef", "first": 1, "rows": []},
    "Next": {"next": 1},
    "Health": {
        "status": "no faults found",
        "at": "2026-10-19T08:30:00Z",
        "figures": [
            {"group": "Service", "what": "heartbeat", "value": "beating", "word": "no fault", "at": _FROM}
        ],
        "journal": {"number": 4711, "sha256": "0f3c7a1d"},
        "software": "stillroom 0.1.0",
    },
    "Metrics": "# TYPE stillroom_queue_rows gauge\nstillroom_queue_rows 0\n# EOF\n",
}
