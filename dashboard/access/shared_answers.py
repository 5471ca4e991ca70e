"""Answers that many open pages ask for at once: equal questions of visitors with equal rights get one answer.

Hundreds of pages ask every few seconds for the alarm line, the sentences and the newest points, and all of
them are told the same. The first question goes the whole way, through the door of `guard.py`; its answer
then serves equal questions for a second. Only callbacks that declare `@shared` take part, and the pulse.

A visitor is let through here who was let through the door within the last seconds with the very same
cookies, origin and token. An act of a person, on any page, ends what was kept, so that nobody is shown
the state of before it; a sign-in, a sign-out or a changed account ends what the door had let through.
"""

from __future__ import annotations

import io
import threading
import time
from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias, TypeVar

import orjson
from flask import Flask, Response, g, request

from .request_check import PATH, by_itself

LASTS_S, PULSE_LASTS_S = 1.0, 0.4  # how long an answer, and the pulse, serve others
ADMITTED_S = 10.0
MOST = 4096  # answers, and visitors
LARGEST = 1 << 20  # bytes of a question
PATIENCE_S = 5.0  # for an answer that somebody else waits for, too
# In the environment of a request: the question, the rights and the question, whether it is being answered for
# others as well, whether the answer is one of another request.
QUESTION, ASKED, RUNS, SERVED = (
    f"stillroom shared {name}" for name in ("question", "asked", "runs", "served")
)
# What the door looks at, and what else tells one visitor from another.
OF_VISITOR = (
    *("REQUEST_METHOD", "SCRIPT_NAME", "PATH_INFO", "QUERY_STRING", "REMOTE_ADDR", "wsgi.url_scheme"),
    *("HTTP_HOST", "HTTP_ORIGIN", "HTTP_SEC_FETCH_SITE", "HTTP_REFERER", "HTTP_COOKIE", "HTTP_X_CSRFTOKEN"),
    "CONTENT_TYPE",
)
Environ: TypeAlias = dict[str, Any]
Application: TypeAlias = Callable[[Environ, Callable[..., Any]], Iterable[bytes]]
Function = TypeVar("Function", bound=Callable[..., Any])


@dataclass(frozen=True)
class Reply:
    """A whole answer of the application, and until when it serves others (monotonic clock, s)."""

    status: str
    headers: tuple[tuple[str, str], ...]
    body: bytes
    until_s: float


def shared(*phases: int) -> Callable[[Function], Function]:
    """Declare that a callback answers equal questions of visitors with equal rights alike, for a second.

    Directly above `@needs(…)`. Of the number of a tick it may only matter which of the `phases` divides it.
    """

    def declared(function: Function) -> Function:
        function.shared_phases = phases  # type: ignore[attr-defined]
        return function

    return declared


def phase(n: Any, phases: Iterable[int]) -> int:
    """What matters of the number of a tick: the largest of the phases that divides it, else 1; 0 before it.

    >>> [phase(n, (12, 120)) for n in (None, 0, 7, 24, 240)]
    [0, 0, 1, 12, 120]
    """
    if not n or not isinstance(n, int):
        return 0
    return max((every for every in phases if n % every == 0), default=1)


class SharedAnswers:
    """What stands before an application and answers for it where it just gave the same answer.

    `callbacks` are those of the application; `depends` says what an answer depends on besides the question
    and the roles of the visitor.
    """

    def __init__(
        self,
        application: Application,
        callbacks: Callable[[], Mapping[str, Mapping[str, Any]]],
        depends: Callable[[], Hashable],
    ) -> None:
        self._application, self._callbacks, self._depends = application, callbacks, depends
        self._pulse = ""
        self._count: Callable[[], None] = lambda: None
        self._lock = threading.Lock()
        self._admitted: dict[Hashable, tuple[Hashable, float]] = {}
        self._replies: dict[Hashable, Reply] = {}
        self._running: dict[Hashable, threading.Event] = {}
        self._acts = 0

    def pulse(self, path: str, count: Callable[[], None]) -> None:
        """The path of the pulse, and what is called each time that a page asks for it."""
        self._pulse, self._count = path, count

    def install(self, server: Flask) -> None:
        """Stand before a Flask application, and behind its door: called when every other check stands."""
        server.before_request(self._serve)
        server.wsgi_app = self  # type: ignore[method-assign]

    def __call__(self, environ: Environ, start_response: Callable[..., Any]) -> Iterable[bytes]:
        """The answer to a request, by PEP 3333."""
        called = _call_of(environ)
        question = self._question(environ, called)
        if question is None:
            return self._application(environ, self._forgetting(environ, called, start_response))
        visitor = tuple(environ.get(name, "") for name in OF_VISITOR)
        reply = self._of_admitted(visitor, question) or self._whole_way(environ, visitor, question)
        start_response(reply.status, list(reply.headers))
        return [reply.body]

    def _question(self, environ: Environ, called: dict[str, Any] | None) -> Hashable:
        """What is asked, where others may ask the same; None for anything else."""
        root = environ.get("SCRIPT_NAME", "")
        if environ["REQUEST_METHOD"] == "GET" and environ.get("PATH_INFO") == self._pulse:
            self._count()
            return root, self._pulse
        phases = self._phases(called) if called else None
        if called is None or phases is None or not isinstance(called.get("inputs"), list):
            return None
        inputs = [_without_count(entry, phases) for entry in called["inputs"]]
        return root, orjson.dumps(called | {"inputs": inputs})

    def _phases(self, called: Mapping[str, Any]) -> tuple[int, ...] | None:
        """Of the callback that is called; None where it is not shared, or a person asks."""
        output = called.get("output")
        callback = self._callbacks().get(output) if isinstance(output, str) else None
        if callback is None or not by_itself(called):
            return None
        phases: tuple[int, ...] | None = getattr(callback.get("callback"), "shared_phases", None)
        return phases

    def _of_admitted(self, visitor: Hashable, question: Hashable) -> Reply | None:
        """What somebody with the same rights was just answered, for a visitor let through lately."""
        with self._lock:
            rights, until_s = self._admitted.get(visitor, (None, 0.0))
            return self._ready((rights, question)) if time.monotonic() < until_s else None

    def _ready(self, key: Hashable) -> Reply | None:
        reply = self._replies.get(key)
        return reply if reply is not None and time.monotonic() < reply.until_s else None

    def _whole_way(self, environ: Environ, visitor: Hashable, question: Hashable) -> Reply:
        """Through the door; what the application answers serves others from now on."""
        environ[QUESTION], acts, began_s = question, self._acts, time.monotonic()
        is_pulse = environ["REQUEST_METHOD"] == "GET"
        try:
            reply = _whole(self._application, environ, began_s + (PULSE_LASTS_S if is_pulse else LASTS_S))
            key = environ.get(ASKED)
            own = any(name.lower() == "set-cookie" for name, _ in reply.headers)
            if key is not None and not own and reply.status[:3] in ("200", "204"):
                with self._lock:
                    if acts == self._acts:  # else it may be of before an act
                        self._trim(began_s)
                        self._admitted[visitor] = key[0], began_s + ADMITTED_S
                        if not environ.get(SERVED):
                            self._replies[key] = reply
        finally:
            with self._lock:
                ended = self._running.pop(environ.get(RUNS), None)
            if ended is not None:
                ended.set()
        return reply

    def _serve(self) -> Response | None:
        """Behind the door: what was just answered, or is being answered, to somebody with the same rights."""
        environ = request.environ
        if QUESTION not in environ or g.get("account") is None:
            return None
        key = environ[ASKED] = (g.account.roles, self._depends()), environ[QUESTION]
        with self._lock:
            reply, running = self._ready(key), self._running.get(key)
            if reply is None and running is None:
                environ[RUNS], self._running[key] = key, threading.Event()
        if reply is None and running is not None:
            running.wait(PATIENCE_S)
            with self._lock:
                reply = self._ready(key)
        if reply is None:
            return None
        environ[SERVED] = True
        return Response(reply.body, reply.status, list(reply.headers))

    def _trim(self, now_s: float) -> None:
        """Bounded, whatever is asked."""
        if len(self._replies) >= MOST:
            lasting = {key: reply for key, reply in self._replies.items() if now_s < reply.until_s}
            self._replies = lasting if len(lasting) < MOST else {}
        if len(self._admitted) >= MOST:
            valid = {key: entry for key, entry in self._admitted.items() if now_s < entry[1]}
            self._admitted = valid if len(valid) < MOST else {}

    def _forgetting(
        self, environ: Environ, called: dict[str, Any] | None, start_response: Callable[..., Any]
    ) -> Callable[..., Any]:
        """What a person has just changed is seen by the next question of anybody."""
        if environ["REQUEST_METHOD"] in ("GET", "HEAD", "OPTIONS") or (called and by_itself(called)):
            return start_response

        def started(status: str, headers: Any, *more: Any) -> Any:
            if status < "4":
                self.forget(visitors=called is None)
            return start_response(status, headers, *more)

        return started

    def forget(self, *, visitors: bool = True) -> None:
        """Ask the application itself from now on; `visitors`: also who they are."""
        with self._lock:
            self._acts += 1
            self._replies.clear()
            if visitors:
                self._admitted.clear()


def _call_of(environ: Environ) -> dict[str, Any] | None:
    """The call of a callback; what was read of the request stands there to be read again."""
    if environ["REQUEST_METHOD"] != "POST" or environ.get("PATH_INFO") != PATH:
        return None
    length = str(environ.get("CONTENT_LENGTH") or "")
    if not length.isdigit() or int(length) > LARGEST:
        return None
    body = environ["wsgi.input"].read(int(length))
    environ["wsgi.input"] = io.BytesIO(body)
    try:
        called = orjson.loads(body)
    except orjson.JSONDecodeError:
        return None
    return called if isinstance(called, dict) else None


def _without_count(entry: Any, phases: tuple[int, ...]) -> Any:
    """An input of a call; of the number of a tick only what matters."""
    if isinstance(entry, dict) and entry.get("property") == "n_intervals":
        return entry | {"value": phase(entry.get("value"), phases)}
    return entry


def _whole(application: Application, environ: Environ, until_s: float) -> Reply:
    """What an application answers, read to its end."""
    head: list[Any] = []
    parts = application(environ, lambda status, headers, *_: head.extend((status, tuple(headers))))
    try:
        body = b"".join(parts)
    finally:
        close = getattr(parts, "close", None)
        if close is not None:
            close()
    return Reply(head[0], head[1], body, until_s)
