"""The definitions written out plainly, cell by cell: slow, and sharing nothing with the judge.

Source: the definitions of our own design. What a reading is worth: `readings.py`; what a cell shows:
`cells.py`; what a rule says of it: `rules.py`; what bodies remember: `memory.py`; here the verdict.
"""

from __future__ import annotations

from functools import cached_property

from .cells import channels
from .memory import Air, Body, Countdowns
from .readings import read
from .rooms import STEP_S, Room
from .rules import GUARD, OUT, SHORT, RuleJudge


class Judge:
    """One room, judged."""

    def __init__(self, room: Room) -> None:
        self.room, self.rules = room, RuleJudge(room)
        self.readings = read(room)
        self.sound = channels(room, self.readings, as_read=False)
        self.as_read = channels(room, self.readings, as_read=True)
        self._results: dict[tuple[int, int], tuple[str, bool, bool]] = {}

    def result(self, number: int, cell: int) -> tuple[str, bool, bool]:
        """Of a rule whatever its validity: (result, evidence for what bodies remember, troubled)."""
        key = (number, cell)
        if key not in self._results:
            rule = self.room["rules"][number]
            word = self.rules.word(rule, cell, self.sound)
            reference = word != SHORT
            if rule["window_s"]:
                reference = word == OUT or self.rules.evident(rule, cell, self.sound)
            troubled = word == SHORT and rule["disturbs"]
            troubled = troubled and self.rules.word(rule, cell, self.as_read) == OUT
            self._results[key] = word, reference, troubled
        return self._results[key]

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
        """Settling time and allowed gap in cells when a cell begins; no gap longer than what settles."""
        taus = [body["tau_s"] for body in self.room.get("bodies", [])]
        for until, settling_s, gap_s in self.room["settings"]:
            if until < 0 or cell * STEP_S < until:
                longest_s = min(taus, default=settling_s or gap_s)
                return settling_s // STEP_S, int(min(gap_s, longest_s)) // STEP_S
        raise AssertionError

    @cached_property
    def reasons(self) -> list[str]:
        """The first reason that applies to each cell."""
        reasons = []
        memory = Countdowns(*self.settings(0))
        bodies = [
            Body(of, Air(self.room, of, self.sound, self.as_read)) for of in self.room.get("bodies", [])
        ]
        before: object = self._basis(0)
        if self._basis(-1) != before:
            memory = self._looked_back(0)
        for cell in range(self.room["cells"]):
            basis = self._basis(cell)
            if basis != before:
                memory = self._looked_back(cell)
            before = basis
            reasons.append(self._reason(cell, memory, bodies))
        return reasons

    def _basis(self, cell: int) -> object:
        """What a cell is judged by, but for what is only spoken."""
        spoken = ("from_s", "to_s", "name")
        rules = [self.room["rules"][n] for n in self.in_force(cell)]
        judged_by = sorted(str({k: v for k, v in r.items() if k not in spoken}) for r in rules)
        return self.settings(cell), judged_by

    def _looked_back(self, cell: int) -> Countdowns:
        """What the rules of a cell say of the three settling times before it, from not knowing."""
        rules, memory = self.in_force(cell), Countdowns(*self.settings(cell))
        for earlier in range(cell - 3 * memory.settling, cell):
            memory.step(*self._exposed(rules, earlier))
        return memory

    def _exposed(self, rules: list[int], cell: int) -> tuple[bool, bool, bool]:
        """Of a cell by some rules: disturbed, with evidence, possibly out by doubted readings."""
        results = {n: self.result(n, cell) for n in rules}
        disturbing = [n for n in rules if self.room["rules"][n]["disturbs"]]
        disturbed = any(results[n][0] == OUT for n in disturbing)
        reference = bool(rules) and all(results[n][1] for n in disturbing or rules)
        return disturbed, reference or disturbed, any(results[n][2] for n in disturbing)

    def _reason(self, cell: int, memory: Countdowns, bodies: list[Body]) -> str:
        rules = self.in_force(cell)
        words = [self.result(n, cell)[0] for n in rules]
        exposed = self._exposed(rules, cell)
        settling, unknown = memory.step(*exposed)
        if bodies:
            steps = [body.step(cell, *self.settings(cell), exposed[2]) for body in bodies]
            settling = any(out for out, _, _ in steps)
            doubtful = any(may for _, may, _ in steps)
            lost = any(may and lately for _, may, lately in steps)
            # The settling time speaks for a body of which nothing better is known; without one nothing does.
            unknown = (doubtful and unknown) or lost if self.settings(cell)[0] else doubtful
        marked = any(a // STEP_S <= cell and cell * STEP_S < b for a, b in self.room["marks"])
        if OUT in words:
            return OUT
        if marked:
            return "marked"
        if settling:
            return "settling"
        if SHORT in words or unknown or not words:
            return SHORT
        return GUARD if GUARD in words else "conforming"
