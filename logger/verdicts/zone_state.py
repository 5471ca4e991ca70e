"""The newest verdict of each zone as it can be relied on now, for programs: polled, streamed or published.

An old verdict is none: where the service has not judged a zone for three minutes, the zone is not shown.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from ..core.judge.statement import sentence
from ..instants import NS, rfc3339, to_ns
from ..model import Setup
from ..store import Store
from .verdicts import Verdicts

TRUSTED_S = 180  # so long after its minute a verdict is one of now


@dataclass(frozen=True)
class ZoneState:
    """The verdict of a zone now. since, judged_until: RFC 3339, None where nothing was judged yet."""

    zone: str
    name: str
    verdict: str
    reason: str
    sentence: str
    since: str | None
    judged_until: str | None
    provisional: bool
    simulated: bool = False

    @property
    def news(self) -> tuple[str, str, str | None, bool]:
        """What makes it another verdict than before; a further minute of the same does not."""
        return self.verdict, self.reason, self.since, self.provisional

    def valid_until(self, most_s: int) -> str | None:
        """Until when it may be believed though nothing further is heard; None where nothing was judged."""
        if self.judged_until is None:
            return None
        return rfc3339(_ns(self.judged_until) + min(most_s, TRUSTED_S) * NS)

    def lost(self) -> ZoneState:
        """What holds where this state can be renewed no more: the zone is not shown."""
        until = self.judged_until
        since = f"No verdict since {until}." if until else "No verdict yet."
        words = ("not shown", "indeterminate", f"{self.name}: not shown. {since}", until, until)
        return ZoneState(self.zone, self.name, *words, provisional=True, simulated=self.simulated)

    def to_dict(self) -> dict[str, Any]:
        """Plain data; `digest` is the SHA-256 of all the other members (sorted keys, no blanks, UTF-8)."""
        body = dict(vars(self))
        return body | {"digest": hashlib.sha256(canonical(body).encode()).hexdigest()}


def canonical(body: Mapping[str, Any]) -> str:
    """Plain data as one text, whatever the order of its members.

    >>> canonical({"b": 1, "a": "°"})
    '{"a":"°","b":1}'
    """
    return json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def zone_states(store: Store, setup: Setup, now_ns: int) -> list[ZoneState]:
    """The state of every zone that was not given up, in the order of the setup; nothing is judged for it."""
    live, verdicts = store.verdict_cache.live(), Verdicts(store, setup)
    states = []
    for zone in setup.zones_now():
        state = _live_state(zone.name, live.get(zone.key)) or _stored_state(verdicts, zone.key, zone.name)
        states.append(replace(_trusted(state, now_ns), simulated=store.simulated))
    return states


def _live_state(name: str, text: str | None) -> ZoneState | None:
    """What the service stored last; None where that is nothing, or nothing that can be read."""
    try:
        body = json.loads(text or "")
        words = (body["verdict"], body["reason"], body["sentence"], body["since"], body["at"])
        _ns(words[-1])
        return ZoneState(body["zone"], name, *words, provisional=bool(body["provisional"]))
    except (ValueError, TypeError, KeyError):
        return None


def _stored_state(verdicts: Verdicts, zone: str, name: str) -> ZoneState:
    """Of a record that no service judges now: a node's, or one of imported files."""
    period, until_ns = verdicts.current(zone), verdicts.stored_until(zone)
    if period is None or until_ns is None:
        return ZoneState(zone, name, "not shown", "indeterminate", f"{name}: not shown.", None, None, True)
    until = rfc3339(until_ns)
    words = (period.verdict, period.reason, sentence(name, period.reason), rfc3339(period.from_ns), until)
    return ZoneState(zone, name, *words, provisional=period.provisional)


def _trusted(state: ZoneState, now_ns: int) -> ZoneState:
    """The state, or *not shown* where its verdict is not one of now: too old, or of a time to come."""
    if state.judged_until is None or abs(now_ns - _ns(state.judged_until)) <= TRUSTED_S * NS:
        return state
    return state.lost()


def _ns(text: str) -> int:
    return to_ns(datetime.fromisoformat(text))
