"""The shapes of bodies and answers as JSON Schema, for the description of the interface."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from .inputs import Rows, Start
from .problem_kinds import KINDS

TEXT = {"type": "string"}
TIME = {"type": "string", "format": "date-time"}
_MAYBE_TEXT = {"type": ["string", "null"]}
_MAYBE_TIME = {"type": ["string", "null"], "format": "date-time"}
_NUMBER = {"type": "number"}
_MAYBE_NUMBER = {"type": ["number", "null"]}
_WHOLE = {"type": "integer"}
_YES_NO = {"type": "boolean"}
_VERDICT = {"type": "string", "enum": ["stable", "not stable", "not shown"]}
_REASONS = ["nonconforming", "marked", "settling", "indeterminate", "guard band", "conforming"]
_STATES = ["no decision needed", "running", "open", "decided", "closed"]


def ref(name: str) -> dict[str, str]:
    """A reference to a schema of this description."""
    return {"$ref": f"#/components/schemas/{name}"}


def obj(required: Mapping[str, Any], **more: Any) -> dict[str, Any]:
    """An object with properties that are all there."""
    return {"type": "object", "required": list(required), "properties": dict(required), **more}


def array(of: Mapping[str, Any]) -> dict[str, Any]:
    """A list of one shape."""
    return {"type": "array", "items": dict(of)}


def _page(name: str) -> dict[str, Any]:
    following = {**_MAYBE_TEXT, "description": "Address of the next page; null: this is the last one"}
    return obj({"items": array(ref(name)), "next": following})


def schemas() -> dict[str, Any]:
    """Every shape by its name."""
    return {
        "Description": {"type": "object", "description": "An OpenAPI document"},
        **_problems(),
        **_verdicts(),
        **_excursions(),
        **_readings(),
        **_inspections(),
        **_nodes(),
        **_condition(),
    }


def _problems() -> dict[str, Any]:
    fault = obj({"at": {**TEXT, "description": "JSON pointer (RFC 6901)"}, "expected": TEXT, "found": TEXT})
    address = {**TEXT, "description": "Address that answers with what this kind of problem means"}
    problem = obj({"type": address, "title": TEXT, "status": _WHOLE, "detail": TEXT}, description="RFC 9457")
    problem["properties"] |= {
        "errors": {**array(fault), "description": "Every fault of a body"},
        "inspection": {**TEXT, "description": "Address of the inspection that is there already"},
    }
    kind = obj({"type": address, "title": TEXT, "status": _WHOLE, "meaning": TEXT, "remedy": TEXT})
    return {"Problem": problem, "ProblemMeaning": kind}


def problem_kind() -> dict[str, Any]:
    """The names of all kinds of problems."""
    return {"type": "string", "enum": list(KINDS)}


def _verdicts() -> dict[str, Any]:
    reason = obj(
        {"reason": TEXT, "rule": TEXT, "probe": TEXT, "from": TIME, "to": TIME, "worst": _MAYBE_NUMBER}
        | {"limit": _MAYBE_NUMBER, "U": _MAYBE_NUMBER, "unit": TEXT, "proven": _YES_NO, "basis": TEXT}
    )
    verdict = obj(
        {"verdict": _VERDICT, "reason": TEXT, "because": TEXT, "zone": TEXT, "from": TIME, "to": TIME}
        | {"pre_window_s": _WHOLE, "provisional": _YES_NO, "decision_rule": TEXT}
        | {"reasons": array(ref("Reason")), "leading": {"oneOf": [ref("Reason"), {"type": "null"}]}}
        | {"thermal": {"type": ["object", "null"]}, "statement": _MAYBE_TEXT, "stamp": TEXT}
        | {"statistics": {"type": "object"}, "digest": TEXT, "setup": TEXT, "software": TEXT}
        | {"notices": array(TEXT), "settings": array(TEXT)}
    )
    # Why the setup in force could not be entered any more, where that is so.
    verdict["properties"]["setup_notices"] = array(TEXT)
    digest = {**TEXT, "description": "SHA-256 of the other members: sorted keys, no blanks, UTF-8"}
    state = obj(
        {"zone": TEXT, "name": TEXT, "verdict": _VERDICT, "reason": {"type": "string", "enum": _REASONS}}
        | {"sentence": TEXT, "since": _MAYBE_TIME, "judged_until": _MAYBE_TIME, "provisional": _YES_NO}
        | {"simulated": _YES_NO, "digest": digest}
    )
    rule = obj(
        {"key": TEXT, "name": TEXT, "kind": TEXT, "quantity": TEXT, "unit": TEXT, "lower": _MAYBE_NUMBER}
        | {"upper": _MAYBE_NUMBER, "activity": TEXT, "basis": TEXT}
    )
    zone = obj(
        {"zone": TEXT, "name": TEXT, "state": {"oneOf": [ref("ZoneState"), {"type": "null"}]}}
        | {"given_up": _YES_NO, "rules": array(ref("Rule"))}
    )
    ready = obj({"zone": TEXT, "may_start": _YES_NO, "from": _MAYBE_TIME, "reason": TEXT, "sentence": TEXT})
    return {
        "Verdict": verdict,
        "Reason": reason,
        "ZoneState": state,
        "ZoneStates": _page("ZoneState"),
        "Zone": zone,
        "Rule": rule,
        "Readiness": ready,
    }


def _excursions() -> dict[str, Any]:
    excursion = obj(
        {"zone": TEXT, "rule": TEXT, "from": TIME, "to": TIME, "worst": _NUMBER, "worst_at": TIME}
        | {"limit": _NUMBER, "U": _NUMBER, "unit": TEXT, "exceedance": _NUMBER, "probes": array(TEXT)}
        | {"proven": _YES_NO, "basis": TEXT, "provisional": _YES_NO, "asks_disposition": _YES_NO}
    )
    case = obj(
        {"case": {"type": ["integer", "null"]}, "revision": _WHOLE, "cause": TEXT, "continued": array(_WHOLE)}
        | {"in_use": _YES_NO, "state": {"type": "string", "enum": _STATES}, "zones": array(TEXT)}
        | {"from": TIME, "to": TIME, "settled": {"type": "object", "additionalProperties": TIME}}
        | {"runs": array(ref("Excursion"))}
    )
    return {
        "Excursion": excursion,
        "Excursions": _page("Excursion"),
        "Case": case,
        "Cases": _page("Case"),
    }


def _readings() -> dict[str, Any]:
    channel = obj(
        {
            "channel": TEXT,
            "probe": TEXT,
            "serial": TEXT,
            "quantity": TEXT,
            "unit": TEXT,
            "interval_s": _NUMBER,
        }
        | {"zone": _MAYBE_TEXT, "position": _MAYBE_TEXT, "medium": _MAYBE_TEXT}
        | {"xyz_m": {"type": ["array", "null"], "items": _NUMBER, "description": "Place in the room, in m"}}
        | {"certificate": _MAYBE_TEXT, "due": _MAYBE_TIME}
    )
    reading = obj(
        {"taken": TIME, "indicated": _MAYBE_NUMBER, "corrected": _MAYBE_NUMBER}
        | {
            "U": {
                **_MAYBE_NUMBER,
                "description": "Expanded uncertainty, k = 2; a difference, in K for temperatures",
            }
        }
        | {"unit": TEXT, "quality": TEXT, "status": TEXT}
        | {"why": {**TEXT, "description": "Why it supports no verdict; empty where it does"}, "late": _YES_NO}
    )
    return {
        "Channel": channel,
        "Channels": _page("Channel"),
        "Reading": reading,
        "Readings": _page("Reading"),
    }


def _inspections() -> dict[str, Any]:
    summary = {
        "key": TEXT,
        "zone": TEXT,
        "title": TEXT,
        "from": TIME,
        "to": _MAYBE_TIME,
        "state": {"type": "string", "enum": ["running", "over"]},
    }
    issue = obj(
        {"revision": _WHOLE, "at": TIME, "verdict": _VERDICT, "reason": TEXT, "because": TEXT, "digest": TEXT}
        | {"difference": {**TEXT, "description": "From the revision before, in words; empty for the first"}}
    )
    whole = obj(
        summary
        | {"part": TEXT, "material": TEXT, "length_mm": _MAYBE_NUMBER, "tolerance_um": _MAYBE_NUMBER}
        | {"machine": TEXT, "person": TEXT, "activity": TEXT, "verdicts": array(ref("VerdictIssue"))}
        | {"links": {"type": "object", "additionalProperties": TEXT}}
    )
    return {
        "Start": _inlined(Start.model_json_schema()),
        "Inspection": obj(summary),
        "Inspections": _page("Inspection"),
        "WholeInspection": whole,
        "Conditions": {"description": "An object in JSON, a text in the other forms"},
        "VerdictIssue": issue,
    }


def _nodes() -> dict[str, Any]:
    any_object = {"type": "object", "additionalProperties": True}
    return {
        "Message": {"oneOf": [any_object, array(any_object)]},
        "Pack": {"type": "array", "minItems": 1, "items": any_object},
        "Taken": obj({"stored": _WHOLE, "known": _WHOLE, "repeated": _YES_NO}),
        "Rows": _inlined(Rows.model_json_schema()),
        "Next": obj({"next": _WHOLE}),
    }


def _condition() -> dict[str, Any]:
    return {
        "Figure": obj({"group": TEXT, "what": TEXT, "value": TEXT, "word": TEXT, "at": _MAYBE_TIME}),
        "Health": obj(
            {"status": {"type": "string", "enum": ["no faults found", "check"]}, "at": TIME}
            | {"figures": array(ref("Figure")), "journal": obj({"number": _WHOLE, "sha256": TEXT})}
            | {"software": TEXT}
        ),
        "Metrics": {**TEXT, "description": "OpenMetrics 1.0, or the text format 0.0.4"},
        "Calendar": {**TEXT, "description": "iCalendar"},
        "Events": {
            **TEXT,
            "description": "Server-sent events: `verdict` and `judged`, the data of each a ZoneState",
        },
    }


def _inlined(schema: dict[str, Any]) -> dict[str, Any]:
    """What pydantic says of a body, without its titles, which only repeat the names."""
    properties = {
        name: {key: value for key, value in shape.items() if key != "title"}
        for name, shape in schema["properties"].items()
    }
    return {**{k: v for k, v in schema.items() if k != "title"}, "properties": properties}
