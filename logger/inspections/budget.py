"""Thermal rows for a budget from the record: of a zone for each of its activities."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..core.judge.days import DAY_NS
from ..core.judge.judgement import Judgement
from ..core.measurement.thermal_budget import (
    EVEN,
    Estimate,
    RoomTemperatures,
    ThermalBudget,
    ThermalInputs,
    drift_half_K,
    materials,
    thermal_budget,
)
from ..core.physics.expansion import REFERENCE_C, Material
from ..core.validity.hours_of_use import spans
from ..errors import Refused
from ..instants import rfc3339
from ..model import REASONS, VERDICT_OF, Setup
from ..series import Float
from ..units import MICRO
from ..verdicts.verdicts import Verdicts

CHUNK_NS = 7 * DAY_NS
_STABLE = np.array([VERDICT_OF[reason] == "stable" for reason in REASONS])


@dataclass(frozen=True)
class ActivityBudget:
    """The rows of one activity ("": the general limits), and what of the record they rest on."""

    activity: str
    limits: tuple[str, ...]
    temperatures: RoomTemperatures
    budget: ThermalBudget

    def to_dict(self) -> dict[str, Any]:
        """As plain data."""
        t = self.temperatures
        return {
            "activity": self.activity,
            "limits": list(self.limits),
            "stable_share": t.cells / t.of_cells if t.of_cells else 0.0,
            "both_measured": t.both_measured,
            **self.budget.to_dict(),
        }


def activities(setup: Setup, zone: str) -> list[str]:
    """The general limits and each activity that a zone has limits for, now."""
    return ["", *sorted({r.activity for r in setup.rules if r.zone == zone and r.activity})]


@dataclass(frozen=True)
class BudgetQuestion:
    """For which rows: the zone, an activity ("": general limits), [from, to) in ns, and what is measured.

    hours: how long one inspection takes, for the drift.
    """

    zone: str
    activity: str
    from_ns: int
    to_ns: int
    length_mm: float
    part: Material
    scale: Material
    hours: float = 1.0


def activity_budget(verdicts: Verdicts, question: BudgetQuestion, now_ns: int) -> ActivityBudget:
    """The rows of a zone for an activity, from the time when its limits were kept in the hours of use.

    Refused where the zone was never stable by these limits in that time.
    """
    temperatures = room_temperatures(verdicts, question, now_ns)
    alpha, delta = materials(question.part, question.scale)
    inputs = ThermalInputs(
        question.length_mm, alpha, delta, temperatures.theta, temperatures.delta_theta, temperatures.drift
    )
    rules = [
        r
        for r in verdicts.setup.rules
        if r.zone == question.zone
        and r.activity in ("", question.activity)
        and (r.to_ns is None or r.to_ns > question.from_ns)
    ]
    names = tuple(dict.fromkeys(r.name for r in rules))
    return ActivityBudget(question.activity, names, temperatures, thermal_budget(inputs))


@dataclass(frozen=True)
class _Part:
    """One piece of the record: what counts, and the mean of each medium in °C; arrays of shape (n,)."""

    usable: NDArray[np.bool_]
    means: dict[str, Float]
    spread_K: Float  # between the air probes of one minute
    u_K: float


def room_temperatures(verdicts: Verdicts, question: BudgetQuestion, now_ns: int) -> RoomTemperatures:
    """θ, δθ and drift while the zone was stable in its hours of use; Refused where it never was."""
    parts = list(_parts(verdicts, question, now_ns))
    usable = np.concatenate([p.usable for p in parts]) if parts else np.zeros(0, np.bool_)
    if not usable.any():
        words = f" by the limits of {question.activity!r}" if question.activity else ""
        raise Refused(
            f"Zone {question.zone!r} was never stable{words} in its hours of use between "
            f"{rfc3339(question.from_ns)} and {rfc3339(question.to_ns)}: name an interval in which it was, "
            "so that temperatures can be taken from it."
        )
    means = {m: np.concatenate([p.means[m] for p in parts]) for m in ("air", "part", "scale")}
    u_probe = max(p.u_K for p in parts)
    spread = np.concatenate([p.spread_K for p in parts])[usable]
    sides = {m: means[m] if np.isfinite(means[m][usable]).any() else means["air"] for m in ("part", "scale")}
    both = sides["part"] is not means["air"] and sides["scale"] is not means["air"]
    width = max(1, round(question.hours * 3600 / verdicts.setup.step_s))
    drift = 0.0 if both else drift_half_K(means["air"], usable, width)
    return RoomTemperatures(
        theta=_theta(sides["part"][usable], u_probe),
        delta_theta=_delta_theta((sides["part"] - sides["scale"])[usable], spread, u_probe, both),
        drift=Estimate(0.0, drift * EVEN, "rectangular"),
        cells=int(usable.sum()),
        of_cells=len(usable),
        both_measured=both,
    )


def _theta(values_C: Float, u_probe: float) -> Estimate:
    return Estimate(
        float(np.nanmean(values_C)) - REFERENCE_C, math.hypot(u_probe, float(np.nanstd(values_C)))
    )


def _delta_theta(difference: Float, spread: Float, u_probe: float, both: bool) -> Estimate:
    """Measured with its scatter; else zero, by the largest spread between places and both probes."""
    if both:
        u = math.hypot(float(np.nanstd(difference)), 2**0.5 * u_probe)
        return Estimate(float(np.nanmean(difference)), u)
    half = float(np.nanmax(spread)) / 2 if np.isfinite(spread).any() else 0.0
    return Estimate(0.0, math.hypot(half * EVEN, 2**0.5 * u_probe))


def _parts(verdicts: Verdicts, question: BudgetQuestion, now_ns: int) -> Iterator[_Part]:
    """A week at a time, so that a year needs no more memory than a week."""
    last_ns = min(question.to_ns, now_ns)
    for begin in range(question.from_ns, last_ns, CHUNK_NS):
        end = min(begin + CHUNK_NS, last_ns)
        judgement = verdicts.judgement(question.zone, begin, end, now_ns, activity=question.activity)
        step_ns, first = judgement.grid.step_ns, judgement.grid.first
        inside = slice(
            max(0, begin // step_ns - first), max(0, min(judgement.grid.n, -(-end // step_ns) - first))
        )
        if inside.stop > inside.start:
            yield _part(verdicts.setup, judgement, inside)


def _part(setup: Setup, judgement: Judgement, inside: slice) -> _Part:
    by_medium = {m: _values(setup, judgement, inside, m) for m in ("air", "part", "scale")}
    means = {m: _mean(rows, inside) for m, (rows, _) in by_medium.items()}
    air = by_medium["air"][0]
    spread = np.full(inside.stop - inside.start, np.nan)
    if len(air) > 1:
        stack = np.stack(air)
        both = np.isfinite(stack).sum(axis=0) > 1
        high, low = np.where(np.isfinite(stack), stack, -np.inf), np.where(np.isfinite(stack), stack, np.inf)
        spread = np.where(both, high.max(axis=0) - low.min(axis=0), np.nan)
    usable = _STABLE[judgement.reason[inside]] & _in_use(setup, judgement, inside)
    usable &= np.isfinite(means["air"]) | np.isfinite(means["part"])
    return _Part(usable, means, spread, max(u for _, u in by_medium.values()))


def _values(setup: Setup, judgement: Judgement, inside: slice, medium: str) -> tuple[list[Float], float]:
    """Value of each channel in a medium per cell in °C, NaN where it supports nothing; the largest u in K."""
    rows, u = [], 0.0
    for key, cells in judgement.cells.items():
        if key not in setup.channels or cells.channel.quantity != "temperature":
            continue
        places = (setup.positions[p.position] for p in setup.placements_of(key))
        if not any(p.zone == judgement.zone and p.medium == medium for p in places):
            continue
        good = cells.placed[inside] & (cells.why[inside] == 0) & np.isfinite(cells.U[inside])
        if good.any():
            middles = (cells.low[inside] + cells.high[inside]) / 2 / MICRO
            rows.append(np.where(good, middles, np.nan))
            u = max(u, float(np.nanmax(cells.U[inside][good])) / MICRO / 2)
    return rows, u


def _mean(rows: list[Float], inside: slice) -> Float:
    if not rows:
        return np.full(inside.stop - inside.start, np.nan)
    stack = np.stack(rows)
    count = np.isfinite(stack).sum(axis=0)
    total = np.where(np.isfinite(stack), stack, 0.0).sum(axis=0)
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))


def _in_use(setup: Setup, judgement: Judgement, inside: slice) -> NDArray[np.bool_]:
    hours = setup.zone(judgement.zone).hours_of_use
    grid = judgement.grid.part(inside)
    if hours is None:
        return np.ones(grid.n, np.bool_)
    used = np.zeros(grid.n, np.bool_)
    begin = grid.first * grid.step_ns
    for from_ns, to_ns in spans(hours, setup.room.timezone, begin, begin + grid.n * grid.step_ns):
        used[grid.clip(from_ns, to_ns)] = True
    return used
