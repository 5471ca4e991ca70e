"""Entries of the journal in words: what was done, to what, and why."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from logger.instants import rfc3339
from logger.store import Entry

KINDS = {
    "account": "account",
    "alarm": "alarm",
    "backup": "backup",
    "batch": "readings stored",
    "disposal": "disposal",
    "disposal-refused": "disposal refused",
    "event": "event of the service",
    "import": "import",
    "inspection": "inspection",
    "mark": "time marked as not to be trusted",
    "record": "record issued",
    "refused": "attempt refused",
    "restore": "restore",
    "restore-test": "restore test",
    "restore-test-due": "restore test due",
    "seal": "month sealed",
    "setup": "setup in force",
    "setup-approved": "setup approved",
    "setup-proposed": "setup proposed",
    "setup-refused": "setup refused",
    "signature": "signature",
    "store": "record begun",
    "token": "token of a machine",
}
ALREADY_TOLD = ("digest", "sha256", "at", "at_ns", "first_ns", "last_ns")
MACHINES = ("service", "stillroom", "poll")  # who writes without a person
# Too many, drawn by themselves, or not about the room.
QUIET = ("batch", "seal", "event", "inspection", "account", "token", "refused")


def kind(name: str) -> str:
    """A kind of entry as people call it.

    >>> kind("setup-approved"), kind("alarm-shelved")
    ('setup approved', 'alarm shelved')
    """
    return KINDS.get(name, name.replace("-", " "))


def about(what: Mapping[str, Any]) -> str:
    """What an entry is about, in one line: its facts, the long ones left out.

    >>> about({"alarm": "bay", "was": "unacknowledged", "is": "acknowledged", "digest": "0" * 64})
    'alarm bay, unacknowledged → acknowledged'
    """
    facts = {_named(k): _instant(k, v) for k, v in what.items() if k not in ALREADY_TOLD}
    change = f"{facts.pop('was')} → {facts.pop('is')}" if {"was", "is"} <= set(facts) else ""
    told = [f"{k.replace('_', ' ')} {_said(v)}" for k, v in facts.items() if _short(v)]
    return ", ".join([*told, change] if change else told)


def _named(key: str) -> str:
    return key.removesuffix("_ns")


def _instant(key: str, value: object) -> object:
    """An instant in ns as ISO 8601, UTC to the minute; anything else as it is."""
    if not key.endswith("_ns") or not isinstance(value, int) or isinstance(value, bool):
        return value
    return rfc3339(value)[:16] + "Z"


def _short(value: object) -> bool:
    return isinstance(value, bool | int | float) or (isinstance(value, str) and 0 < len(value) <= 80)


def _said(value: object) -> str:
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)


def told(entry: Entry) -> str:
    """Kind, what about, why and by whom, in one line for a mark in a chart."""
    parts = [kind(entry.kind), about(entry.what), entry.why]
    return ": ".join(part for part in parts if part)[:140] + f" ({entry.who})"
