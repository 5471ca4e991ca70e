"""The interface described as OpenAPI 3.1: served, shipped as docs/openapi.json, and tested against."""

from __future__ import annotations

from typing import Any

from .. import __version__
from .paths import paths
from .schemas import schemas

VERSION = "v1"
TAGS = {
    "verdicts": "How zones are now, and whether the room supported a measurement",
    "inspections": "For measuring programs: may it start, start, stop, what the room was like",
    "readings": "Channels and what they read, corrected, with uncertainties",
    "nodes": "Readings that come by themselves",
    "service": "Whether everything runs",
    "description": "This description and the kinds of problems",
}
_TEXT = {"type": "string"}
_HEADERS = {
    "ETag": (
        "Digest of the body; send it as If-None-Match and a body that is the same is not sent again",
        _TEXT,
    ),
    "Link": ('Address of the next page, as rel="next" (RFC 8288)', _TEXT),
    "Location": ("Address of the inspection", _TEXT),
    "RateLimit": ("What is left: requests (r) and seconds (t) until there are more", _TEXT),
    "RateLimit-Policy": ("So many requests at once (q), which come back within so many seconds (w)", _TEXT),
    "Retry-After": ("Seconds to wait", {"type": "integer"}),
    "WWW-Authenticate": ("How to sign in", _TEXT),
}


def description() -> dict[str, Any]:
    """The OpenAPI document; the same for every record."""
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "stillroom",
            "version": __version__,
            "summary": "Whether a measuring room supported a measurement",
            "description": "For machines: measuring programs, nodes that push, watchers. Each request has a "
            "bearer token, made by `stillroom user token add NAME --scope SCOPE`. What was answered with a "
            "status of 2xx is stored. Unknown parameters and fields are refused. Instants in answers are "
            "in UTC.",
            "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
        },
        "servers": [{"url": f"/api/{VERSION}"}],
        "security": [{"token": []}],
        "tags": [{"name": name, "description": text} for name, text in TAGS.items()],
        "paths": paths(),
        "components": {
            "securitySchemes": {
                "token": {"type": "http", "scheme": "bearer"},
                "password": {"type": "http", "scheme": "basic"},
            },
            "headers": {
                name: {"description": text, "schema": shape} for name, (text, shape) in _HEADERS.items()
            },
            "schemas": schemas(),
        },
    }
