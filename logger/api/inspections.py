"""Inspections: started, stopped, listed and read. A start whose answer was lost can be sent again."""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Iterable, Mapping
from dataclasses import replace
from http import HTTPStatus
from typing import Any
from urllib.parse import quote, urlencode

from flask import Response, request

from ..acts import inspections as acts
from ..acts.work_stops import stops_in_force
from ..errors import Refused, UnknownName
from ..inspections.conditions import MEDIA_TYPES, conditions_by_key
from ..inspections.readiness import begin, new_key
from ..inspections.revisions import Issue, issues
from ..instants import NS, rfc3339
from ..model import Inspection
from ..model.entry_forms import InspectionEntry
from ..store.hot.request_keys import KEPT_NS, StoredRequest
from . import inputs
from .access import RecordAccess
from .answers import MS, json_answer, ms, page_answer
from .cursors import Place, page_of
from .door import token
from .problems import RequestProblem, here

KEPT_S = KEPT_NS // NS
SENT_AGAIN_NS = 600 * NS  # how long a program may go on sending what had no answer
PATH = "/api/v1/inspections"
LONGEST_KEY = 255
_FIELDS = ("part", "material", "length_mm", "tolerance_um", "machine", "person", "activity")


class InspectionRoutes:
    """Jobs of this record."""

    def __init__(self, access: RecordAccess) -> None:
        self._access = access
        self._starting = threading.Lock()

    def inspections(self) -> Response:
        """Inspections in order of their start, all or of a zone, an interval, a state."""
        query = inputs.parameters("zone", "from", "to", "state", "cursor", "limit")
        access = self._access
        zone, state = query.get("zone"), inputs.choice(query, "state", ("running", "over"))
        if zone is not None:
            access.setup.zone(zone)
        begin_ns, end_ns = (
            inputs.instant(query, name, access.zone_info) if name in query else None
            for name in ("from", "to")
        )
        after, limit = inputs.place(query, 50, 1000)
        jobs = [
            job
            for job in acts.inspections(access.store, zone)
            if (state is None or (state == "running") == (job.to_ns is None))
            and (begin_ns is None or job.to_ns is None or job.to_ns > begin_ns)
            and (end_ns is None or job.from_ns < end_ns)
        ]
        return page_answer(page_of(jobs, _place, after, limit), _summary)

    def inspection(self, key: str) -> Response:
        """One inspection, with every issue of its verdict."""
        inputs.parameters()
        job = self._of(key)
        verdicts = [_issue(job) for job in issues(self._access.store).get(key, ())]
        fields = {name: getattr(job, name) for name in _FIELDS}
        return json_answer(_summary(job) | fields | {"verdicts": verdicts, "links": self._links(job)})

    def _of(self, key: str) -> Inspection:
        jobs = {job.key: job for job in acts.inspections(self._access.store)}
        if key not in jobs:
            raise UnknownName("inspection", key, list(jobs)[-10:])
        return jobs[key]

    def _links(self, job: Inspection) -> dict[str, str]:
        """Where the verdict on the whole interval is asked for; none while it runs."""
        if job.to_ns is None:
            return {"self": address(job.key), "stop": f"{address(job.key)}/stop"}
        query = {"from": rfc3339(job.from_ns), "to": rfc3339(job.to_ns)}
        query |= {"activity": job.activity} if job.activity else {}
        verdict = here(f"/api/v1/zones/{quote(job.zone, safe='')}/verdict?{urlencode(query)}")
        return {"self": address(job.key), "verdict": verdict, "conditions": f"{address(job.key)}/conditions"}

    def start(self) -> Response:
        """Register a job that begins now; once, however often it is sent under one key."""
        body, now_ns = inputs.body(inputs.Start), self._access.now_ns() // MS * MS
        fields = body.model_dump(exclude={"key"})
        job = Inspection(key=body.key or "", from_ns=now_ns, to_ns=None, **fields)
        name = request.headers.get("Idempotency-Key")
        with self._starting:
            return self._start(job) if name is None else self._start_once(job, _request_key(name))

    def _start_once(self, job: Inspection, name: str) -> Response:
        """Under an Idempotency-Key: what came before under it is answered again, and not done again.

        The key of the job is noted before it begins: a server that ended in between begins no second one.
        """
        keys, who = self._access.store.request_keys, token().id
        sha256 = hashlib.sha256(f"{request.path}\n".encode() + request.get_data()).hexdigest()
        subject = job.key or new_key(job.from_ns)
        earlier = keys.claim(who, name, StoredRequest(job.from_ns, sha256, subject, None))
        if earlier is not None and earlier.sha256 != sha256:
            detail = f"The Idempotency-Key {name[:60]!r} came before with another body; nothing was done."
            raise RequestProblem("idempotency-key-reused", detail)
        if earlier is not None:
            if earlier.answer is not None:
                return _created(earlier.answer)
            jobs = {job.key: job for job in acts.inspections(self._access.store)}
            if earlier.subject in jobs:  # it began, and its answer was not noted any more
                return self._note(name, jobs[earlier.subject])
            subject = earlier.subject
        try:
            return self._note(name, self._begin(replace(job, key=subject)))
        except Refused:
            keys.release(who, name)
            raise

    def _note(self, name: str, job: Inspection) -> Response:
        answer = _summary(job)
        self._access.store.request_keys.answer(token().id, name, answer)
        return _created(answer)

    def _start(self, job: Inspection) -> Response:
        jobs = acts.inspections(self._access.store)
        if not job.key and (same := self._sent_again(job, jobs)):
            return json_answer(_summary(same), headers={"Location": address(same.key)})
        return _created(_summary(self._begin(job)))

    def _begin(self, job: Inspection) -> Inspection:
        access = self._access
        access.setup.zone(job.zone)
        if job.key in {job.key for job in acts.inspections(access.store)}:
            where = address(job.key)
            detail = f"There is an inspection {job.key!r} already."
            raise RequestProblem("inspection-exists", detail, {"inspection": where}, {"Location": where})
        stop = stops_in_force(access.store).get(job.zone)
        if stop is not None:
            detail = (
                f"Work in zone {job.zone!r} is stopped by {stop.who} ({stop.why}); it must be resumed first."
            )
            raise RequestProblem("work-stopped", detail)
        return begin(access.store, access.setup, job, token().name, job.from_ns)

    def _sent_again(self, job: Inspection, jobs: Iterable[Inspection]) -> Inspection | None:
        """The inspection that this request began when it came before; its answer was lost on the way.

        Nobody begins the same inspection twice while it runs: what says the same of one that this machine
        began within the last minutes is that one.
        """
        alike = [
            earlier
            for earlier in jobs
            if earlier.to_ns is None
            and 0 <= job.from_ns - earlier.from_ns <= SENT_AGAIN_NS
            and earlier == replace(job, key=earlier.key, from_ns=earlier.from_ns)
        ]
        mine = {
            entry.read(InspectionEntry)["inspection"]
            for entry in (self._access.store.journal.entries(kind="inspection") if alike else ())
            if entry.who == token().name and entry.read(InspectionEntry)["act"] == "add"
        }
        return next((job for job in alike if job.key in mine), None)

    def conditions(self, key: str) -> Response:
        """What the room was like, in the form that the header Accept prefers; the bytes of the files."""
        inputs.parameters()
        self._of(key)
        types, accepts = list(MEDIA_TYPES.values()), request.accept_mimetypes
        chosen = accepts.best_match(types, "") if accepts else types[0]
        if not chosen:
            detail = f"Accept: expected one of {', '.join(types)}, found {str(accepts)[:80]}."
            raise RequestProblem("not-acceptable", detail)
        form = next(name for name, media_type in MEDIA_TYPES.items() if media_type == chosen)
        access = self._access
        with access.current.judging:
            content = conditions_by_key(access.current.verdicts, key, access.now_ns(), "http").text(form)
        charset = "" if form == "json" else "; charset=utf-8"
        return Response(content, content_type=chosen + charset, headers={"Vary": "Accept"})

    def stop(self, key: str) -> Response:
        """End a running job now; one that is over stays as it is, and is answered the same way."""
        if request.get_data():
            detail = "The body: expected none, found one; the inspection ends now."
            errors = [{"at": "", "expected": "no body", "found": "a body"}]
            raise RequestProblem("body-does-not-fit", detail, {"errors": errors})
        job = self._of(key)
        if job.to_ns is None:
            # At least a millisecond long: instants are rounded, and an interval has a length.
            end_ns = max(self._access.now_ns() // MS * MS, job.from_ns // MS * MS + MS)
            job = self._ended(key, end_ns)
        return json_answer(_summary(job))

    def _ended(self, key: str, end_ns: int) -> Inspection:
        try:
            return acts.stop_inspection(self._access.store, key, token().name, end_ns)
        except Refused:
            job = self._of(key)  # somebody else may have ended it at the same moment
            if job.to_ns is None:
                raise
            return job


def address(key: str) -> str:
    """Where an inspection is read."""
    return here(f"{PATH}/{quote(key, safe='')}")


def _created(summary: Mapping[str, Any]) -> Response:
    return json_answer(dict(summary), HTTPStatus.CREATED, {"Location": address(str(summary["key"]))})


def _request_key(name: str) -> str:
    """The key in a header, in quotation marks (a structured field, RFC 9651) or without."""
    bare = name[1:-1] if len(name) > 1 and name[0] == name[-1] == '"' else name
    if not 0 < len(bare) <= LONGEST_KEY or not bare.isascii() or not bare.isprintable():
        detail = (
            f"Idempotency-Key: expected 1 to {LONGEST_KEY} printable ASCII characters, found {name[:40]!r}."
        )
        raise RequestProblem("parameter-not-understood", detail)
    return bare


def _summary(job: Inspection) -> dict[str, Any]:
    end = None if job.to_ns is None else ms(job.to_ns)
    state = "running" if job.to_ns is None else "over"
    return {
        "key": job.key,
        "zone": job.zone,
        "title": job.title,
        "from": ms(job.from_ns),
        "to": end,
        "state": state,
    }


def _issue(issue: Issue) -> dict[str, Any]:
    return {
        "revision": issue.number,
        "at": ms(issue.at_ns),
        "verdict": issue.verdict,
        "reason": issue.reason,
        "because": issue.because,
        "digest": issue.digest,
        "difference": issue.difference,
    }


def _place(job: Inspection) -> Place:
    return job.from_ns, job.key
