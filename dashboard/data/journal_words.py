"""Entries of the journal in words: what was done, to what, and why."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from logger.instants import rfc3339
from logger.model.figures import value_text
from logger.store import JournalEntry

from .words import local_offset, parse_ns

KINDS = {
    "account": "account",
    "alarm": "alarm",
    "backup": "backup",
    "case": "case",
    "confirmation": "calibration due",
    "batch": "readings stored",
    "disposal": "disposal",
    "disposal-refused": "disposal refused",
    "event": "service event",
    "import": "import",
    "inspection": "inspection",
    "mark": "time marked as not to be used",
    "record": "record issued",
    "refused": "access refused",
    "restore": "restore",
    "restore-test": "restore test",
    "archive-moved": "sealed files moved",
    "restore-test-due": "restore test due",
    "seal": "month sealed",
    "setup": "setup in force",
    "setup-approved": "setup approved",
    "setup-proposed": "setup proposed",
    "setup-refused": "setup rejected",
    "signature": "signature",
    "store": "data folder created",
    "token": "machine token",
    "verdict-issue": "verdict",
}
ALREADY_TOLD = ("digest", "sha256", "at", "at_ns", "first_ns", "last_ns")
SECRET = ("password",)  # only that it was set is told, not even its digest
LONGEST, FEW, MANY = 80, 6, 2  # letters of a fact, facts of a list, tables in it that are still written
UNITS = {
    "_um": "µm",
    "_mm": "mm",
    "_m": "m",
    "_C": "°C",
    "_K": "K",
    "_s": "s",
    "_bytes": "B",
    "_days": "days",
}
# What a mark in a chart names of an entry: the first of these that it has.
MAIN = ("name", "alarm", "inspection", "case", "version", "record", "number", "zone", "channel", "probe")
# Of no use to a reader; the entry itself has them.
LEFT_OUT = ("step", "original", "upto_arrival", "sequence", "occurrence", "through")
KEY_WORDS = {
    "issue": "revision",
    "runs": "excursions",
    "texts": "notes",
    "other_verdict": "verdict changed",
    "system_user": "login",
    "act": "",
    "name": "",
    "event": "",
    "person": "",
}  # fmt: skip  (empty: the fact says enough)
# Keys that make one phrase together, and the phrase; the first whose keys an entry has.
SENTENCES: tuple[tuple[tuple[str, ...], str], ...] = (
    (("account", "act", "person"), "{person} [{account}]: {act}"),
    (("case", "act", "zone", "from", "to"), "case {case} in {zone}, {from} to {to}: {act}"),
    (
        ("inspection", "act", "key", "title", "zone", "from_ns", "to_ns"),
        "inspection {inspection} in {zone}, {from_ns} to {to_ns}: {act}: {title}",
    ),
    (("year", "month", "rows", "file", "from_ns", "to_ns"), "{year}-{month}: {rows} readings in {file}"),
    (("event", "setup", "software"), "{event} of version {software} with setup {setup}"),
)  # fmt: skip
ACT_WORDS = {
    "add": "added",
    "begin": "begun",
    "close": "closed",
    "end": "ended",
    "note": "notes saved",
    "effect": "effect of the corrective action reviewed",
    "plan": "planned",
    "revoke": "revoked",
    "stop": "stopped",
    "void": "declared void",
}
DIGEST = re.compile(r"\b[0-9a-f]{64}\b")
INSTANT = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}(?::\d{2}(?:\.\d+)?)?Z")
# Too many, drawn by themselves, or not about the room.
QUIET = ("batch", "seal", "event", "inspection", "account", "token", "refused")


def kind(name: str) -> str:
    """A kind of entry as people call it.

    >>> kind("setup-approved"), kind("alarm-shelved")
    ('setup approved', 'alarm shelved')
    """
    return KINDS.get(name, name.replace("-", " "))


def entry_facts(what: Mapping[str, Any]) -> str:
    """What an entry is about, in one line: its facts, the long ones left out.

    >>> entry_facts({"alarm": "bay", "was": "unacknowledged", "is": "acknowledged", "digest": "0" * 64})
    'alarm bay, unacknowledged → acknowledged'
    >>> entry_facts({"tolerance_um": 25.0, "roles": ["reader", "quality"]})
    'tolerance 25 µm, roles reader and quality'
    >>> entry_facts({"account": "visitor", "act": "add", "person": "A visitor", "roles": ["reader"]})
    'A visitor [visitor]: added; roles reader'
    >>> entry_facts({"case": 37, "act": "closed", "zone": "bay", "from": "2026-10-10", "to": "2026-10-12"})
    'case 37 in bay, 2026-10-10 to 2026-10-12: closed'
    >>> entry_facts({"inspection": "I-7", "issue": 2, "verdict": "stable", "reason": "conforming"})
    'inspection I-7, revision 2: stable, conforming'
    >>> entry_facts({"alarm": "bay", "limit": 20.5, "probe": "P2", "unit": "degC", "worst": 20.558882})
    'alarm bay, limit 20.50 °C, probe P2, worst 20.56 °C'
    """
    if {"inspection", "issue", "verdict", "reason"} <= set(what):
        return _revision(what)
    phrases = [(keys, words) for keys, words in SENTENCES if all(_is_plain(what.get(key)) for key in keys)]
    if phrases:
        return _sentence(*phrases[0], what)
    return _facts(what)


def _is_plain(value: object) -> bool:
    return isinstance(value, int | str) and not isinstance(value, bool) and value != ""


def _sentence(keys: tuple[str, ...], words: str, what: Mapping[str, Any]) -> str:
    """What an entry says first, in the words of its kind; its other facts follow."""
    plain = {key: _fact_text(key, what[key]) for key in keys}
    others = _facts({key: value for key, value in what.items() if key not in keys})
    return words.format(**plain) + (f"; {others}" if others else "")


def _facts(what: Mapping[str, Any]) -> str:
    what = _with_unit(what)
    facts = {k: _fact_text(k, v) for k, v in what.items() if k not in (*ALREADY_TOLD, *SECRET, *LEFT_OUT)}
    change = f"{facts.pop('was')} → {facts.pop('is')}" if {"was", "is"} <= set(facts) else ""
    parts = [f"{_key_words(k)} {text}".strip() for k, text in facts.items() if text]
    parts += [f"a new {k}" for k in SECRET if k in what]
    return ", ".join(part for part in (*parts, change, _through(what.get("through"))) if part)


def _with_unit(what: Mapping[str, Any]) -> Mapping[str, Any]:
    """The facts with their values in the unit that stands beside them."""
    unit = what.get("unit")
    values = {k: v for k in ("limit", "worst") if isinstance(v := what.get(k), int | float)}
    if not isinstance(unit, str) or not values:
        return what
    texts = {key: value_text(value, unit, limit=values.get("limit")) for key, value in values.items()}
    return {key: value for key, value in {**what, **texts}.items() if key != "unit"}


def _revision(what: Mapping[str, Any]) -> str:
    """An issued verdict of an inspection: its number, the verdict, and whether it is another one."""
    verdict = (
        f"inspection {what['inspection']}, revision {what['issue']}: {what['verdict']}, {what['reason']}"
    )
    changed = ", verdict changed" if what.get("other_verdict") else ""
    because = str(what.get("because") or "").rstrip(".")
    return f"{verdict}{', provisional' if what.get('provisional') else ''}{changed}" + (
        f". {because}" if because and len(because) <= LONGEST else ""
    )


def _through(way: object) -> str:
    """How an act came, where that says more than its person: by whose login, or signed with which meaning."""
    if not isinstance(way, Mapping):
        return ""
    login = f"at the {way['at']} as {way['system_user']}" if way.get("system_user") else ""
    return ", ".join(
        part for part in (login, f"signed: {way['signed']}" if way.get("signed") else "") if part
    )


def _key_words(key: str) -> str:
    if key in KEY_WORDS:
        return KEY_WORDS[key]
    ending = next((e for e in UNITS if key.endswith(e)), "")
    return key.removesuffix(ending).removesuffix("_ns").replace("_", " ")


def _fact_text(key: str, value: object) -> str:
    """A fact in words; nothing where it is too long for a line."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return _number(key, value)
    if isinstance(value, str):
        words = ACT_WORDS.get(value, value) if key == "act" else value
        short = DIGEST.sub(lambda match: match[0][:12], words).rstrip(".")
        return short if len(short) <= LONGEST else ""
    return _several(value)


def _number(key: str, value: float) -> str:
    """An instant in ns as ISO 8601, UTC to the minute; a number with the unit that its key names."""
    if key.endswith("_ns") and isinstance(value, int):
        return rfc3339(value)[:16] + "Z"
    unit = next((u for ending, u in UNITS.items() if key.endswith(ending)), "")
    return f"{value:.12g} {unit}".strip()


def _several(value: object) -> str:
    """A short list, or a small table of facts."""
    if isinstance(value, Mapping):
        flat = len(value) <= FEW and not any(isinstance(v, Mapping | list) for v in value.values())
        return f"({entry_facts(value)})" if flat and value else ""
    if not isinstance(value, list) or not value:
        return ""
    if len(value) > MANY and isinstance(value[0], Mapping):
        return str(len(value))
    parts = [entry_facts(item) if isinstance(item, Mapping) else str(item) for item in value[:FEW]]
    more = f" and {len(value) - FEW} more" if len(value) > FEW else ""
    return ("; " if isinstance(value[0], Mapping) else " and ").join(parts) + more


def entry_sentence(entry: JournalEntry) -> str:
    """Kind, what about, why and by whom, in one line for a mark in a chart."""
    main = next((str(entry.what[key]) for key in MAIN if entry.what.get(key) not in (None, "")), "")
    about = f"{kind(entry.kind)} {main}".strip()
    return f"{about}: {entry.why}"[:140].removesuffix(": ") + f" ({entry.who})"


def local_times(text: str, zone: str) -> str:
    """A text whose instants in UTC are written as the room's clock showed them, with the offset.

    >>> local_times("from 2026-10-19T04:00:00Z to 2026-11-19T05:00Z", "Europe/Vienna")
    'from 2026-10-19 06:00 +02:00 to 2026-11-19 06:00 +01:00'
    """
    return INSTANT.sub(lambda match: local_offset(parse_ns(_whole(match[0])), zone), text)


def _whole(text: str) -> str:
    return text if text.count(":") > 1 else text.replace("Z", ":00Z")
