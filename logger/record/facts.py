"""Everything that a record says, as plain data: the JSON file of the record and the source of its pages."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, cast
from zoneinfo import ZoneInfo

import numpy as np

from .. import __version__
from ..config import faults_in_force
from ..core.calibration.as_found import released_until_ns
from ..core.validity.hours_of_use import Span, describe_hours, overlap_ns, spans
from ..instants import NS, rfc3339
from ..model import REASONS, VERDICT_OF, Certificate, Excursion, Period, Placement, Rule, Setup
from ..series import Int
from .act_facts import acts_about, people_of
from .acts import acts_in
from .case_facts import decisions_by_inspection, record_cases
from .corrections import correction_facts, trace_facts
from .day_strips import Strip, strip_length, strips
from .fact_forms import (
    CertificateFacts,
    DayFacts,
    ExcursionFacts,
    GapFacts,
    IssuedFacts,
    IssueFacts,
    JudgedFacts,
    LimitFacts,
    PeriodFacts,
    RecordFacts,
    RoomFacts,
    SetupFacts,
    ShareFacts,
    StatisticFacts,
    StayFacts,
    UnlimitedFacts,
    ZoneFacts,
)
from .interval import Interval
from .names import Names, version_people
from .reviews import covering

if TYPE_CHECKING:
    from ..core.measurement.check import Check
    from ..store import Store
    from ..verdicts.verdicts import Verdicts

FORMAT = "stillroom record 1"


def record_facts(
    store: Store, verdicts: Verdicts, setup: Setup, span: Interval, *, draft: bool = False
) -> RecordFacts:
    """All facts of the record but its number and the digests of its files; a draft writes
    no revision and numbers no case."""
    where = (span.zone, span.from_ns, span.to_ns, span.now_ns)
    periods = verdicts.periods(*where)
    result = verdicts.check(*where, pre_window_s=0)
    answer = result.to_dict()
    cases = record_cases(verdicts, span, write=not draft)
    acts = acts_in(store, verdicts, setup, span, draft=draft)
    decisions = decisions_by_inspection(cases)
    for job in acts["inspections"]:
        job["decisions"] = decisions.get(job["key"], [])
    zone = ZoneInfo(setup.room.timezone)
    number, head = store.journal.head()
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
        "limits": [
            _rule(r) for r in setup.rules if r.zone == span.zone and span.overlaps(r.from_ns, r.to_ns)
        ],
        "probes": _probes(setup, span),
        "statistics": _statistics(result),
        "shares": _shares(periods, _hours_of_use(setup, span)),
        "data_begin": _data_begin(store, setup, span),
        "each": strip_length(span.from_ns, span.to_ns, zone),
        "days": [_day(strip) for strip in strips(periods, span.from_ns, span.to_ns, zone)],
        "periods": [_period(p) for p in periods],
        "excursions": [_excursion(e) for e in verdicts.excursions(*where)],
        "gaps": _gaps(store, setup, span),
        "without_limit": _without_limit(store, setup, span),
        "cases": cases,
        **acts,
        "reviews": [r.to_dict() for r in covering(store, span.zone, span.from_ns, span.to_ns)],
        "digest": answer["digest"],
        "setup": _setup(store, setup, span),
        "software": f"stillroom {__version__}",
        "head": {"number": number, "sha256": head},
    }
    return cast("RecordFacts", {**facts, "acts": acts_about(store, span), "people": people_of(store, facts)})


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


def _probes(setup: Setup, span: Interval) -> list[StayFacts]:
    """Each stay of a probe in the zone, with the certificates that were in force during it."""
    stays = [
        p
        for p in sorted(setup.placements, key=lambda p: (p.probe, p.from_ns))
        if setup.positions[p.position].zone == span.zone and span.overlaps(p.from_ns, p.to_ns)
    ]
    return [_stay_dict(setup, stay, span) for stay in stays]


def _stay_dict(setup: Setup, stay: Placement, span: Interval) -> StayFacts:
    probe, position = setup.probes[stay.probe], setup.positions[stay.position]
    until_ns = span.to_ns if stay.to_ns is None else min(stay.to_ns, span.to_ns)
    within = replace(span, from_ns=max(stay.from_ns, span.from_ns), to_ns=until_ns)
    in_force = {key: _in_force(setup, key, within) for key in probe.channels}
    return {
        "probe": probe.key,
        "serial": probe.serial,
        "description": probe.description,
        "position": position.name,
        "medium": position.medium,
        "xyz_m": list(position.xyz_m),
        "from": rfc3339(stay.from_ns),
        "to": None if stay.to_ns is None else rfc3339(stay.to_ns),
        "certificates": [
            _certificate(c, within, setup) for certificates in in_force.values() for c in certificates
        ],
        "without_certificate": [key for key, certificates in in_force.items() if not certificates],
    }


def _in_force(setup: Setup, channel: str, span: Interval) -> list[Certificate]:
    """A certificate holds from the day it was put in use until the next one was."""
    certificates = setup.certificates_of(channel)
    ends = [*(c.valid_from_ns for c in certificates[1:]), None][: len(certificates)]
    return [c for c, end in zip(certificates, ends, strict=True) if span.overlaps(c.valid_from_ns, end)]


def _release_text(c: Certificate, setup: Setup) -> str:
    """By which later certificate overdue time was released, and why."""
    later = [other for other in setup.certificates_of(c.channel) if other.valid_from_ns > c.valid_from_ns]
    released_ns = released_until_ns(c, later[0]) if later else None
    if released_ns is None:
        return ""
    return f", released until {rfc3339(released_ns)} by {later[0].number}: {later[0].releases_overdue}"


def _certificate(c: Certificate, span: Interval, setup: Setup) -> CertificateFacts:
    status = "confirmed"
    if c.due_ns is not None and c.due_ns < span.to_ns:
        status = "overdue" + _release_text(c, setup)
    if c.withdrawn_ns is not None and c.withdrawn_ns < span.to_ns:
        status = "withdrawn"
    return {
        "number": c.number,
        "channel": c.channel,
        "issuer": c.issuer,
        "accreditation": c.accreditation,
        "calibrated_on": c.calibrated_on,
        "due": None if c.due_ns is None else rfc3339(c.due_ns),
        "U": max(c.U),
        "unit": {"degC": "K"}.get(setup.channels[c.channel].unit, setup.channels[c.channel].unit),
        "k": c.k,
        "range": list(c.range),
        "status": status,
        **correction_facts(c, setup),
        "worked_out": trace_facts(c, setup, span),
    }


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


def _period(p: Period) -> PeriodFacts:
    return {
        "from": rfc3339(p.from_ns),
        "to": rfc3339(p.to_ns),
        "verdict": p.verdict,
        "reason": p.reason,
        "rule": p.rule,
        "probe": p.probe,
        "provisional": p.provisional,
    }


def _excursion(e: Excursion) -> ExcursionFacts:
    return {
        "rule": e.rule,
        "from": rfc3339(e.from_ns),
        "to": rfc3339(e.to_ns),
        "worst": e.worst,
        "worst_at": rfc3339(e.worst_ns),
        "limit": e.limit,
        "U": e.U,
        "unit": e.unit,
        "exceedance": e.exceedance,
        "probes": list(e.probes),
        "proven": e.proven,
        "basis": e.basis,
        "asks_disposition": e.asks_disposition,
    }


def _gaps(store: Store, setup: Setup, span: Interval) -> list[GapFacts]:
    """Where a channel that a limit rests on was silent for too long, the ends of the interval included."""
    by_interval: dict[tuple[int, int], list[str]] = {}
    for key in _judged_channels(setup, span):
        for gap in _gaps_of(store, setup, key, span):
            by_interval.setdefault(gap, []).append(key)
    return [
        {"from": rfc3339(a), "to": rfc3339(b), "seconds": (b - a) // NS, "channels": keys}
        for (a, b), keys in sorted(by_interval.items())
    ]


def _gaps_of(store: Store, setup: Setup, key: str, span: Interval) -> Iterable[tuple[int, int]]:
    """While its probe stood in the zone: a probe that came later was not silent before."""
    longest = int(setup.channels[key].max_age_s * NS)
    for edges in _edges_of(store, setup, key, span):
        for place in np.flatnonzero(np.diff(edges) > longest):
            yield int(edges[place]), int(edges[place + 1])


def _edges_of(store: Store, setup: Setup, key: str, span: Interval) -> Iterator[Int]:
    """Of each stay in the zone its begin, the instants of its readings with a value, and its end, in ns."""
    for begin_ns, end_ns in _stays(setup, key, span):
        readings = store.readings.read(key, begin_ns, end_ns)
        yield np.concatenate([[begin_ns], readings.taken_ns[np.isfinite(readings.value)], [end_ns]])


def _stays(setup: Setup, key: str, span: Interval) -> list[tuple[int, int]]:
    """Times in the interval for which the probe of a channel stood in the zone, joined where they touch."""
    stays: list[tuple[int, int]] = []
    for p in sorted(setup.placements_of(key), key=lambda p: p.from_ns):
        if setup.positions[p.position].zone != span.zone or not span.overlaps(p.from_ns, p.to_ns):
            continue
        begin_ns = max(p.from_ns, span.from_ns)
        end_ns = span.to_ns if p.to_ns is None else min(p.to_ns, span.to_ns)
        if stays and stays[-1][1] == begin_ns:
            begin_ns = stays.pop()[0]
        stays.append((begin_ns, end_ns))
    return stays


def _judged_channels(setup: Setup, span: Interval) -> list[str]:
    """Channels of the zone that a rule in force in the interval looks at."""
    rules = [r for r in setup.rules if r.zone == span.zone and span.overlaps(r.from_ns, r.to_ns)]
    ruled = {key for rule in rules for key in setup.channels_of(rule)}
    return [key for key in setup.channels_in(span.zone) if key in ruled]


def _without_limit(store: Store, setup: Setup, span: Interval) -> list[UnlimitedFacts]:
    """Channels that no rule looks at, such as a thermometer read by hand: how often they were read."""
    ruled = set(_judged_channels(setup, span))
    rows: list[UnlimitedFacts] = []
    for key in setup.channels_in(span.zone):
        if key in ruled:
            continue
        stays = list(_edges_of(store, setup, key, span))
        if stays:
            count = sum(len(edges) - 2 for edges in stays)
            longest = max(int(np.diff(edges).max()) for edges in stays)
            rows.append({"channel": key, "readings": count, "longest_silence_s": longest // NS})
    return rows


def with_issue_head(facts: RecordFacts, issue: IssueFacts) -> IssuedFacts:
    """The facts of a record under the head of one issue of it, which stands behind the format."""
    body = {"format": facts["format"], "issue": issue, **{k: v for k, v in facts.items() if k != "format"}}
    return cast("IssuedFacts", body)
