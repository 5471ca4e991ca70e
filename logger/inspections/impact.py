"""Impact: which inspections are affected, by how many µm, and what was decided on each.

Of an excursion with its settling, a probe that was wrong or withdrawn for a time, the as-found result
of a calibration, or a position that was moved. Effects unknown in µm come first: unknown is never good.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from ..acts.dispositions import Book, Disposition, Span, book
from ..acts.inspections import inspections
from ..core.calibration.breakdown import largest_change
from ..core.judge.days import DAY_NS
from ..core.measurement.temperatures import Temperatures
from ..core.measurement.thermal_error import Feature, Work, largest_um
from ..core.physics.expansion import REFERENCE_C, UM_PER_MM
from ..errors import UnknownName
from ..instants import NS, rfc3339
from ..model import Certificate, Excursion, Inspection, Period, Setup, Verdict
from ..verdicts.verdicts import Verdicts
from .assess import question_of
from .batch import BatchOutcome, outcomes

FOR_EVER_NS = 2**62
BLOCK_NS = 2 * DAY_NS


@dataclass(frozen=True)
class Impact:
    """An affected inspection; effect_um None: unknown."""

    job: Inspection
    about: Span
    verdict: Verdict
    reason: str
    effect_um: float | None
    how: str
    decided: Disposition | None

    @property
    def share(self) -> float | None:
        """The effect as a share of the tolerance."""
        computable = self.effect_um is not None and self.job.tolerance_um
        return self.effect_um / self.job.tolerance_um if computable else None  # type: ignore[operator]

    @property
    def rank(self) -> tuple[bool, float, str]:
        """Sort key: unknown effects first, then the largest share of the tolerance."""
        return self.share is not None, -(self.share or 0.0), self.job.key

    def to_dict(self) -> dict[str, Any]:
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


class JudgedBlocks:
    """Periods of zones as they are stored, read two days at a time and each block once."""

    def __init__(self, verdicts: Verdicts, now_ns: int) -> None:
        self._verdicts, self._now_ns = verdicts, now_ns
        self._blocks: dict[tuple[str, int], list[Period]] = {}

    def after(self, zone: str, from_ns: int) -> Iterator[Period]:
        """Periods from an instant on; settling is over soon, a record is long."""
        for block in range(from_ns // BLOCK_NS, -(-self._now_ns // BLOCK_NS)):
            for p in self._periods(zone, block):
                if p.to_ns > from_ns:
                    yield p if p.from_ns >= from_ns else replace(p, from_ns=from_ns)

    def _periods(self, zone: str, block: int) -> list[Period]:
        if (zone, block) not in self._blocks:
            begin_ns, end_ns = block * BLOCK_NS, min((block + 1) * BLOCK_NS, self._now_ns)
            periods = self._verdicts.periods(zone, begin_ns, end_ns, self._now_ns, refresh=False)
            self._blocks[zone, block] = periods
        return self._blocks[zone, block]


def settled_ns(judged: JudgedBlocks, setup: Setup, e: Excursion) -> int:
    """When bodies have recovered from an excursion, as the record judged it."""
    at = setup.at(e.worst_ns)
    rules = [r for r in at.rules if r.key == e.rule and r.from_ns <= e.worst_ns]
    zone = at.zone(e.zone)
    if not rules or not rules[-1].disturbs:
        return e.to_ns
    end, left_ns = e.to_ns, zone.settling_s * NS
    for p in judged.after(e.zone, e.to_ns):
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
) -> list[Impact]:
    """Inspections of the zones in which a probe stood while it was wrong; `error_K`: by how much."""
    where = _stays_in_zones(verdicts.setup, probe, span_ns)
    return _impacts_in_zones(verdicts, ("probe", probe), where, now_ns, (probe, error_K))


def _stays_in_zones(setup: Setup, probe: str, span_ns: tuple[int, int]) -> list[tuple[str, int, int]]:
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
) -> list[Impact]:
    """Inspections while a certificate was in use; without `error_K`, by what the next calibration found.

    What a certificate found before adjusting acts on the time of the certificate before it: those, too.
    """
    setup = verdicts.setup
    certificates = [c for c in setup.certificates if c.number == number]
    if not certificates:
        raise UnknownName("certificate", number, {c.number for c in setup.certificates})
    impacts: list[Impact] = []
    for c in certificates:
        probe = setup.channels[c.channel].probe
        for span_ns, error in _in_use(setup, c):
            where = _stays_in_zones(setup, probe, span_ns)
            wrong = probe, error if error_K is None else error_K
            impacts += _impacts_in_zones(verdicts, ("certificate", number), where, now_ns, wrong)
    first = {t.job.key: t for t in sorted(impacts, key=lambda t: t.rank, reverse=True)}
    return sorted(first.values(), key=lambda t: t.rank)


def _in_use(setup: Setup, c: Certificate) -> list[tuple[tuple[int, int], float | None]]:
    """Times on which a certificate acts, in ns, each with its known error in K or None."""
    certificates = setup.certificates_of(c.channel)
    place = certificates.index(c)
    after = certificates[place + 1] if place + 1 < len(certificates) else None
    until = FOR_EVER_NS if after is None else after.valid_from_ns
    spans = [((c.valid_from_ns, until), None if after is None else largest_change(c, after))]
    if place and c.as_found is not None and c.as_found.model:
        before = certificates[place - 1]
        spans.append(((before.valid_from_ns, c.valid_from_ns), largest_change(before, c)))
    return spans


def by_position(verdicts: Verdicts, position: str, span_ns: tuple[int, int], now_ns: int) -> list[Impact]:
    """Inspections of a position's zone while it was not where the setup says; the effect in µm is unknown."""
    setup = verdicts.setup
    if position not in setup.positions:
        raise UnknownName("position", position, setup.positions)
    where = [(setup.positions[position].zone, *span_ns)]
    return _impacts_in_zones(verdicts, ("position", position), where, now_ns, None)


def _impacts_in_zones(
    verdicts: Verdicts,
    what: tuple[str, str],
    where: Sequence[tuple[str, int, int]],
    now_ns: int,
    wrong: tuple[str, float | None] | None,
) -> list[Impact]:
    impacts: list[Impact] = []
    for zone, begin, end in where:
        if begin >= end:
            continue
        affected = [
            j
            for j in inspections(verdicts.store, zone, (begin, end))
            if j.from_ns < end and _end_ns(j, now_ns) > begin
        ]  # fmt: skip
        impacts += _impacts(
            verdicts, affected, Span(what[0], zone, what[1], begin, end), now_ns, wrong or ("", None)
        )
    return sorted(impacts, key=lambda t: t.rank)


def _end_ns(inspection: Inspection, now_ns: int) -> int:
    return now_ns if inspection.to_ns is None else inspection.to_ns


def effects_of_each(
    verdicts: Verdicts, groups: Sequence[tuple[Span, Sequence[Inspection]]], now_ns: int
) -> list[list[Impact]]:
    """What the room did to the inspections of each group, the largest share of the tolerance first.

    An inspection of several groups is judged once.
    """
    jobs = {job.key: job for _, affected in groups for job in affected}
    if not jobs:
        return [[] for _ in groups]
    decisions = book(verdicts.store)
    answers = outcomes(verdicts, [question_of(job, now_ns) for job in jobs.values()], now_ns)
    by_key = dict(zip(jobs, answers, strict=True))
    return [
        sorted((_impact_on(j, by_key[j.key], about, decisions, None) for j in jobs_of), key=lambda t: t.rank)
        for about, jobs_of in groups
    ]


def _impacts(
    verdicts: Verdicts,
    affected: Sequence[Inspection],
    about: Span,
    now_ns: int,
    wrong: tuple[str, float | None],
) -> list[Impact]:
    """`wrong`: a probe and its error in K."""
    decisions = book(verdicts.store)
    answers = outcomes(verdicts, [question_of(inspection, now_ns) for inspection in affected], now_ns)
    impacts = [
        _impact_on(inspection, answer, about, decisions, wrong)
        for inspection, answer in zip(affected, answers, strict=True)
    ]
    return sorted(impacts, key=lambda t: t.rank)


def _impact_on(
    inspection: Inspection,
    answer: BatchOutcome,
    about: Span,
    decisions: Book,
    wrong: tuple[str, float | None] | None,
) -> Impact:
    decided = decisions.decision_on(inspection.key, about)
    outcome, question = answer.outcome, answer.question
    if outcome is None:
        return Impact(inspection, about, "not shown", answer.refused, None, "cannot be judged", decided)
    effect, how = None, "no length and material are known"
    if question.features and question.work is not None and outcome.tracks is not None:
        pair = question.features[0], question.work
        effect, how = (
            _by_room(outcome.tracks, *pair) if wrong is None else _by_wrong(outcome.tracks, *pair, *wrong)
        )
    return Impact(inspection, about, outcome.verdict, outcome.reason, effect, how, decided)


def _by_room(tracks: Temperatures, feature: Feature, work: Work) -> tuple[float, str]:
    """The largest difference of expansion; where part and scale are only known by one air, the part's own."""
    if tracks.part.channels != tracks.scale.channels or tracks.part.how != tracks.scale.how:
        return largest_um(tracks, feature, work), "largest difference of expansion between part and scale"
    warmest = float(max(abs(tracks.part.value - REFERENCE_C)))
    bound = feature.length_mm * UM_PER_MM * abs(feature.material.alpha_per_K) * warmest
    return bound, "expansion of the part, as if the scale had stayed at 20 °C: the same air for both"


def _by_wrong(
    tracks: Temperatures, feature: Feature, work: Work, probe: str, error_K: float | None
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
