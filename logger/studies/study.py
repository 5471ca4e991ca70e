"""A study: one question about a zone or channel, its answer, and the digest of what the answer rests on."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, cast

import numpy as np

from .. import __version__
from ..core.study.figure import Answer, Figure, Question
from ..instants import rfc3339
from ..store.hot.studies import StoredStudy

# Goes up whenever the same readings could give another answer.
STUDY_VERSION = 7
_EARLIER = "computed by an earlier version; compute it again."


@dataclass(frozen=True)
class StudyRequest:
    """What is asked: a question about [from, to) of a zone, of one channel or of all (""), with options.

    options: plain values only; they are part of the digest.
    """

    question: Question
    zone: str
    channel: str
    from_ns: int
    to_ns: int
    options: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Study:
    """An answer with everything that is needed to make it again."""

    request: StudyRequest
    answer: Answer
    data: tuple[str, ...]
    digest: str
    setup_version: int
    setup_digest: str
    at_ns: int
    simulated: bool

    def to_dict(self) -> dict[str, Any]:
        """The study as plain data; times in UTC."""
        r = self.request
        return {
            "question": r.question,
            "zone": r.zone,
            "channel": r.channel,
            "from": rfc3339(r.from_ns),
            "to": rfc3339(r.to_ns),
            "from_ns": r.from_ns,
            "to_ns": r.to_ns,
            "options": dict(r.options),
            "headline": self.answer.headline,
            "figures": [figure_dict(item) for item in self.answer.figures],
            "remarks": list(self.answer.remarks),
            "data": list(self.data),
            "tables": {name: dict(columns) for name, columns in self.answer.tables.items()},
            "digest": self.digest,
            "setup": {"version": self.setup_version, "digest": self.setup_digest},
            "software": f"stillroom {__version__}, study {STUDY_VERSION}",
            "at_ns": self.at_ns,
            "simulated": self.simulated,
        }

    def stored(self) -> StoredStudy:
        """The study as a row of the store."""
        r, body = self.request, json.dumps(self.to_dict(), ensure_ascii=False, allow_nan=False)
        return StoredStudy(self.digest, self.at_ns, r.question, r.zone, r.channel, r.from_ns, r.to_ns, body)


def figure_dict(item: Figure) -> dict[str, Any]:
    """A figure as plain data, with its text."""
    numbers = {
        name: None if value is None else float(f"{value:.9g}")
        for name, value in (
            ("value", item.value),
            ("low", item.low),
            ("high", item.high),
            ("n_independent", item.n_independent),
        )
    }
    return {
        "name": item.name,
        **numbers,
        "unit": item.unit,
        "method": item.method,
        "shown": item.shown,
        "why_not": item.why_not,
        "needed": item.needed,
        "no_interval": item.no_interval,
        "text": item.text,
    }


def of_stored(row: StoredStudy) -> Study:
    """The study in a row of the store."""
    body = json.loads(row.body)
    figures = tuple(_figure(item) for item in body["figures"])
    answer = Answer(
        cast("Question", body["question"]), body["headline"], figures, tuple(body["remarks"]), body["tables"]
    )
    request = StudyRequest(
        answer.question, body["zone"], body["channel"], row.from_ns, row.to_ns, body["options"]
    )
    setup = body["setup"]
    return Study(
        request, answer, tuple(body["data"]), row.digest, setup["version"], setup["digest"], body["at_ns"],
        body["simulated"],
    )  # fmt: skip


def _figure(item: Mapping[str, Any]) -> Figure:
    """A figure of a stored answer; one of an earlier version had no interval, and did not say why."""
    fields = ("name", "value", "unit", "low", "high", "n_independent", "method", "shown", "why_not", "needed")
    bare = item["shown"] and (item["low"] is None or item["high"] is None)
    why = item.get("no_interval") or (_EARLIER if bare else "")
    return Figure(**{name: item[name] for name in fields}, no_interval=why)


def digest_of(request: StudyRequest, setup_digest: str, arrays: Sequence[np.ndarray[Any, Any]]) -> str:
    """SHA-256 over question, options, setup, version of the methods, and every number that was read."""
    head = {
        "question": request.question,
        "zone": request.zone,
        "channel": request.channel,
        "from_ns": request.from_ns,
        "to_ns": request.to_ns,
        "options": dict(request.options),
        "setup": setup_digest,
        "study": STUDY_VERSION,
    }
    sha = hashlib.sha256(json.dumps(head, sort_keys=True, ensure_ascii=False).encode())
    for array in arrays:
        # Whole millionths, little-endian: no machine differs in a last bit.
        whole = np.where(np.isfinite(array), np.rint(np.nan_to_num(array) * 1e6), np.iinfo(np.int64).min)
        sha.update(whole.astype("<i8").tobytes())
    return sha.hexdigest()


def plain(value: Any) -> Any:
    """Numbers of numpy as plain ones, not-a-number as None, in tables and options."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return [plain(item) for item in value.tolist()]
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return float(f"{value:.9g}") if np.isfinite(value) else None
    return value
