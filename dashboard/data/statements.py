"""The newest word on a zone, as the service left it; one that is too old to trust loses its place."""

from __future__ import annotations

from dataclasses import dataclass, replace

from logger.instants import NS
from logger.model import Conformity, RuleState, Zone
from logger.model.plain_forms import ExpectedBand, ExpectedCrossing, LiveRule, LiveStatement

from .words import STALE_S, age, clock, in_read_units, parse_ns, plain


@dataclass(frozen=True)
class Ahead:
    """Until when a zone stays within its limits at its present rate, and what ends that, if anything."""

    until_ns: int
    earliest_ns: int | None = None
    latest_ns: int | None = None
    reached: str = ""


@dataclass(frozen=True)
class Band:
    """Where a channel is expected in 8 cases of 10: its value now, then low and high at later instants."""

    channel: str
    at_ns: tuple[int, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


@dataclass(frozen=True)
class Statement:
    """The newest word on a zone, or that there is none to trust."""

    zone: str
    name: str
    verdict: str
    reason: str
    sentence: str
    next_step: str
    rules: tuple[RuleState, ...] = ()
    since_ns: int | None = None
    ahead: Ahead | None = None
    bands: tuple[Band, ...] = ()
    stale: bool = False
    age_s: float | None = None  # of the verdict; None: there is none
    last_verdict: str = ""  # of a verdict that is too old to use

    def when(self, now_ns: int, timezone: str) -> str:
        """Since when the verdict holds, and what is expected: "since 09:54. No limit expected …"."""
        if self.stale:
            return ""
        since = f"since {clock(self.since_ns, now_ns, timezone)}" if self.since_ns is not None else ""
        return ". ".join(part for part in (since, self._until(now_ns, timezone)) if part)

    def _until(self, now_ns: int, timezone: str) -> str:
        if self.ahead is None or self.verdict != "stable":
            return ""

        def at(ns: int | None) -> str:
            return "never" if ns is None else clock(ns, now_ns, timezone)

        there = self.ahead
        if not there.reached:
            return f"No limit expected to be reached before {at(there.until_ns)}"
        if there.latest_ns is None:
            span = f"not before {at(there.earliest_ns)}"
        else:
            span = f"{at(there.earliest_ns)} to {at(there.latest_ns)}"
        return f"{there.reached} at about {at(there.until_ns)} ({span})"


def statement(zone: Zone, body: LiveStatement | None, now: int, *, begun: bool = False) -> Statement:
    """What the service said of a zone last; not shown when it said nothing, or too long ago.

    begun: the record is a few minutes old, so that the first verdict is still to come.
    """
    if body is None:
        return _missing_statement(zone, begun=begun)
    newest = _statement_from(zone, body)
    seconds = (now - parse_ns(body["at"])) / NS
    newest = replace(newest, age_s=seconds)
    return newest if seconds <= STALE_S else _too_old(newest, seconds)


def _missing_statement(zone: Zone, *, begun: bool) -> Statement:
    young = "Readings have begun. The first verdict follows after one complete minute of them."
    return Statement(
        zone=zone.key,
        name=zone.name,
        verdict="not shown",
        reason="indeterminate",
        sentence=f"{zone.name}: not shown.",
        next_step=young
        if begun
        else "No verdict for this zone yet. If the service is not running, start it: stillroom run",
        stale=True,
    )


def _too_old(newest: Statement, seconds: float) -> Statement:
    return replace(
        newest,
        verdict="not shown",
        reason="indeterminate",
        stale=True,
        rules=(),
        ahead=None,
        bands=(),
        sentence=f"{newest.name}: not shown. No verdict for {age(seconds)}.",
        next_step=f"Last verdict: {newest.verdict}. Check that the service is running.",
        last_verdict=newest.verdict,
    )


def _statement_from(zone: Zone, body: LiveStatement) -> Statement:
    return Statement(
        zone=zone.key,
        name=zone.name,
        verdict=body["verdict"],
        reason=body["reason"],
        sentence=in_read_units(body["sentence"]),
        next_step=in_read_units(body["next_step"]),
        rules=tuple(_rule_state(r) for r in body["rules"]),
        since_ns=parse_ns(body["since"]),
        ahead=_ahead(body["ahead"]),
        bands=tuple(_band(band, parse_ns(body["at"])) for band in body.get("bands", ())),
    )


def _band(body: ExpectedBand, at_ns: int) -> Band:
    later = (at_ns + minutes * 60 * NS for minutes in body["minutes"])
    low, high = ((body["value"], *body[edge]) for edge in ("low", "high"))
    return Band(body["channel"], (at_ns, *later), low, high)


def _ahead(body: ExpectedCrossing | None) -> Ahead | None:
    if not body:
        return None
    if "rule" not in body:
        return Ahead(parse_ns(body["until"]))
    latest = None if body["latest"] is None else parse_ns(body["latest"])
    probe = body["probe"] or body["name"]
    probability = body.get("probability")
    likely = "" if probability is None else f" with {100 * probability:.0f} %"
    reached = f"{probe} is expected to reach {plain(body['limit'], body['unit'])}{likely}"
    return Ahead(parse_ns(body["until"]), parse_ns(body["earliest"]), latest, reached)


def _rule_state(body: LiveRule) -> RuleState:
    return RuleState(
        rule=body["rule"],
        name=body["name"],
        cell_ns=parse_ns(body["at"]),
        value=body["value"],
        U=body["U"],
        margin=body["margin"],
        unit=body["unit"],
        lower=body["lower"],
        upper=body["upper"],
        conformity=Conformity[body["conformity"].upper().replace(" ", "_")],
        probe=body["probe"],
        why=body["why"],
        outside=tuple(body.get("outside", ())),  # absent in a statement of an earlier version,
    )
