"""The reverse question: which inspections does something touch, by how many µm, and what was decided?

Asked of an excursion with its settling, of a probe that was wrong or withdrawn for a time, of what a
calibration found, of a position that was moved. What cannot be told in µm comes first: unknown is
never good.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from ..acts.dispositions import Book, Disposition, Span, book, decide, span_of
from ..acts.inspections import inspections
from ..core.calibration.breakdown import largest_change
from ..core.measurement.temperatures import Tracks
from ..core.measurement.thermal_error import Feature, Work, largest_um
from ..core.physics.expansion import REFERENCE_C, UM_PER_MM
from ..errors import IntervalError, Refused, UnknownName
from ..instants import NS, rfc3339
from ..model import Certificate, Excursion, Inspection, Setup
from ..store import Store
from ..verdicts.verdicts import Verdicts
from .assess import question_of
from .batch import Answer, assess_many

FOR_EVER_NS = 2**62


@dataclass(frozen=True)
class Touched:
    """An inspection that something touches; effect_um None: cannot be told."""

    job: Inspection
    about: Span
    verdict: str
    reason: str
    effect_um: float | None
    how: str
    decided: Disposition | None

    @property
    def share(self) -> float | None:
        """The effect as a share of the tolerance."""
        known = self.effect_um is not None and self.job.tolerance_um
        return self.effect_um / self.job.tolerance_um if known else None  # type: ignore[operator]

    @property
    def rank(self) -> tuple[bool, float, str]:
        """In order of what must be looked at first."""
        return self.share is not None, -(self.share or 0.0), self.job.key

    def to_json(self) -> dict[str, Any]:
        """As plain data."""
        d = self.decided
        return {
            "inspection": self.job.key,
            "title": self.job.title,
            "part": self.job.part,
            "machine": self.job.machine,
            "person": self.job.person,
            "zone": self.job.zone,
            "from": rfc3339(self.job.from_ns),
            "to": None if self.job.to_ns is None else rfc3339(self.job.to_ns),
            "tolerance_um": self.job.tolerance_um,
            "verdict": self.verdict,
            "reason": self.reason,
            "effect_um": None if self.effect_um is None else round(self.effect_um, 4),
            "share_of_tolerance": None if self.share is None else round(self.share, 6),
            "how": self.how,
            "decision": d.decision if d else None,
            "customer": d.customer if d else None,
            "decided_by": d.who if d else None,
            "why": d.reason if d else None,
        }


def by_excursion(verdicts: Verdicts, e: Excursion, now_ns: int) -> list[Touched]:
    """Inspections that an excursion touches, with its settling; what it did to their lengths."""
    end_ns = settled_ns(verdicts, e, now_ns)
    zone = verdicts.setup.at(e.from_ns).zone(e.zone)
    jobs = [
        job
        for job in inspections(verdicts.store, e.zone)
        if (job.from_ns < end_ns and _end_ns(job, now_ns) > e.from_ns)
        or (e.from_ns < _end_ns(job, now_ns) and e.to_ns > job.from_ns - zone.pre_window_s * NS)
    ]
    return _touched(verdicts, jobs, span_of(e), now_ns, None)


def settled_ns(verdicts: Verdicts, e: Excursion, now_ns: int) -> int:
    """When bodies have recovered from an excursion, as the record judged it."""
    at = verdicts.setup.at(e.worst_ns)
    rules = [r for r in at.rules if r.key == e.rule and r.from_ns <= e.worst_ns]
    zone = at.zone(e.zone)
    if not rules or not rules[-1].disturbs:
        return e.to_ns
    end, left_ns = e.to_ns, zone.settling_s * NS
    for p in verdicts.periods(e.zone, e.to_ns, now_ns, now_ns, refresh=False):
        if p.from_ns > end or (zone.bodies and p.reason not in ("settling", "nonconforming", "marked")):
            break
        if zone.bodies:
            end = p.to_ns
            continue
        # The clock of a fixed settling time stands still without evidence.
        advances = p.reason != "indeterminate"
        spent = min(p.to_ns - p.from_ns, left_ns) if advances else p.to_ns - p.from_ns
        end, left_ns = p.from_ns + spent, left_ns - (spent if advances else 0)
        if left_ns <= 0:
            break
    return end


def by_probe(
    verdicts: Verdicts, probe: str, span_ns: tuple[int, int], now_ns: int, error_K: float | None = None
) -> list[Touched]:
    """Inspections of the zones in which a probe stood while it was wrong; `error_K`: by how much."""
    where = _stood(verdicts.setup, probe, span_ns)
    return _in_places(verdicts, ("probe", probe), where, now_ns, (probe, error_K))


def _stood(setup: Setup, probe: str, span_ns: tuple[int, int]) -> list[tuple[str, int, int]]:
    """Zones in which a probe stood within a span, and when."""
    if probe not in setup.probes:
        raise UnknownName("probe", probe, setup.probes)
    return [
        (
            setup.positions[p.position].zone,
            max(p.from_ns, span_ns[0]),
            min(p.to_ns or FOR_EVER_NS, span_ns[1]),
        )
        for p in setup.placements
        if p.probe == probe
    ]


def by_certificate(
    verdicts: Verdicts, number: str, now_ns: int, error_K: float | None = None
) -> list[Touched]:
    """Inspections while a certificate was in use; without `error_K`, by what the next calibration found.

    What a certificate found before adjusting acts on the time of the certificate before it: those, too.
    """
    setup = verdicts.setup
    found = [c for c in setup.certificates if c.number == number]
    if not found:
        raise UnknownName("certificate", number, {c.number for c in setup.certificates})
    touched: list[Touched] = []
    for c in found:
        probe = setup.channels[c.channel].probe
        for span_ns, error in _in_use(setup, c):
            where = _stood(setup, probe, span_ns)
            wrong = probe, error if error_K is None else error_K
            touched += _in_places(verdicts, ("certificate", number), where, now_ns, wrong)
    first = {t.job.key: t for t in sorted(touched, key=lambda t: t.rank, reverse=True)}
    return sorted(first.values(), key=lambda t: t.rank)


def _in_use(setup: Setup, c: Certificate) -> list[tuple[tuple[int, int], float | None]]:
    """Times on which a certificate acts, each with the error that is known of it in K."""
    every = setup.certificates_of(c.channel)
    place = every.index(c)
    after = every[place + 1] if place + 1 < len(every) else None
    until = FOR_EVER_NS if after is None else after.valid_from_ns
    spans = [((c.valid_from_ns, until), None if after is None else largest_change(c, after))]
    if place and c.as_found is not None and c.as_found.model:
        before = every[place - 1]
        spans.append(((before.valid_from_ns, c.valid_from_ns), largest_change(before, c)))
    return spans


def by_position(verdicts: Verdicts, position: str, span_ns: tuple[int, int], now_ns: int) -> list[Touched]:
    """Inspections of a position's zone while it was not where the setup says; no µm can be told."""
    setup = verdicts.setup
    if position not in setup.positions:
        raise UnknownName("position", position, setup.positions)
    where = [(setup.positions[position].zone, *span_ns)]
    return _in_places(verdicts, ("position", position), where, now_ns, None)


def decide_on(store: Store, touched: Touched, *, decision: str, customer: str, reason: str, who: str) -> None:
    """Decide on one of them."""
    words = {"decision": decision, "customer": customer, "reason": reason, "who": who}
    decide(store, touched.job.key, touched.about, **words)


def undecided(touched: Sequence[Touched]) -> list[str]:
    """Keys of those without a decision."""
    return [t.job.key for t in touched if t.decided is None]


def _in_places(
    verdicts: Verdicts,
    what: tuple[str, str],
    where: Sequence[tuple[str, int, int]],
    now_ns: int,
    wrong: tuple[str, float | None] | None,
) -> list[Touched]:
    found: list[Touched] = []
    for zone, begin, end in where:
        if begin >= end:
            continue
        jobs = [
            j
            for j in inspections(verdicts.store, zone)
            if j.from_ns < end and _end_ns(j, now_ns) > begin
        ]  # fmt: skip
        found += _touched(
            verdicts, jobs, Span(what[0], zone, what[1], begin, end), now_ns, wrong or ("", None)
        )
    return sorted(found, key=lambda t: t.rank)


def _end_ns(job: Inspection, now_ns: int) -> int:
    return now_ns if job.to_ns is None else job.to_ns


def _touched(
    verdicts: Verdicts,
    jobs: Sequence[Inspection],
    about: Span,
    now_ns: int,
    wrong: tuple[str, float | None] | None,
) -> list[Touched]:
    """`wrong`: a probe and its error in K, where not the room but the probe was wrong."""
    known = book(verdicts.store)
    answers = assess_many(verdicts, [question_of(job, now_ns) for job in jobs], now_ns)
    found = [_one(job, answer, about, known, wrong) for job, answer in zip(jobs, answers, strict=True)]
    return sorted(found, key=lambda t: t.rank)


def _one(
    job: Inspection, answer: Answer, about: Span, known: Book, wrong: tuple[str, float | None] | None
) -> Touched:
    decided = known.decided(job.key, about)
    if answer.found is None:
        return Touched(job, about, "not shown", answer.refused, None, "cannot be judged", decided)
    check, asked = answer.found.check, answer.question
    effect, how = None, "no length and material are known"
    if asked.features and asked.work is not None and answer.found.tracks is not None:
        pair = asked.features[0], asked.work
        effect, how = (
            _by_room(answer.found.tracks, *pair)
            if wrong is None
            else _by_wrong(answer.found.tracks, *pair, *wrong)
        )
    return Touched(job, about, check.verdict, check.reason, effect, how, decided)


def _by_room(tracks: Tracks, feature: Feature, work: Work) -> tuple[float, str]:
    """The largest difference of expansion; where part and scale are only known by one air, the part's own."""
    if tracks.part.channels != tracks.scale.channels or tracks.part.how != tracks.scale.how:
        return largest_um(tracks, feature, work), "largest difference of expansion between part and scale"
    warmest = float(max(abs(tracks.part.value - REFERENCE_C)))
    bound = feature.length_mm * UM_PER_MM * abs(feature.material.alpha_per_K) * warmest
    return bound, "expansion of the part, as if the scale had stayed at 20 °C: one air stands for both"


def _by_wrong(
    tracks: Tracks, feature: Feature, work: Work, probe: str, error_K: float | None
) -> tuple[float | None, str]:
    """What an error of a probe does through the temperatures that rest on it."""
    if error_K is None:
        return None, "the error of the probe is not known"
    L = feature.length_mm * UM_PER_MM * abs(error_K)
    rest = []
    for track, alpha in (
        (tracks.part, feature.material.alpha_per_K),
        (tracks.scale, -work.scale.alpha_per_K),
    ):
        share = sum(c.rpartition(".")[0] == probe for c in track.channels) / max(1, len(track.channels))
        rest.append(share * alpha)
    if not any(rest):
        return 0.0, "no temperature of part or scale rests on this probe"
    return abs(sum(rest)) * L, f"an error of {error_K:g} K through the temperatures that rest on it"


def excursion_at(verdicts: Verdicts, zone: str, at_ns: int, now_ns: int, rule: str = "") -> Excursion:
    """The excursion of a zone that an instant lies in, or begins within a minute of."""
    found = [
        e
        for e in verdicts.excursions(zone, at_ns - 60 * NS, at_ns + 60 * NS, now_ns)
        if not rule or e.rule in (rule, f"{zone}.{rule}")
    ]
    if not found:
        raise IntervalError(
            f"There is no excursion{f' of {rule}' if rule else ''} in zone {zone!r} at {rfc3339(at_ns)}; "
            "see `stillroom excursion list`."
        )
    if len({e.rule for e in found}) > 1:
        names = ", ".join(sorted({e.rule for e in found}))
        raise Refused(f"Several rules were not met at {rfc3339(at_ns)}: {names}. Name one with --rule.")
    return min(found, key=lambda e: abs(e.from_ns - at_ns))
