"""What machine and parts remember, cell by cell, by the definitions written out plainly. Times in cells."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from .cells import Cell, Channel
from .rooms import STEP_S, Room, quantity_of

WIDENED = 2_000_000  # a body may be so much colder or hotter than the air of its record was


class Silence:
    """Time without evidence within a settling time: whether it leaves bodies unknown."""

    def __init__(self, cells: list[bool]) -> None:
        self.cells = cells

    def lost(self, has_evidence: bool, width: int, gap: int) -> bool:
        """Of the next cell; more than `gap` of `width` cells, or all of them."""
        self.cells = [*self.cells, not has_evidence][-width:] if width else []
        silent = sum(self.cells)
        return not has_evidence and bool(width) and (silent > gap or silent == width)


class Countdowns:
    """Bodies that are not declared: a settling time from the last excursion; nothing is known at first."""

    def __init__(self, settling: int, gap: int) -> None:
        self.settling, self.gap = settling, gap
        self.left, self.unknown, self.silence = 0, settling, Silence([True] * settling)

    def step(self, disturbed: bool, has_evidence: bool, troubled: bool) -> tuple[bool, bool]:
        """Whether bodies settle, or are unknown, in the next cell."""
        settles = self.left > 0 and not disturbed
        lost = self.silence.lost(has_evidence, self.settling, self.gap) or troubled
        unknown = lost or self.unknown > 0
        if has_evidence:
            self.left, self.unknown = max(0, self.left - 1), max(0, self.unknown - 1)
        if disturbed:
            self.left = self.settling
        if lost:
            self.unknown = self.settling
        return settles, unknown


class Air:
    """What a declared body follows: the mean of its channels' cells, and what may have been."""

    def __init__(
        self, room: Room, of: dict[str, Any], sound: Mapping[str, Channel], as_read: Mapping[str, Channel]
    ) -> None:
        names = [n for n in sorted(room["readings"]) if quantity_of(n) == "temperature"]
        self.media: tuple[str, ...] = () if of["channels"] else ("air",)
        self.names = of["channels"] or [n for n in names if sound[n].ever(("air",))]
        self.sound, self.as_read = sound, as_read

    def at(self, cell: int) -> tuple[float | None, float, bool, list[int]]:
        """Middle, U, whether there is evidence, and every value that may have been."""
        here = [self.sound[n].cell(cell) for n in self.names if self.sound[n].stands(cell, self.media)]
        observed = [c for c in here if c.low is not None and c.high is not None]
        middles = [((c.low or 0) + (c.high or 0)) / 2 for c in observed]
        middle = round(sum(middles) / len(middles)) if middles else None
        bounds = [] if middle is None else [middle]
        for c in self._in_doubt(cell):
            bounds += [b for b in (c.low, c.high) if b is not None]
        return middle, max([c.U or 0 for c in observed], default=0), any(c.evidence for c in here), bounds

    def _in_doubt(self, cell: int) -> list[Cell]:
        """As they stand: readings in doubt, and those of a probe whose place is not known."""
        names = [n for n in self.names if self.sound[n].stands(cell, self.media)]
        doubted = [n for n in names if self.sound[n].cell(cell).doubted]
        nowhere = [n for n in self.names if self.as_read[n].placed(cell) == ""]
        return [self.as_read[n].undisputed(cell) for n in (*doubted, *nowhere)]


class Body:
    """A declared body: dT/dt = (T_air − T)/τ from every credible start, and once more with τ + u(τ)."""

    def __init__(self, of: dict[str, Any], air: Air) -> None:
        self.of, self.air = of, air
        self.track: list[float] | None = None  # lowest, highest, slowest
        self.last: float | None = None
        self.seen: list[int] = []
        self.silence, self.unknown = Silence([]), 0

    def step(self, cell: int, settling: int, gap: int, troubled: bool) -> tuple[bool, bool, bool]:
        """Whether it is out of its limits for sure, may be, and whether its air was lost too lately."""
        middle, U_air, reference, bounds = self.air.at(cell)
        self.seen += bounds
        self.last = self.last if middle is None else middle
        reference = reference and middle is not None
        lost = self.silence.lost(reference, settling or gap + 1, gap) or troubled
        if lost:
            self.track = None
        elif reference and self.track is None:
            coldest, hottest = min(self.seen) - WIDENED, max(self.seen) + WIDENED
            self.track = [coldest, hottest, (coldest + hottest) // 2]
        runs = lost or self.unknown > 0
        self.unknown = settling if lost else max(0, self.unknown - reference)
        if self.track is None:
            return False, True, runs
        tau = self.of["tau_s"]
        for n, tau_s in enumerate((tau, tau, tau + self.of["u_tau_s"])):
            self.track[n] += (self.last - self.track[n]) * -math.expm1(-STEP_S / tau_s)
        return (*self._judged(U_air), runs)

    def _judged(self, U_air: float) -> tuple[bool, bool]:
        assert self.track is not None
        low, high, slow = self.track
        U = round(math.hypot(2 * (slow - (low + high) / 2), U_air))
        lowest, highest = self.of["lower"] * 1e6 + U, self.of["upper"] * 1e6 - U
        some = lowest <= highest and high >= lowest and low <= highest
        return not some, some and not (low >= lowest and high <= highest)
