"""Values that contradict each other: where they stand, and a person's decision which one holds.

Two files, or a file and a probe, may tell two values for one instant of a channel. Both stay in the record
for ever and neither supports a verdict, until somebody decides: for one value, for one source, or for none.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..errors import Refused
from ..instants import rfc3339
from ..store import Store
from ..store.hot.value_decisions import Decision
from .required import required_person, required_text


@dataclass(frozen=True)
class Claim:
    """One value with where it came from: "import:" and the digest of a file, or the line of a probe."""

    value: float
    source: str
    file: str  # name of the imported file, else empty


@dataclass(frozen=True)
class Disagreement:
    """The values that are stored for one instant of a channel, in the channel's unit; one at least
    differs.
    """

    channel: str
    taken_ns: int
    claims: tuple[Claim, ...]
    decided: bool = False
    chosen: float | None = None

    @property
    def values(self) -> tuple[float, ...]:
        """Each value once, in ascending order."""
        return tuple(sorted({claim.value for claim in self.claims}))


def disagreements(store: Store, *, include_decided: bool = False) -> list[Disagreement]:
    """Every instant at which imported values contradict what else is stored, in order of channel and time.

    Without `decided` only those that wait for a person.
    """
    instants: dict[str, set[int]] = {}
    files: dict[str, str] = {}
    for imported in store.imports.all():
        files[f"import:{imported.sha256[:12]}"] = imported.name
        for conflict in _conflicts(imported.summary):
            instants.setdefault(conflict["channel"], set()).add(conflict["taken_ns"])
    all_ = [d for channel in sorted(instants) for d in _of(store, channel, sorted(instants[channel]), files)]
    return [d for d in all_ if include_decided or not d.decided]


def decide(store: Store, choices: Iterable[tuple[Disagreement, float | None]], who: str, why: str) -> int:
    """Record which value holds at each instant (None: none of them); gives how many were decided.

    Refused, with nothing changed, for a value that is not stored there, or without a reason.
    """
    pairs = list(choices)
    if not pairs:
        raise Refused("There is no such conflict to decide; nothing was changed.")
    for d, value in pairs:
        if value is not None and value not in d.values:
            raise Refused(
                f"{d.channel} has no value {value:g} at {rfc3339(d.taken_ns)}; it has "
                f"{' and '.join(f'{v:g}' for v in d.values)}. Nothing was decided."
            )
    decisions = [Decision(d.channel, d.taken_ns, value, d.values) for d, value in pairs]
    store.decisions.put(decisions, required_person(who), required_text(why, "reason of the decision"))
    return len(decisions)


def of_source(disagreements: Iterable[Disagreement], source: str) -> list[tuple[Disagreement, float | None]]:
    """For each of them the value that a source told, where it told just one.

    `source` is a claim's source, or the name of an imported file.
    """
    choices: list[tuple[Disagreement, float | None]] = []
    for d in disagreements:
        values = {c.value for c in d.claims if source in (c.source, c.file)}
        if len(values) == 1:
            choices.append((d, values.pop()))
    return choices


def _conflicts(summary: Mapping[str, Any]) -> Sequence[Mapping[str, Any]]:
    conflicts = summary.get("conflicts", ())
    return conflicts if isinstance(conflicts, list) else ()


def _of(store: Store, channel: str, instants: Sequence[int], files: Mapping[str, str]) -> list[Disagreement]:
    """One reading of the record for instants that lie near each other."""
    disagreements = []
    for group in _near(instants):
        rows = store.readings.columns(channel, group[0], group[-1] + 1)
        decisions = store.decisions.of(channel, group[0], group[-1] + 1)
        for at in group:
            begin, end = np.searchsorted(rows.taken_ns, [at, at + 1])
            claims = tuple(
                Claim(float(rows.value[n]), rows.source[n], files.get(rows.source[n], ""))
                for n in range(begin, end)
                if np.isfinite(rows.value[n])
            )
            if len({claim.value for claim in claims}) > 1:
                disagreements.append(_with(Disagreement(channel, at, claims), decisions.get(at)))
    return disagreements


def _with(disagreement: Disagreement, decision: Decision | None) -> Disagreement:
    """A decision holds only for the values that were seen when it was made."""
    if decision is None or not set(disagreement.values) <= set(decision.seen):
        return disagreement
    return Disagreement(
        disagreement.channel, disagreement.taken_ns, disagreement.claims, True, decision.value
    )


def _near(instants: Sequence[int], apart_ns: int = 31 * 86_400 * 10**9) -> list[list[int]]:
    parts: list[list[int]] = []
    for at in instants:
        if parts and at - parts[-1][0] < apart_ns:
            parts[-1].append(at)
        else:
            parts.append([at])
    return parts
