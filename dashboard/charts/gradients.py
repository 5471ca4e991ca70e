"""Gradients between air probes of a zone, for the eye: signed, in time and as a profile, with uncertainty.

    g = (T_i − T_j)/d,   u² = (u_i² + u_j²)/d² + (ΔT/d²)²·(u_xi² + u_xj²)     (JCGM 100, 5.1)

The same as the rule of kind "gradient", on means over bins. Probes stand where they stand now: a
window reaches back no further than the last move. Nothing is judged here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from logger.core.rules.lines import LineDirection as Direction
from logger.core.rules.lines import direction_of, lean_deg
from logger.core.rules.plane import FEWEST, Fit
from logger.instants import NS
from logger.model import Position, Rule
from logger.series import Float
from logger.verdicts.curves import Curve, at_common_bins

from ..data.channels import channels_in
from ..data.queries import Queries
from .build import clock_changes
from .chart import Chart, ChartLine
from .decimate import trace

__all__ = [
    "FEWEST",
    "AirProbe",
    "Direction",
    "air_probes",
    "chart",
    "gradient",
    "left_out",
    "limits",
    "pairs",
    "plane",
    "room_air",
]
NAMES: dict[Direction, str] = {"vertical": "vertical", "horizontal": "horizontal", "along": "along the pair"}
NEAREST_M = 0.3  # probes nearer to each other are not compared, unless a rule says otherwise
BINS = 400
PAIRS = 6  # so many lines at most, the farthest pairs


@dataclass(frozen=True)
class AirProbe:
    """An air probe with its place and its means over the common bins."""

    channel: str
    label: str
    place: Position
    curve: Curve


def air_probes(q: Queries, zone: str, from_ns: int, to_ns: int) -> list[AirProbe]:
    """Air probes of a zone over the bins that all of them have, lowest first; none that may not decide."""
    unsure = {o.channel for o in q.overdue(to_ns)}
    probes = [(channel, place) for channel, place in in_air(q, zone) if channel not in unsure]
    begin = max([from_ns, *(_since(q, channel) for channel, _ in probes)])
    if begin >= to_ns or not probes:
        return []
    bins = int(max(min(BINS, (to_ns - begin) // (60 * NS)), 1))
    curves = at_common_bins([q.source.curve(channel, begin, to_ns, bins) for channel, _ in probes])
    probes_shown = [AirProbe(c, q.label(c), p, curve) for (c, p), curve in zip(probes, curves, strict=True)]
    return sorted(probes_shown, key=lambda s: s.place.xyz_m[2])


def in_air(q: Queries, zone: str) -> list[tuple[str, Position]]:
    """Temperature channels whose probe stands in the air of a zone, with its place."""
    placed = [(c, q.position_of(c)) for c in channels_in(q.setup, zone, "temperature")]
    return [(c, place) for c, place in placed if place and place.zone == zone and place.medium == "air"]


def left_out(q: Queries, zones: Sequence[str], to_ns: int) -> str:
    """Which air probes say nothing here because their calibration was overdue at the end of a window."""
    unsure = {o.channel for o in q.overdue(to_ns)}
    names = [c.partition(".")[0] for zone in zones for c, _ in in_air(q, zone) if c in unsure]
    return f"Left out: {', '.join(names)}, calibration overdue." if names else ""


def _since(q: Queries, channel: str) -> int:
    now = q.now_ns()
    stays = [p.from_ns for p in q.setup.placements_of(channel) if p.from_ns <= now]
    return max(stays, default=0)


def distance_m(direction: Direction, a: Position, b: Position) -> float:
    """How far two places are apart; of a vertical pair negative where b is the lower."""
    apart = math.dist(a.xyz_m, b.xyz_m)
    return -apart if direction == "vertical" and b.xyz_m[2] < a.xyz_m[2] else apart


def _line_of(a: AirProbe, b: AirProbe) -> Direction:
    return direction_of(lean_deg(a.place, b.place))


def pairs(direction: Direction, probes: Sequence[AirProbe]) -> list[tuple[AirProbe, AirProbe, float]]:
    """Pairs of a direction that are far enough apart, the farthest first, the higher probe second."""
    mine = [(a, b) for a, b in combinations(probes, 2) if _line_of(a, b) == direction]
    all_pairs = [(a, b, distance_m(direction, a.place, b.place)) for a, b in mine]
    far = [pair for pair in all_pairs if abs(pair[2]) >= NEAREST_M]
    return sorted(far, key=lambda pair: -abs(pair[2]))[:PAIRS]


def gradient(a: AirProbe, b: AirProbe, d_m: float, direction: Direction) -> tuple[Float, Float]:
    """Gradient and U (k = 2) in K/m in each bin; vertical: positive where it is warmer above.

    Two probes with U 0.10 K that are 1 m apart give U = 0.14 K/m where they agree.
    """
    apart = b.curve.mean - a.curve.mean
    value = apart / d_m if direction == "vertical" else np.abs(apart) / d_m
    u_d = math.hypot(a.place.u_m, b.place.u_m)
    U = np.sqrt((a.curve.U**2 + b.curve.U**2) / d_m**2 + (apart * 2 * u_d / d_m**2) ** 2)
    return value, U


def chart(
    q: Queries, zone: str, direction: Direction, probes: Sequence[AirProbe], window: tuple[int, int]
) -> Chart:
    """The gradients of a zone in one direction over a window, a line for each pair."""
    from_ns, to_ns = window
    clock = q.room.timezone
    return Chart(
        zone=q.zone(zone).name,
        quantity=f"gradient {NAMES[direction]}" if direction == "along" else f"{direction} gradient",
        unit="K/m",
        from_ns=from_ns,
        to_ns=to_ns,
        clock=clock,
        lines=[_line(q, pair, direction, i) for i, pair in enumerate(pairs(direction, probes))],
        limits=limits(q, zone, direction),
        rule_names=q.setup.rule_names,
        band=True,
        runs=trace(q.periods(zone, from_ns, to_ns), from_ns, to_ns),
        notes=clock_changes(from_ns, to_ns, clock),
    )


def limits(q: Queries, zone: str, direction: Direction) -> list[Rule]:
    """Gradient rules of a zone in a direction; a vertical one limits both signs."""
    named = (direction, "") if direction != "along" else ("pair",)
    rules = [
        r for r in q.setup.rules
        if r.zone == zone and r.kind == "gradient" and r.direction in named and not r.activity
    ]  # fmt: skip
    both = direction == "vertical"
    return [replace(r, lower=-r.upper) if both and r.upper is not None else r for r in rules]


def leaning(q: Queries, zone: str, direction: Direction, probes: Sequence[AirProbe]) -> str:
    """Which pairs a rule of a direction leaves out because their line leans; "" with none."""
    if direction == "along" or not limits(q, zone, direction):
        return ""
    pairs_of = [
        (a, b, distance_m(direction, a.place, b.place))
        for a, b in combinations(probes, 2)
        if _line_of(a, b) == "along"
    ]
    named = ", ".join(f"{_probe(b)}–{_probe(a)}" for a, b, d in pairs_of if abs(d) >= NEAREST_M)
    return (
        f"{named}: not limited separately, as the line between the probes is inclined. See along the pair."
        if named
        else ""
    )


def plane(probes: Sequence[AirProbe]) -> dict[str, tuple[float, float]]:
    """|g| of the least-squares plane in the newest bin, with U, for each direction that the places determine.

    The same fit as the rule of kind "plane"; "" is the whole gradient. Empty with fewer than four probes.
    """
    fit = Fit.of([s.place for s in probes]) if probes else None
    if fit is None or not fit.determined:
        return {}
    T, U = (np.array([[getattr(s.curve, name)[-1]] for s in probes]) for name in ("mean", "U"))
    components = {name: fit.component(name, T, U, np.zeros_like(T)) for name in sorted(fit.determined)}
    return {name: (float(value[0]), float(own_U[0])) for name, (value, own_U) in components.items()}


def room_air(q: Queries, from_ns: int, to_ns: int) -> list[AirProbe]:
    """Air probes of all zones together."""
    own_probes = [s for zone in q.setup.zones_now() for s in air_probes(q, zone.key, from_ns, to_ns)]
    filled = [s for s in own_probes if len(s.curve)]
    curves = at_common_bins([s.curve for s in filled]) if filled else []
    probes = [replace(s, curve=curve) for s, curve in zip(filled, curves, strict=True)]
    return probes if probes and len(probes[0].curve) else []


def _line(q: Queries, pair: tuple[AirProbe, AirProbe, float], direction: Direction, place: int) -> ChartLine:
    a, b, d_m = pair
    value, U = gradient(a, b, d_m, direction)
    gap_ns = 2 * max(q.setup.channels[s.channel].max_age_s for s in (a, b)) * NS
    times: list[int] = []
    values: list[float | None] = []
    for start, end, g in zip(a.curve.start_ns.tolist(), a.curve.end_ns.tolist(), value.tolist(), strict=True):
        if times and start - times[-1] > gap_ns + end - start:
            times.append(times[-1] + NS)
            values.append(None)
        times.append((start + end) // 2)
        values.append(round(g, 5))
    name = f"{_probe(b)}–{_probe(a)}"
    return ChartLine(name, name, times, values, float(U.max()) if len(U) else 0.0, place)


def _probe(s: AirProbe) -> str:
    return s.channel.partition(".")[0]
