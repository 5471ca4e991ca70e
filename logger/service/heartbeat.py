"""Signs of life that are given only while the service makes progress: their absence is the message."""

from __future__ import annotations

import json
import os
import urllib.request
from collections.abc import Callable, Mapping
from http.client import HTTPException
from pathlib import Path

from ..model import Heartbeat
from ..processes.deadline import BoundedCall, Lines, opener

FILE = "heartbeat"
ANSWER_S = 10.0


def beat(folder: Path, facts: Mapping[str, object]) -> None:
    """Replaces the heartbeat in one step, so that nobody reads half of one."""
    _replace(folder / FILE, facts)


def read(folder: Path) -> dict[str, object] | None:
    """The newest heartbeat; None when there never was one or it is no heartbeat."""
    try:
        facts = json.loads((folder / FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    return facts if isinstance(facts, dict) else None


class OutsideHeartbeat:
    """The heartbeat for other machines; a share that hangs does not keep the address from getting it."""

    def __init__(self) -> None:
        self._file = BoundedCall("the heartbeat's file", ANSWER_S)
        self._address = BoundedCall("the heartbeat's address", ANSWER_S)

    def beat(self, plan: Heartbeat, facts: Mapping[str, object]) -> None:
        """A file on another machine, and a POST. Raises OSError where nobody takes it."""
        failures = [
            _failure(
                lambda: self._address.run(lambda lines: _post(plan.url, facts, lines)) if plan.url else None
            ),
            _failure(
                lambda: self._file.run(lambda _: _replace(Path(plan.file), facts)) if plan.file else None
            ),
        ]
        for failure in failures:
            if failure is not None:
                raise failure


def _failure(act: Callable[[], None]) -> OSError | None:
    try:
        act()
    except OSError as error:
        return error
    return None


def _post(url: str, facts: Mapping[str, object], lines: Lines) -> None:
    """No proxy is used: one that answers for a dead watcher would hide it."""
    body, head = json.dumps(dict(facts)).encode(), {"Content-Type": "application/json"}
    request = urllib.request.Request(url, body, head, method="POST")  # noqa: S310 (as configured)
    try:
        with opener(lines).open(request, timeout=ANSWER_S) as answer:
            answer.read(1000)
    except TimeoutError:
        raise
    except HTTPException as error:
        raise OSError(f"{url} does not answer like a web server: {str(error)[:80]}") from error
    except OSError as error:
        why = getattr(error, "reason", None) or error.strerror or error  # urllib wraps what the system says
        raise OSError(f"{url} rejected it: {getattr(why, 'strerror', None) or why}") from error


def _replace(file: Path, facts: Mapping[str, object]) -> None:
    fresh = file.with_name(f"{file.name}.new")
    fresh.write_text(json.dumps(dict(facts), indent=1) + "\n", encoding="utf-8")
    os.replace(fresh, file)
