"""The definitions written out plainly, cell by cell: slow, and sharing nothing with the judge.

Source: the definitions of our own design (evidence of a cell, guard bands after JCGM 106:2012 8.3.2, spans,
spreads, settling, bodies that are unknown), uncertainties by JCGM 100:2008 5.1. Whole numbers of a millionth.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations, pairwise
from typing import Any

from .rooms import PART, STEP_S, Room

RESOLUTION, NOISE, U_PLACE = 0.01, 0.01, 0.02
COMPLETENESS = 0.95
GOOD, GUARD, OUT, SHORT, SILENT = "conforming", "guard band", "nonconforming", "indeterminate", "not in force"


def micro(value: float) -> int:
    """Whole millionths, half to even."""
    return round(value * 1e6)


def medium(position: str) -> str:
    """The medium of a position."""
    return "part" if position in PART else "air"


@dataclass(frozen=True)
class Reading:
    """A reading as the certificate of its time corrects it; doubt: "", "outside" or why it says nothing."""

    at_s: float
    value: int
    U: int | None
    doubt: str


@dataclass
class Cell:
    """What a cell holds: bounds, mean of its own readings, U, whether it is evidence."""

    low: int | None = None
    high: int | None = None
    mean: int | None = None
    U: int | None = None
    evidence: bool = False
    valid: list[Reading] = field(default_factory=list)


class Probe:
    """A probe of a room, its readings by cell; `as_read`: every reading taken as it stands."""

    def __init__(self, name: str, room: Room, *, as_read: bool) -> None:
        self.name, self.room, self.as_read = name, room, as_read
        self.stays = [(pos, a, b) for p, pos, a, b in room["placements"] if p == name]
        self.readings = self._read()
        self.by_cell: dict[int, list[Reading]] = {}
        for one in self.readings:
            self.by_cell.setdefault(int(one.at_s // STEP_S), []).append(one)
        self.sure = [r for r in self.readings if not r.doubt]
        self.sure_at = [r.at_s for r in self.sure]
        self._cells: dict[int, Cell] = {}

    def _read(self) -> list[Reading]:
        rows = [tuple(row) for row in self.room["readings"][self.name]]
        values: dict[float, set[float]] = {}
        for at, value in rows:
            values.setdefault(at, set()).add(value)
        found = []
        for at in sorted(values):
            for value in sorted(values[at]):
                found.append(self._corrected(at, value, len(values[at]) > 1))
        return found

    def _corrected(self, at: float, value: float, conflict: bool) -> Reading:
        used = [c for c in self.room["certificates"] if c[0] == self.name and c[1] <= at]
        if not used:
            return Reading(at, micro(value), 0 if self.as_read else None, "" if self.as_read else "none")
        _, _, due, withdrawn, correction, U, low, high = max(used, key=lambda c: c[1])
        u = math.sqrt((U / 2) ** 2 + RESOLUTION**2 / 12 + NOISE**2)
        doubt = "outside" if not low <= value <= high else ""
        if conflict or (due is not None and at >= due) or (withdrawn is not None and at >= withdrawn):
            doubt = "doubted"
        return Reading(at, micro(value + correction), micro(2 * u), "" if self.as_read else doubt)

    def placed(self, cell: int) -> str | None:
        """The position in which it stands when a cell begins; as read, "" where it stands nowhere."""
        for position, begin, end in self.stays:
            if begin <= cell * STEP_S and (end is None or cell * STEP_S < end):
                return str(position)
        return "" if self.as_read else None

    def stands(self, cell: int, media: tuple[str, ...]) -> bool:
        """Whether it takes part in a rule on some media (none: whatever it stands in)."""
        position = self.placed(cell)
        return position is not None and (not media or position == "" or medium(position) in media)

    def cell(self, number: int) -> Cell:
        """The cell of that number."""
        if number not in self._cells:
            self._cells[number] = self._made(number)
        return self._cells[number]

    def _made(self, number: int) -> Cell:
        rows = self.by_cell.get(number, [])
        if not rows:
            return self._covered(number)
        seen = [r for r in rows if r.doubt in ("", "outside")]
        valid = [r for r in rows if not r.doubt]
        evidence = all(not r.doubt for r in rows)
        if not seen:
            return Cell()
        values = [r.value for r in seen]
        mean = round(sum(values) / len(values))
        return Cell(min(values), max(values), mean, max(r.U or 0 for r in seen), evidence, valid)

    def _covered(self, number: int) -> Cell:
        place = bisect_left(self.sure_at, number * STEP_S)  # the cell has none of its own
        before, after = self.sure[max(place - 1, 0) : place], self.sure[place : place + 1]
        if not before or number < 0:
            return Cell()
        flanks = [before[-1], *after[:1]]
        until = after[0].at_s if after else self.room["cells"] * STEP_S
        if until - before[-1].at_s > self.room["max_age_s"] + 1e-9:
            return Cell()
        values = [r.value for r in flanks]
        return Cell(min(values), max(values), None, max(r.U or 0 for r in flanks), evidence=True)


@dataclass(frozen=True)
class Candidate:
    """What a rule looks at in one cell: margin (None: nothing seen), U, whether it is evidence."""

    margin: int | None
    U: int | None
    evidence: bool


def _media(rule: dict[str, Any]) -> tuple[str, ...]:
    if rule["channels"]:
        return ()
    return ("air", "part") if rule["kind"] == "difference" else ("air",)


class Judge:
    """One room, judged."""

    def __init__(self, room: Room) -> None:
        self.room = room
        names = list(room["readings"])
        self.probes = {n: Probe(n, room, as_read=False) for n in names}
        self.as_read = {n: Probe(n, room, as_read=True) for n in names}
        self._results: dict[tuple[int, int], tuple[str, bool, bool]] = {}

    def names(self, rule: dict[str, Any]) -> list[str]:
        """Probes that a rule looks at, at any time."""
        if rule["channels"]:
            return sorted(rule["channels"])
        media = _media(rule)
        return sorted(n for n, p in self.probes.items() if any(medium(s[0]) in media for s in p.stays))

    def result(self, number: int, cell: int) -> tuple[str, bool, bool]:
        """Of a rule whatever its validity: (result, evidence for what bodies remember, troubled)."""
        key = (number, cell)
        if key not in self._results:
            rule = self.room["rules"][number]
            word = self._word(rule, cell, self.probes)
            known = word != SHORT
            if rule["window_s"]:
                known = word == OUT or self._reporting(rule, cell)
            troubled = word == SHORT and self._word(rule, cell, self.as_read) == OUT
            self._results[key] = word, known, troubled
        return self._results[key]

    def _reporting(self, rule: dict[str, Any], cell: int) -> bool:
        there = [n for n in self.names(rule) if self.probes[n].stands(cell, _media(rule))]
        good = [n for n in there if self.probes[n].cell(cell).evidence]
        least = rule["need"] or len(rule["channels"]) or max(len(there), 1)
        return len(good) >= least

    def _word(self, rule: dict[str, Any], cell: int, probes: dict[str, Probe]) -> str:
        candidates = self._candidates(rule, cell, probes)
        if any(c.margin is not None and c.margin < 0 for c in candidates):
            return OUT
        good = [c for c in candidates if c.evidence and c.margin is not None and c.U is not None]
        need = rule["need"] or len(rule["channels"])
        if rule["kind"] in ("spread", "gradient", "difference"):
            asked = self.names(rule) if rule["need"] else rule["channels"]
            here = [
                n for n in asked if probes[n].stands(cell, _media(rule)) and probes[n].cell(cell).evidence
            ]
            if need and len(here) < need:
                return SHORT
            need = 1 if rule["need"] else len(candidates)
        if not candidates or len(good) < (need or len(candidates)):
            return SHORT
        near = any(c.margin < round(rule["r"] * c.U) for c in good)  # type: ignore[operator]
        return GUARD if near else GOOD

    def _candidates(self, rule: dict[str, Any], cell: int, probes: dict[str, Probe]) -> list[Candidate]:
        kind = rule["kind"]
        there = [probes[n] for n in self.names(rule) if probes[n].stands(cell, _media(rule))]
        if kind == "limit":
            return [self._limit(rule, p.cell(cell)) for p in there]
        if kind in ("span", "slope"):
            return [self._window(rule, p, cell) for p in there]
        pairs = [(a, b) for a, b in combinations(there, 2)]
        if kind == "difference":
            pairs = [(a, b) for a in there for b in there if a is not b]
            pairs = [
                (a, b) for a, b in pairs if self._stands(a, "air", cell) and self._stands(b, "part", cell)
            ]
        found = [self._pair(rule, a, b, cell) for a, b in pairs]
        return [c for c in found if c is not None]

    def _stands(self, probe: Probe, of: str, cell: int) -> bool:
        ever = any(medium(position) == of for position, _, _ in probe.stays)
        return ever and probe.stands(cell, (of,))

    def _margin(self, rule: dict[str, Any], low: float, high: float) -> int:
        margins = [micro(rule["upper"]) - high]
        if rule["lower"] is not None:
            margins.append(low - micro(rule["lower"]))
        return int(min(margins))

    def _limit(self, rule: dict[str, Any], cell: Cell) -> Candidate:
        if cell.low is None or cell.high is None:
            return Candidate(None, None, False)
        return Candidate(self._margin(rule, cell.low, cell.high), cell.U, cell.evidence)

    def _window(self, rule: dict[str, Any], probe: Probe, cell: int) -> Candidate:
        width = rule["window_s"] // STEP_S
        own = [probe.cell(c) for c in range(cell - width + 1, cell + 1)]
        times = [r.at_s for c in own for r in c.valid]
        begin, end = (cell - width + 1) * STEP_S, (cell + 1) * STEP_S
        edges = [begin, *times, end]
        interval = self.room["interval_s"]
        enough = len(times) >= 5 and len(times) * interval >= COMPLETENESS * rule["window_s"]
        evidence = enough and max(b - a for a, b in pairwise(edges)) <= max(
            3 * interval, rule["window_s"] / 12
        )
        counts = [len(c.valid) for c in own if c.valid]
        u = math.sqrt(NOISE**2 / min(counts) + RESOLUTION**2 / 12) if counts else math.nan
        if rule["kind"] == "slope":
            return self._slope(rule, own, u, evidence)
        means = [c.mean for c in own if c.mean is not None]
        if not means:
            return Candidate(None, None, False)
        value = max(means) - min(means)
        U = None if math.isnan(u) else micro(2 * math.sqrt(2) * u)
        return Candidate(micro(rule["upper"]) - value, U, evidence)

    def _slope(self, rule: dict[str, Any], own: list[Cell], u: float, evidence: bool) -> Candidate:
        """Least squares over the cells with valid readings alone; a fit, judged only where it is complete."""
        points = [(n, c.mean) for n, c in enumerate(own) if c.mean is not None and c.valid and c.evidence]
        n, st = len(points), sum(t for t, _ in points)
        spread = n * sum(t * t for t, _ in points) - st * st
        if not evidence or spread <= 0:
            return Candidate(None, None, False)
        sv, stv = sum(v for _, v in points), sum(t * v for t, v in points)
        hours = STEP_S / 3600
        slope = abs(round((n * stv - st * sv) / spread / hours))
        U = micro(2 * u / math.sqrt(spread / n * hours**2))
        return Candidate(micro(rule["upper"]) - slope, U, evidence)

    def _pair(self, rule: dict[str, Any], a: Probe, b: Probe, cell: int) -> Candidate | None:
        d = u_d = 1.0
        if rule["kind"] == "gradient":
            places = a.placed(cell), b.placed(cell)
            if "" in places:
                return None
            d = math.dist(*(self.room["positions"][p] for p in places))
            u_d = math.hypot(U_PLACE, U_PLACE)
            if d < 0.3:
                return None
        one, other = a.cell(cell), b.cell(cell)
        bounds = [(c.mean, c.mean) if c.mean is not None else (c.low, c.high) for c in (one, other)]
        if bounds[0][0] is None or bounds[1][0] is None:
            return Candidate(None, None, False)
        (a_low, a_high), (b_low, b_high) = bounds
        evidence = one.evidence and other.evidence
        U2 = float(one.U or 0) ** 2 + float(other.U or 0) ** 2
        if rule["kind"] == "difference":
            return Candidate(
                self._margin(rule, a_low - b_high, a_high - b_low), round(math.sqrt(U2)), evidence
            )
        apart = max(abs(a_high - b_low), abs(b_high - a_low))
        u_d = u_d if rule["kind"] == "gradient" else 0.0
        U = round(math.sqrt(U2 / d**2 + (apart * 2 * u_d / d**2) ** 2))
        return Candidate(micro(rule["upper"]) - round(apart / d), U, evidence)

    # What bodies remember

    def in_force(self, cell: int) -> list[int]:
        """Rules that hold when a cell begins, those of the activity in the place of others of their name."""
        at, rules = cell * STEP_S, self.room["rules"]
        holds = [
            n for n, r in enumerate(rules) if r["from_s"] <= at and (r["to_s"] is None or at < r["to_s"])
        ]
        special = [n for n in holds if rules[n]["activity"] and rules[n]["activity"] == self.room["activity"]]
        names = {rules[n]["name"] for n in special}
        return [n for n in holds if not rules[n]["activity"] and rules[n]["name"] not in names] + special

    def settings(self, cell: int) -> tuple[int, int]:
        """Settling time and allowed gap, in cells, when a cell begins."""
        for until, settling_s, gap_s in self.room["settings"]:
            if until < 0 or cell * STEP_S < until:
                return settling_s // STEP_S, gap_s // STEP_S
        raise AssertionError

    @cached_property
    def reasons(self) -> list[str]:
        """The first reason that applies to each cell."""
        found = []
        memory = Bodies(*self.settings(0))
        before: object = self._held(0)
        if self._held(-1) != before:
            memory = self._looked_back(0)
        for cell in range(self.room["cells"]):
            held = self._held(cell)
            if held != before:
                memory = self._looked_back(cell)
            before = held
            found.append(self._reason(cell, memory))
        return found

    def _held(self, cell: int) -> object:
        spoken = ("from_s", "to_s", "name")
        rules = [self.room["rules"][n] for n in self.in_force(cell)]
        return self.settings(cell), sorted(
            str({k: v for k, v in r.items() if k not in spoken}) for r in rules
        )

    def _looked_back(self, cell: int) -> Bodies:
        """What the rules of a cell say of the three settling times before it, from not knowing."""
        rules, memory = self.in_force(cell), Bodies(*self.settings(cell))
        for earlier in range(cell - 3 * memory.settling, cell):
            memory.step(*self._exposed(rules, earlier))
        return memory

    def _exposed(self, rules: list[int], cell: int) -> tuple[bool, bool, bool]:
        """Of a cell by some rules: disturbed, with evidence, possibly out by doubted readings."""
        each = {n: self.result(n, cell) for n in rules}
        disturbing = [n for n in rules if self.room["rules"][n]["disturbs"]]
        disturbed = any(each[n][0] == OUT for n in disturbing)
        known = bool(rules) and all(each[n][1] for n in disturbing or rules)
        return disturbed, known or disturbed, any(each[n][2] for n in disturbing)

    def _reason(self, cell: int, memory: Bodies) -> str:
        rules = self.in_force(cell)
        words = [self.result(n, cell)[0] for n in rules]
        settling, unknown = memory.step(*self._exposed(rules, cell))
        marked = any(a // STEP_S <= cell and cell * STEP_S < b for a, b in self.room["marks"])
        if OUT in words:
            return "nonconforming"
        if marked:
            return "marked"
        if settling:
            return "settling"
        if SHORT in words or unknown or not words:
            return "indeterminate"
        return "guard band" if GUARD in words else "conforming"


class Bodies:
    """What machine and parts remember, cell by cell; nothing is known at first. Times in cells."""

    def __init__(self, settling: int, gap: int) -> None:
        self.settling, self.gap = settling, gap
        self.left, self.unknown, self.silences = 0, settling, [True] * settling

    def step(self, disturbed: bool, known: bool, troubled: bool) -> tuple[bool, bool]:
        """Whether bodies settle, or are unknown, in the next cell."""
        settles = self.left > 0 and not disturbed
        self.silences = [*self.silences, not known][-self.settling :] if self.settling else []
        silent = sum(self.silences)
        lost = not known and bool(self.settling) and (silent > self.gap or silent == self.settling)
        lost |= troubled
        unknown = lost or self.unknown > 0
        if known:
            self.left, self.unknown = max(0, self.left - 1), max(0, self.unknown - 1)
        if disturbed:
            self.left = self.settling
        if lost:
            self.unknown = self.settling
        return settles, unknown
