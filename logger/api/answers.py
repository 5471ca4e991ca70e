"""Answers of the interface: JSON, pages of lists, and what a program need not fetch twice."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from typing import Any, TypeVar
from urllib.parse import urlencode

from flask import Response, request

from ..instants import rfc3339
from .cursors import Page
from .problems import here

Entry = TypeVar("Entry")
MS = 1_000_000
REVALIDATED = "private, no-cache"


def json_answer(content: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """Plain data as JSON."""
    text = json.dumps(content, ensure_ascii=False, allow_nan=False)
    return Response(text, status, dict(headers or {}), mimetype="application/json")


def page_answer(page: Page[Entry], plain: Callable[[Entry], Any]) -> Response:
    """One page of a list; `next`, also as a link (RFC 8288), is the address of the following one."""
    address = None
    if page.next is not None:
        address = f"{here(request.path)}?{urlencode({**request.args.to_dict(), 'cursor': page.next})}"
    content = {"items": [plain(entry) for entry in page.entries], "next": address}
    return json_answer(content, headers={} if address is None else {"Link": f'<{address}>; rel="next"'})


def ms(at_ns: int) -> str:
    """An instant in UTC, to the millisecond: more digits are cut by many a language.

    >>> ms(1_792_398_600_123_456_789)
    '2026-10-19T08:30:00.123Z'
    """
    return rfc3339(at_ns // MS * MS)


def conditional(response: Response) -> Response:
    """With a strong ETag of the bytes; 304 where the program has these bytes (RFC 9110, 13)."""
    if response.is_streamed or request.method not in ("GET", "HEAD") or response.status_code != 200:
        response.headers.setdefault("Cache-Control", "no-store")
        return response
    response.set_etag(hashlib.sha256(response.get_data()).hexdigest()[:32])
    response.headers["Cache-Control"] = REVALIDATED
    response.make_conditional(request.environ)
    return response
