"""How service, probes and record are: figures for people, and metrics for programs that watch."""

from __future__ import annotations

from typing import Any

from flask import Response, request

from .. import __version__
from ..handouts.calendar_file import due_calendar
from ..instants import NS, rfc3339
from ..service.health import HealthFigure, health
from ..service.metrics import OPENMETRICS, PLAIN, families, text_of
from . import inputs
from .access import RecordAccess
from .answers import json_answer

_TYPES = {
    OPENMETRICS: "application/openmetrics-text; version=1.0.0; charset=utf-8",
    PLAIN: "text/plain; version=0.0.4; charset=utf-8",
}


class ConditionRoutes:
    """Health and metrics."""

    def __init__(self, access: RecordAccess) -> None:
        self._access = access

    def health(self) -> Response:
        """Every figure of page Health, and the journal's head, which proves the record from elsewhere."""
        inputs.parameters()
        access, now_ns = self._access, self._access.now_ns()
        figures = health(access.store, access.setup, now_ns)
        number, sha256 = access.store.journal.head()
        content = {
            "status": "check" if any(figure.fault for figure in figures) else "no faults found",
            "at": rfc3339(now_ns // NS * NS),
            "figures": [_figure(figure) for figure in figures],
            "journal": {"number": number, "sha256": sha256},
            "software": f"stillroom {__version__}",
        }
        return json_answer(content)

    def calendar(self) -> Response:
        """What falls due, for calendar programs (RFC 5545): the bytes of `stillroom calendar`."""
        inputs.parameters()
        access = self._access
        content = due_calendar(access.store, access.current.config, access.now_ns())
        return Response(content, content_type="text/calendar; charset=utf-8")

    def metrics(self) -> Response:
        """Metrics as the header Accept prefers them: OpenMetrics 1.0, or the older text format 0.0.4."""
        inputs.parameters()
        open_form = _preference("application/openmetrics-text")
        form = OPENMETRICS if open_form and open_form >= _preference("text/plain") else PLAIN
        access = self._access
        text = text_of(families(access.store, access.setup, access.now_ns()), form)
        return Response(text, content_type=_TYPES[form], headers={"Vary": "Accept"})


def _figure(figure: HealthFigure) -> dict[str, Any]:
    at = None if figure.at_ns is None else rfc3339(figure.at_ns)
    return {"group": figure.group, "what": figure.what, "value": figure.value, "at": at, "word": figure.word}


def _preference(media_type: str) -> float:
    """How much a type is wanted that the header Accept names, whatever version of it; 0 where it does not."""
    accepted = [(value.partition(";")[0].strip(), weight) for value, weight in request.accept_mimetypes]
    return max((weight for value, weight in accepted if value == media_type), default=0.0)
