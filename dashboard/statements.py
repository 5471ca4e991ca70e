"""The newest word on a zone, as the service left it; one that is too old to trust loses its place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from logger.model import NS, Conformity, RuleState, Zone

from .wording import STALE_S, age, parsed, spoken


@dataclass(frozen=True)
class Statement:
    """The newest word on a zone, or that there is none to trust."""

    zone: str
    name: str
    verdict: str
    reason: str
    sentence: str
    next_step: str
    rules: tuple[RuleState, ...]
    since_ns: int | None
    at_ns: int | None
    provisional: bool
    oldest_reading_s: float | None
    stale: bool


def statement(zone: Zone, body: Mapping[str, Any] | None, now: int) -> Statement:
    """What the service said of a zone last; not shown when it said nothing, or too long ago."""
    if body is None:
        told = "The service has not judged this zone yet. Start it with `stillroom run`."
        unsaid = (), None, None, False, None, True
        return Statement(
            zone.key, zone.name, "not shown", "indeterminate", f"{zone.name}: not shown.", told, *unsaid
        )
    said = _said(zone, body)
    seconds = (now - parsed(body["at"])) / NS
    if seconds <= STALE_S:
        return said
    return replace(
        said,
        verdict="not shown",
        reason="indeterminate",
        stale=True,
        rules=(),
        sentence=f"{zone.name}: not shown. The last word is {age(seconds)} old.",
        next_step=f"It was: {said.sentence} The service has not judged since; look whether it runs.",
    )


def _said(zone: Zone, body: Mapping[str, Any]) -> Statement:
    return Statement(
        zone.key,
        zone.name,
        body["verdict"],
        body["reason"],
        spoken(body["sentence"]),
        spoken(body.get("next_step", "")),
        tuple(_rule_state(r) for r in body.get("rules", ())),
        parsed(body["since"]) if body.get("since") else None,
        parsed(body["at"]),
        bool(body.get("provisional")),
        body.get("oldest_reading_s"),
        False,
    )


def _rule_state(body: Mapping[str, Any]) -> RuleState:
    found = body["conformity"]
    conformity = Conformity[found.upper().replace(" ", "_")] if isinstance(found, str) else Conformity(found)
    return RuleState(
        body["rule"],
        body["name"],
        parsed(body["cell_ns"]) if "cell_ns" in body else 0,
        body.get("value"),
        body.get("U"),
        body.get("margin"),
        body["unit"],
        body.get("lower"),
        body.get("upper"),
        conformity,
        body.get("probe") or "",
        body.get("why") or "",
    )
