"""What each kind of rule says of a cell, by the definitions written out plainly.

Guard bands after JCGM 106:2012 8.3.2; spans, spreads, gradients, planes and condensation as our own design
defines them; uncertainties by JCGM 100:2008 5.1. Whole numbers of a millionth.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations, pairwise, product
from typing import Any

from . import planes
from .cells import Cell, Channel
from .readings import interval_s, micro
from .rooms import NOISE, RESOLUTION, STEP_S, U_PLACE, Room, quantity_of
from .vapour import ln_pressure, slope

LEAST_COMPLETENESS, NEAREST_M, FEWEST_READINGS = 0.8, 0.3, 5
GOOD, GUARD, OUT, SHORT = "conforming", "guard band", "nonconforming", "indeterminate"
PAIRED = ("spread", "gradient", "difference", "condensation")
Rule = dict[str, Any]
Channels = Mapping[str, Channel]


@dataclass(frozen=True)
class Candidate:
    """What a rule looks at in one cell: margin (None: nothing seen), U, whether it is evidence."""

    margin: int | None
    U: int | None
    evidence: bool


NOTHING = Candidate(None, None, evidence=False)


class RuleJudge:
    """The rules of a room."""

    def __init__(self, room: Room) -> None:
        self.room = room

    def names(self, rule: Rule, every: Channels) -> list[str]:
        """Channels that a rule looks at, at any time, both sides of those that compare two."""
        if rule["kind"] == "condensation":
            return sorted({*self._surfaces(rule, every), *self._dew_points(rule, every)})
        if rule["channels"]:
            return sorted(rule["channels"])
        of = rule.get("quantity", "temperature")
        return sorted(n for n, c in every.items() if quantity_of(n) == of and c.ever(self._media(rule)))

    def word(self, rule: Rule, cell: int, every: Channels) -> str:
        """What the rule says, whether it is in force or not."""
        candidates = list(self._candidates(rule, cell, every))
        if any(c.margin is not None and c.margin < 0 for c in candidates):
            return OUT
        good = [c for c in candidates if c.evidence and c.margin is not None and c.U is not None]
        need = least(rule)
        if rule["kind"] in PAIRED:
            if need and len(self._reporting(rule, cell, every)) < need:
                return SHORT
            need = 1 if rule["need"] is not None else len(candidates)
        if rule["kind"] == "plane":
            need = 1
        if not candidates or len(good) < (need or len(candidates)):
            return SHORT
        near = any(c.margin < round(rule["r"] * c.U) for c in good)  # type: ignore[operator]
        return GUARD if near else GOOD

    def evident(self, rule: Rule, cell: int, every: Channels) -> bool:
        """Whether enough channels of a rule have a value, though its window may not be full yet."""
        there = [n for n in self.names(rule, every) if every[n].stands(cell, self._media(rule))]
        good = [n for n in there if every[n].cell(cell).evidence]
        return len(good) >= (least(rule) or max(len(there), 1))

    def _media(self, rule: Rule) -> tuple[str, ...]:
        if rule["channels"]:
            return ()
        return ("air", "part") if rule["kind"] == "difference" else ("air",)

    def _reporting(self, rule: Rule, cell: int, every: Channels) -> list[str]:
        """Of the channels that are demanded those that give evidence where the rule looks for them."""
        if rule["kind"] == "condensation":
            sides = ((self._surfaces(rule, every), "part"), (self._dew_points(rule, every), "air"))
            there = [n for names, where in sides for n in names if every[n].stands(cell, (where,))]
        else:
            names = self.names(rule, every) if rule["need"] is not None else rule["channels"]
            there = [n for n in names if every[n].stands(cell, self._media(rule))]
        return [n for n in there if every[n].cell(cell).evidence]

    def _candidates(self, rule: Rule, cell: int, every: Channels) -> Iterator[Candidate]:
        kind = rule["kind"]
        if kind == "condensation":
            yield from self._condensation(rule, cell, every)
            return
        there = [every[n] for n in self.names(rule, every) if every[n].stands(cell, self._media(rule))]
        if kind == "plane":
            if there:
                yield self._plane(rule, there, cell)
        elif kind == "limit":
            yield from (self._limit(rule, c.cell(cell)) for c in there)
        elif kind in ("span", "slope"):
            yield from (self._window(rule, c, cell) for c in there)
        else:
            pairs: Iterator[tuple[Channel, Channel]] = combinations(there, 2)
            if kind == "difference":
                pairs = ((a, b) for a, b in product(there, there) if a is not b and _across(a, b, cell))
            compared = [self._pair(rule, a, b, cell) for a, b in pairs]
            yield from (c for c in compared if c is not None)

    def _limit(self, rule: Rule, cell: Cell) -> Candidate:
        if cell.low is None or cell.high is None:
            return NOTHING
        return Candidate(margin(rule, cell.low, cell.high), cell.U, cell.evidence)

    # Windows

    def _window(self, rule: Rule, channel: Channel, cell: int) -> Candidate:
        width, of = rule["window_s"] // STEP_S, quantity_of(channel.name)
        own = [channel.cell(c) for c in range(cell - width + 1, cell + 1)]
        evidence = self._suffices(rule, own, (cell - width + 1) * STEP_S, (cell + 1) * STEP_S)
        counts = [len(c.valid) for c in own if c.valid]
        u = math.sqrt(NOISE[of] ** 2 / min(counts) + RESOLUTION[of] ** 2 / 12) if counts else math.nan
        if rule["kind"] == "slope":
            return self._slope(rule, own, u, evidence)
        means = [c.mean for c in own if c.mean is not None]
        if not means:
            return NOTHING
        U = None if math.isnan(u) else micro(2 * math.sqrt(2) * u)
        return Candidate(micro(rule["upper"]) - (max(means) - min(means)), U, evidence)

    def _suffices(self, rule: Rule, own: list[Cell], begin_s: float, end_s: float) -> bool:
        """Whether a window has the readings that its sampling promises, five at least, and no long gap."""
        times = [r.at_s for c in own for r in c.valid]
        every_s, completeness = interval_s(self.room), max(rule.get("completeness", 0.95), LEAST_COMPLETENESS)
        enough = len(times) >= FEWEST_READINGS and len(times) * every_s >= completeness * rule["window_s"]
        longest_s = max(b - a for a, b in pairwise([begin_s, *times, end_s]))
        return enough and longest_s <= max(3 * every_s, rule["window_s"] / 12)

    def _slope(self, rule: Rule, own: list[Cell], u: float, evidence: bool) -> Candidate:
        """Least squares over the cells with valid readings alone; a fit, judged only where it is complete."""
        points = [(n, c.mean) for n, c in enumerate(own) if c.mean is not None and c.valid and not c.outside]
        n, st = len(points), sum(t for t, _ in points)
        spread = n * sum(t * t for t, _ in points) - st * st
        if not evidence or spread <= 0:
            return NOTHING
        sv, stv = sum(v for _, v in points), sum(t * v for t, v in points)
        hours = STEP_S / 3600
        steep = abs(round((n * stv - st * sv) / spread / hours))
        U = micro(2 * u / math.sqrt(spread / n * hours**2))
        return Candidate(micro(rule["upper"]) - steep, U, evidence)

    # Places

    def _pair(self, rule: Rule, a: Channel, b: Channel, cell: int) -> Candidate | None:
        d, u_d = 1.0, 0.0
        if rule["kind"] == "gradient":
            places = a.placed(cell), b.placed(cell)
            if "" in places:
                return None
            at, other_at = (self.room["positions"][p] for p in places)
            d, u_d = math.dist(at, other_at), math.hypot(U_PLACE, U_PLACE)
            counts_as = planes.line_direction(planes.lean_of(at, other_at))
            if d < NEAREST_M or rule.get("direction", "pair") not in ("pair", counts_as):
                return None
        item, other = a.cell(cell), b.cell(cell)
        bounds = [(c.mean, c.mean) if c.mean is not None else (c.low, c.high) for c in (item, other)]
        if bounds[0][0] is None or bounds[1][0] is None:
            return NOTHING
        (a_low, a_high), (b_low, b_high) = bounds
        evidence = item.evidence and other.evidence
        U2 = float(item.U or 0) ** 2 + float(other.U or 0) ** 2
        if rule["kind"] == "difference":
            apart = margin(rule, a_low - b_high, a_high - b_low)
            return Candidate(apart, round(math.sqrt(U2)), evidence)
        apart = max(abs(a_high - b_low), abs(b_high - a_low))
        U = round(math.sqrt(U2 / d**2 + (apart * 2 * u_d / d**2) ** 2))
        return Candidate(micro(rule["upper"]) - round(apart / d), U, evidence)

    def _plane(self, rule: Rule, there: list[Channel], cell: int) -> Candidate:
        """A fit, judged only with the evidence of every probe or of as many as are demanded, at least 4."""
        good = [c for c in there if c.cell(cell).evidence and c.cell(cell).U is not None]
        if len(good) < max(least(rule) or len(there), planes.FEWEST):
            return NOTHING
        good = [c for c in good if c.placed(cell)]
        bounds = [
            (c.mean, c.mean) if c.mean is not None else (c.low, c.high) for c in (g.cell(cell) for g in good)
        ]
        fit = planes.gradient(
            [self.room["positions"][c.placed(cell)] for c in good], U_PLACE, rule["direction"],
            [(low + high) / 2e6 for low, high in bounds], [(high - low) / 2e6 for low, high in bounds],
            [(c.cell(cell).U or 0) / 1e6 for c in good],
        )  # fmt: skip
        if fit is None:
            return NOTHING
        value, U = (round(x * 1e5) * 10 for x in fit)
        return Candidate(micro(rule["upper"]) - value, U, evidence=True)

    # Moisture

    def _surfaces(self, rule: Rule, every: Channels) -> list[str]:
        named = [n for n in rule["channels"] if quantity_of(n) != "dew_point"]
        return named or [n for n, c in every.items() if quantity_of(n) == "temperature" and c.ever(("part",))]

    def _dew_points(self, rule: Rule, every: Channels) -> list[str]:
        named = [n for n in rule["channels"] if quantity_of(n) == "dew_point"]
        return named or [n for n, c in every.items() if quantity_of(n) == "dew_point" and c.ever(("air",))]

    def _condensation(self, rule: Rule, cell: int, every: Channels) -> Iterator[Candidate]:
        surfaces = [every[n] for n in self._surfaces(rule, every) if every[n].stands(cell, ("part",))]
        dew_points = [every[n] for n in self._dew_points(rule, every) if every[n].stands(cell, ("air",))]
        for surface, dew in product(surfaces, dew_points):
            s, d = surface.cell(cell), dew.cell(cell)
            if s.low is None or s.high is None or d.low is None or d.high is None:
                yield NOTHING
            else:
                yield _at_surface(rule, s, d)


def least(rule: Rule) -> int | None:
    """How many channels a rule demands; None: all that are placed. One at least."""
    return max(rule["need"], 1) if rule["need"] is not None else len(rule["channels"]) or None


def margin(rule: Rule, low: float, high: float) -> int:
    """How far inside the nearer limit."""
    margins = [] if rule["upper"] is None else [micro(rule["upper"]) - high]
    if rule["lower"] is not None:
        margins.append(low - micro(rule["lower"]))
    return int(min(margins))


def _across(a: Channel, b: Channel, cell: int) -> bool:
    """Whether the first stands in air and the second in a part."""
    return all(c.ever((m,)) and c.stands(cell, (m,)) for c, m in ((a, "air"), (b, "part")))


def _at_surface(rule: Rule, s: Cell, d: Cell) -> Candidate:
    """Surface less dew point in K, or the humidity that the moisture of the air has there."""
    assert s.low is not None
    assert s.high is not None
    assert d.low is not None
    assert d.high is not None
    evidence, U_s, U_d = s.evidence and d.evidence, (s.U or 0) / 1e6, (d.U or 0) / 1e6
    if rule["unit"] == "K":
        low, high = s.low - d.high, s.high - d.low
        return Candidate(margin(rule, low, high), round(math.hypot(U_s, U_d) * 1e5) * 10, evidence)
    low, high = (_humidity(d.low, s.high), _humidity(d.high, s.low))
    t_s, t_d = (s.low + s.high) / 2e6, (d.low + d.high) / 2e6
    at = 100 * math.exp(ln_pressure(t_d) - ln_pressure(t_s))
    U = round(math.hypot(at * slope(t_s) * U_s, at * slope(t_d) * U_d) * 1e5) * 10
    return Candidate(margin(rule, low, high), U, evidence)


def _humidity(dew: int, surface: int) -> int:
    return round(100 * math.exp(ln_pressure(dew / 1e6) - ln_pressure(surface / 1e6)) * 1e5) * 10
