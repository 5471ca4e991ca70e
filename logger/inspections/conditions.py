"""The conditions of a registered inspection for the program that measured it: JSON, CSV, one line, DCC.

Minimum and maximum are those that were measured, the expanded uncertainty stands beside them. Where the
verdict is *not shown* there are none: a program that reads only the numbers finds none.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ..errors import Refused, StillroomError, UnknownName
from ..formats.dcc.fragment import MeasuredRange, fragment, plain
from ..instants import rfc3339
from ..model import Inspection
from ..verdicts.verdicts import Verdicts
from .assess import Assessment, assess, question_of
from .revisions import issues, revise

FORMS: Mapping[str, str] = {"json": "json", "csv": "csv", "line": "txt", "dcc": "xml"}  # form -> ending
MEDIA_TYPES: Mapping[str, str] = {
    "json": "application/json", "csv": "text/csv", "line": "text/plain", "dcc": "application/xml",
}  # fmt: skip
# Units in names of the CSV: of a value, of a difference.
_UNITS: Mapping[str, tuple[str, str]] = {
    "degC": ("degC", "K"), "%RH": ("percent", "percent"), "Pa": ("Pa", "Pa"), "g/m3": ("g_m3", "g_m3"),
    "kg/m3": ("kg_m3", "kg_m3"), "1e-6": ("1e6", "1e6"), "1/m3": ("per_m3", "per_m3"), "m/s": ("m_s", "m_s"),
}  # fmt: skip


@dataclass(frozen=True)
class Conditions:
    """The conditions of one inspection as plain data; `revision`: None while none is issued."""

    content: Mapping[str, Any]

    @property
    def revision(self) -> int | None:
        """Number of the revision of the verdict, None before the first."""
        number: int | None = self.content["revision"]
        return number

    @property
    def provisional(self) -> bool:
        """Whether younger readings may still change it."""
        return bool(self.content["provisional"])

    def text(self, form: str, *, dcc: str = "3.2", kelvin: bool = False) -> bytes:
        """The bytes of one form: json, csv, line or dcc; the same wherever it is written."""
        if form == "json":
            return json.dumps(self.content, indent=2, ensure_ascii=False, allow_nan=False).encode() + b"\n"
        if form == "csv":
            return _csv(self.content)
        if form == "line":
            return (self.content["stamp"] or f"not shown: {self.content['because']}").encode() + b"\n"
        if form == "dcc":
            return _dcc(self.content, dcc, kelvin)
        raise Refused(f"form: expected one of {', '.join(FORMS)}, found {form!r}.")


def conditions_by_key(verdicts: Verdicts, key: str, now_ns: int, way: str = "") -> Conditions:
    """The conditions of the registered inspection with a key; UnknownName where there is none.

    way: what prints them (command, file, http): the revision of the verdict is then written first.
    """
    from ..acts.inspections import inspections

    registered = {job.key: job for job in inspections(verdicts.store)}
    if key not in registered:
        raise UnknownName("inspection", key, registered)
    return inspection_conditions(verdicts, registered[key], now_ns, way)


def inspection_conditions(
    verdicts: Verdicts, inspection: Inspection, now_ns: int, way: str = ""
) -> Conditions:
    """The conditions of an inspection, up to now while it runs; one that cannot be judged is *not shown*.

    With a `way` the revision of its verdict is written first, so that the stamp leads to one.
    """
    head = _inspection(inspection)
    try:
        answer = assess(verdicts, question_of(inspection, now_ns), now_ns)
    except StillroomError as refused:
        return Conditions(_without_answer(head, str(refused), inspection.to_ns is None))
    if way:
        revise(verdicts.store, [(inspection, answer.check)], now_ns, way)
    return Conditions(_content(verdicts, head, inspection, answer))


def _inspection(job: Inspection) -> dict[str, Any]:
    end = None if job.to_ns is None else rfc3339(job.to_ns)
    names = ("title", "part", "material", "length_mm", "tolerance_um", "machine", "person", "activity")
    ends = {"from": rfc3339(job.from_ns), "to": end}
    return {"key": job.key, "zone": job.zone, **ends, **{name: getattr(job, name) for name in names}}


def _without_answer(head: Mapping[str, Any], why: str, running: bool) -> dict[str, Any]:
    return {
        "inspection": head, "running": running, "revision": None, "provisional": True,
        "verdict": "not shown", "reason": "indeterminate", "because": why, "quantities": [],
        "statistics": {}, "thermal": None, "statement": None, "stamp": None, "digest": None,
        "decision_rule": None, "setup": None, "software": None,
    }  # fmt: skip


def _content(
    verdicts: Verdicts, head: Mapping[str, Any], job: Inspection, answer: Assessment
) -> dict[str, Any]:
    body = answer.to_dict()
    shown = body["verdict"] != "not shown"
    thermal = body["thermal"] if shown and body["thermal"] and body["thermal"].get("shown") else None
    numbers = [i.number for i in issues(verdicts.store).get(job.key, []) if i.digest == body["digest"]]
    return {
        "inspection": head,
        "running": job.to_ns is None,
        "revision": numbers[-1] if numbers else None,
        "provisional": body["provisional"],
        "verdict": body["verdict"],
        "reason": body["reason"],
        "because": body["because"],
        "quantities": _quantities(body["statistics"]) if shown else [],
        "statistics": body["statistics"] if shown else {},
        "thermal": thermal,
        "statement": body["statement"],
        "stamp": body["stamp"],
        "digest": body["digest"],
        "decision_rule": body["decision_rule"],
        "setup": body["setup"],
        "software": body["software"],
    }


def _quantities(statistics: Mapping[str, Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Each quantity in each medium: least and greatest value of its channels, and the largest U."""
    groups: dict[tuple[str, str], list[tuple[str, Mapping[str, Any]]]] = {}
    for channel, row in statistics.items():
        if row["min"] is not None:
            groups.setdefault((row["quantity"], row["medium"]), []).append((channel, row))
    return [_group(*of, rows) for of, rows in groups.items()]


def _group(quantity: str, medium: str, rows: Sequence[tuple[str, Mapping[str, Any]]]) -> dict[str, Any]:
    low, high = min(row["min"] for _, row in rows), max(row["max"] for _, row in rows)
    U = [row["U"] for _, row in rows]
    return {
        "quantity": quantity,
        "medium": medium,
        "unit": rows[0][1]["unit"],
        "min": low,
        "max": high,
        "span": round(high - low, 6),
        "U": None if None in U else max(U),  # one channel without an uncertainty leaves the range without one
        "k": 2,
        "channels": [channel for channel, _ in rows],
    }


def _csv(content: Mapping[str, Any]) -> bytes:
    """Two columns, name and value; a text that a table program would run as a formula gets a leading '."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(("name", "value"))
    for name, value in _named(content):
        writer.writerow((name, _cell(value)))
    return out.getvalue().encode()


def _named(content: Mapping[str, Any]) -> list[tuple[str, Any]]:
    names = ("verdict", "reason", "because", "provisional", "revision")
    rows: list[tuple[str, Any]] = [*content["inspection"].items(), *((n, content[n]) for n in names)]
    for item in content["quantities"]:
        unit, difference = _UNITS.get(item["unit"], (item["unit"], item["unit"]))
        name = f"{item['quantity']}_{item['medium']}".replace(", ", "_").replace("-", "_")
        rows += [(f"{name}_{end}_{unit}", item[end]) for end in ("min", "max")]
        rows += [(f"{name}_{what}_{difference}", item[what]) for what in ("span", "U")]
    if content["thermal"]:
        keys = ("nde_um", "U_um", "ed_um", "tve_um", "share_of_tolerance")
        rows += [(f"thermal_{name}", content["thermal"][name]) for name in keys]
    return rows + [(n, content[n]) for n in ("statement", "stamp", "digest", "setup", "software")]


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return plain(value)
    return f"'{value}" if str(value).startswith(("=", "+", "-", "@", "\t", "\r")) else str(value)


def _dcc(content: Mapping[str, Any], schema: str, kelvin: bool) -> bytes:
    head = content["inspection"]
    ranges = [
        MeasuredRange(item["quantity"], item["medium"], item["min"], item["max"], item["U"])
        for item in content["quantities"]
    ]
    word = " Provisional." if content["provisional"] else ""
    description = (
        f"{head['from']} to {head['to'] or 'now'}, inspection {head['key']}: {content['verdict']}.{word} "
        f"{content['stamp'] or ''}"
    )
    without = f"Not shown: {content['because']}" if content["verdict"] == "not shown" else ""
    return fragment(ranges, description.strip(), without, schema=schema, kelvin=kelvin)
