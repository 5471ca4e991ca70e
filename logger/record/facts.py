"""Everything that a record says, as plain data: the JSON file of the record and the source of its pages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, cast
from zoneinfo import ZoneInfo

from .. import __version__
from ..config import faults_in_force
from ..core.validity.hours_of_use import Span, describe_hours, overlap_ns, spans
from ..inspections.case_forms import CaseForm
from ..instants import NS, rfc3339
from ..model import REASONS, VERDICT_OF, Period, Rule, Setup
from .act_facts import acts_about, people_of
from .act_forms import ActsFacts
from .acts import acts_in
from .case_facts import decisions_by_inspection, record_cases
from .day_strips import Strip, strip_length, strips
from .fact_forms import (
    DayFacts,
    HeadFacts,
    IssuedFacts,
    IssueFacts,
    JudgedFacts,
    LimitFacts,
    RecordFacts,
    RoomFacts,
    SetupFacts,
    ShareFacts,
    StatisticFacts,
    ZoneFacts,
)
from .interval import Interval
from .names import Names, version_people
from .probe_facts import probe_facts
from .reviews import covering
from .silence_facts import gap_facts, unlimited_facts
from .zone_readings import read_zone

if TYPE_CHECKING:
    from ..core.measurement.check import Check
    from ..store import Store
    from ..verdicts.verdicts import Verdicts
    from .zone_readings import RecordRows

FORMAT = "stillroom record 1"


def record_facts(
    store: Store,
    verdicts: Verdicts,
    setup: Setup,
    span: Interval,
    stored: Mapping[str, RecordRows] | None = None,
    *,
    draft: bool = False,
) -> RecordFacts:
    """All facts of the record but its number and the digests of its files.

    A draft writes no revision and numbers no case. stored: what `read_zone` reads of the interval, where
    that was done before.
    """
    stored = read_zone(store, setup, span.zone, span.from_ns, span.to_ns) if stored is None else stored
    where = (span.zone, span.from_ns, span.to_ns, span.now_ns)
    periods = verdicts.periods(*where)
    result = verdicts.check(*where, pre_window_s=0)
    answer = result.to_dict()
    cases = record_cases(verdicts, span, write=not draft)
    acts = acts_in(store, verdicts, setup, span, draft=draft)
    _add_decisions(acts, cases)
    zone = ZoneInfo(setup.room.timezone)
    facts: JudgedFacts = {
        "format": FORMAT,
        "simulated": store.simulated,
        "room": _room(setup),
        "zone": _zone(setup, span.zone),
        "from": rfc3339(span.from_ns),
        "to": rfc3339(span.to_ns),
        "decision_rule": answer["decision_rule"],
        "settings": list(result.settings),
        "notices": list(result.notices),
        "verdict": result.verdict,
        "limits": _limits(setup, span),
        "probes": probe_facts(setup, span),
        "statistics": _statistics(result),
        "shares": _shares(periods, _hours_of_use(setup, span)),
        "data_begin": _data_begin(store, setup, span),
        "each": strip_length(span.from_ns, span.to_ns, zone),
        "days": [_day(strip) for strip in strips(periods, span.from_ns, span.to_ns, zone)],
        "periods": [{**p.segment(), "provisional": p.provisional} for p in periods],
        "excursions": [e.facts() for e in verdicts.excursions(*where)],
        "gaps": gap_facts(stored, setup, span),
        "without_limit": unlimited_facts(stored, setup, span),
        "cases": cases,
        **acts,
        "reviews": [r.to_dict() for r in covering(store, span.zone, span.from_ns, span.to_ns)],
        "digest": answer["digest"],
        "setup": _setup(store, setup, span),
        "software": f"stillroom {__version__}",
        "head": _head(store),
    }
    return cast("RecordFacts", {**facts, "acts": acts_about(store, span), "people": people_of(store, facts)})


def _add_decisions(acts: ActsFacts, cases: Sequence[CaseForm]) -> None:
    """To each inspection the decisions on it, in place."""
    decisions = decisions_by_inspection(cases)
    for inspection in acts["inspections"]:
        inspection["decisions"] = decisions.get(inspection["key"], [])


def _day(strip: Strip) -> DayFacts:
    return {
        "label": strip.label,
        "from": rfc3339(strip.from_ns),
        "to": rfc3339(strip.to_ns),
        "change": strip.change,
        "seconds": strip.seconds,
    }


def _data_begin(store: Store, setup: Setup, span: Interval) -> str | None:
    """When the first reading of the zone was taken, to the minute; None where that is not in the interval."""
    stored = set(store.readings.channels())
    extent = store.readings.extent([key for key in setup.channels_in(span.zone) if key in stored])
    if extent is None or not span.from_ns <= extent[0] < span.to_ns:
        return None
    return rfc3339(extent[0] // (60 * NS) * 60 * NS)


def _room(setup: Setup) -> RoomFacts:
    room = setup.room
    return {
        "key": room.key,
        "name": room.name,
        "site": room.site,
        "timezone": room.timezone,
        "custodian": room.custodian,
    }


def _head(store: Store) -> HeadFacts:
    number, sha256 = store.journal.head()
    return {"number": number, "sha256": sha256}


def _zone(setup: Setup, key: str) -> ZoneFacts:
    zone = setup.zone(key)
    return {
        "key": key,
        "name": zone.name,
        "settling_s": zone.settling_s,
        "body_gap_s": zone.body_gap_s,
        "hours_of_use": describe_hours(zone.hours_of_use),
    }


def _setup(store: Store, setup: Setup, span: Interval) -> SetupFacts:
    """Which versions were known, who put them in force, and what reaches back into the interval."""
    versions = [v for v in store.setups.versions() if v.version <= setup.version]
    notices = faults_in_force(versions)
    proven, by_number = Names(store).proven_versions(), {v.version: v for v in versions}
    reaching = [c for c in setup.corrections if c.from_ns < span.to_ns and span.from_ns < c.approved_ns]
    facts: SetupFacts = {
        "version": setup.version,
        "digest": setup.digest,
        "single_person": setup.room.single_person,
        "notices": notices,
        "versions": [
            {
                "version": v.version,
                **version_people(v, proven),
                "approved": rfc3339(v.at_ns),
                "reason": v.why,
                "correction": v.correction,
                "digest": v.digest,
            }
            for v in versions
        ],
        "corrections": [
            {
                "version": c.version,
                "from": rfc3339(c.from_ns),
                "approved": rfc3339(c.approved_ns),
                **version_people(by_number[c.version], proven),
                "reason": c.reason,
            }
            for c in reaching
        ],
    }
    if not notices:
        del facts["notices"]
    return facts


def _hours_of_use(setup: Setup, span: Interval) -> list[Span] | None:
    """Hours of use in the interval; None where none are declared."""
    hours = setup.zone(span.zone).hours_of_use
    return None if hours is None else spans(hours, setup.room.timezone, span.from_ns, span.to_ns)


def _limits(setup: Setup, span: Interval) -> list[LimitFacts]:
    """Rules of the zone in force at some time of the interval."""
    return [_rule(r) for r in setup.rules if r.zone == span.zone and span.overlaps(r.from_ns, r.to_ns)]


def _rule(rule: Rule) -> LimitFacts:
    facts: LimitFacts = {
        "rule": rule.key,
        "name": rule.name,
        "kind": rule.kind,
        "quantity": rule.quantity,
        "unit": rule.unit,
        "lower": rule.lower,
        "upper": rule.upper,
        "media": list(rule.media),
        "window_s": rule.window_s,
        "guard_factor_r": rule.r,
        "disturbs": rule.disturbs,
        "activity": rule.activity,
        "basis": rule.basis,
        "approver": rule.approver,
        "from": rfc3339(rule.from_ns),
        "to": None if rule.to_ns is None else rfc3339(rule.to_ns),
    }
    if rule.plate is not None:
        plate = rule.plate
        facts["plate"] = {
            "length_mm": plate.length_mm,
            "thickness_mm": plate.thickness_mm,
            "alpha_per_K": plate.alpha_per_K,
            "u_alpha_per_K": plate.u_alpha_per_K,
        }
    return facts


def _statistics(result: Check) -> list[StatisticFacts]:
    return [cast("StatisticFacts", asdict(row)) for row in result.statistics]


def _shares(periods: Sequence[Period], used: Sequence[Span] | None) -> list[ShareFacts]:
    """Time by verdict and reason, in the order in which reasons apply, turned so that stable comes first.

    Of all hours, and of the hours of use where any are declared and lie in the interval.
    """
    total = sum(p.to_ns - p.from_ns for p in periods)
    whole = sum(end - begin for begin, end in used or ())
    rows: list[ShareFacts] = []
    for reason in reversed(REASONS):
        spent = sum(p.to_ns - p.from_ns for p in periods if p.reason == reason)
        if spent:
            rows.append(
                {
                    "verdict": VERDICT_OF[reason],
                    "reason": reason,
                    "seconds": spent // NS,
                    "share": spent / total,
                    "share_in_use": _share_of(periods, reason, used or (), whole),
                }
            )
    return rows


def _share_of(periods: Sequence[Period], reason: str, used: Sequence[Span], whole_ns: int) -> float | None:
    of_reason = [(p.from_ns, p.to_ns) for p in periods if p.reason == reason]
    return overlap_ns(of_reason, used) / whole_ns if whole_ns else None


def with_issue_head(facts: RecordFacts, issue: IssueFacts) -> IssuedFacts:
    """The facts of a record under the head of one issue of it, which stands behind the format."""
    body = {"format": facts["format"], "issue": issue, **{k: v for k, v in facts.items() if k != "format"}}
    return cast("IssuedFacts", body)
