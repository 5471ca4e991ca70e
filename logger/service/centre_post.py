"""The room's signed summary, sent to the centre of its group; the room needs no answer to go on."""

from __future__ import annotations

import ssl
import urllib.error
import urllib.request
from http.client import HTTPException

from ..model import CentrePlan
from ..processes.deadline import Lines, opener, within
from ..processes.peer_faults import peer_fault

PATH = "/_summary"
ANSWER_S = 15.0
JOB = "summary to the centre"


def post_summary(plan: CentrePlan, content: bytes) -> None:
    """Send a summary; OSError with the centre's words where it was not taken. No proxy is used."""
    url = plan.url.rstrip("/") + PATH
    request = urllib.request.Request(url, content, {"Content-Type": "application/json"}, method="POST")  # noqa: S310
    try:
        within(ANSWER_S, f"centre {plan.url}", lambda lines: _send(request, plan.ca_file, lines))
    except urllib.error.HTTPError as error:
        with error:  # its connection is closed with it
            answer = error.read(300).decode("utf-8", "replace")
        raise OSError(f"the centre {plan.url} rejected the summary: {error.code} {answer}") from error
    except (OSError, HTTPException) as error:
        inner = getattr(error, "reason", None)
        cause = inner if isinstance(inner, OSError) else error
        raise OSError(peer_fault(f"the centre {plan.url}", cause)) from error


def _send(request: urllib.request.Request, ca_file: str, lines: Lines) -> None:
    context = ssl.create_default_context(cafile=ca_file or None)
    with opener(lines, context).open(request, timeout=ANSWER_S) as reply:
        reply.read(1000)
