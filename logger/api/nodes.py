"""Readings that come by themselves: messages of nodes, and rows of another stillroom."""

from __future__ import annotations

from dataclasses import asdict

from flask import Response, request

from ..model import PushedLine
from ..service.incoming import Duplicate, push, take_rows
from . import inputs
from .access import RecordAccess
from .answers import json_answer
from .door import token
from .problems import RequestProblem

BODIES = ("application/json", "application/senml+json")


class NodeRoutes:
    """What nodes push."""

    def __init__(self, access: RecordAccess) -> None:
        self._access = access

    def push(self, node: str, seq: str) -> Response:
        """Store one message of a node; on the disk when this answers."""
        if request.mimetype not in BODIES:
            detail = f"Content-Type: expected {' or '.join(BODIES)}, found {request.mimetype[:60] or 'none'}."
            raise RequestProblem("media-type-unknown", detail)
        self._require_own(node)
        access, number = self._access, inputs.number(seq)
        try:
            accepted = push(
                access.store, access.current.config, node, number, request.get_data(), access.now_ns()
            )
        except Duplicate as duplicate:
            raise RequestProblem("message-exists", str(duplicate)) from None
        return json_answer(asdict(accepted))

    def rows(self, node: str) -> Response:
        """Store rows of another stillroom; answers the number that is expected next."""
        body = inputs.body(inputs.Rows)
        self._require_own(node)
        access, what = self._access, (body.record, body.first, body.rows)
        return json_answer(
            {"next": take_rows(access.store, access.current.config, node, *what, access.now_ns())}
        )

    def _require_own(self, node: str) -> None:
        """A token speaks for the node of its own name, and for the probes that it names."""
        mine, lines = token(), self._access.current.config.lines
        own = [line for line in lines if isinstance(line, PushedLine) and line.node == node]
        foreign = [line.probe for line in own if mine.probes and line.probe not in mine.probes]
        if node != mine.name or foreign:
            detail = f"This token is for the node {mine.name!r} and its own probes."
            raise RequestProblem("other-node", detail)
