"""Stored verdicts: what was judged for one zone and one UTC day, as JSON text, and back."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from .bodies import BodyState
from .judge import DAY_S, Judgement
from .model import NS, Period
from .periods import Run, excursion_runs, joined_runs, periods

DAY_NS = DAY_S * NS


@dataclass(frozen=True)
class Piece:
    """Periods and excursion runs of a day, and the bodies' state at its start and end."""

    periods: tuple[Period, ...]
    runs: tuple[Run, ...]
    state_in: BodyState
    state_out: BodyState

    def to_text(self) -> str:
        """As it is stored."""
        return json.dumps(self, default=vars, separators=(",", ":"), ensure_ascii=False)

    @staticmethod
    @lru_cache(maxsize=8192)
    def of_text(text: str) -> Piece:
        """From what was stored; days that a chart of years asks for again and again are read once."""
        body: Mapping[str, Any] = json.loads(text)
        return Piece(
            tuple(Period(**p) for p in body["periods"]),
            tuple(Run(**{**r, "probes": tuple(r["probes"])}) for r in body["runs"]),
            BodyState.of_json(body["state_in"]),
            BodyState.of_json(body["state_out"]),
        )


def pieces(judgement: Judgement, state_in: BodyState) -> dict[int, Piece]:
    """Day number (since 1970) -> piece, for every day that the judgement touches."""
    grid, per_day = judgement.grid, DAY_S // judgement.grid.step_s
    found: dict[int, Piece] = {}
    begin = 0
    while begin < grid.n:
        day = (grid.first + begin) // per_day
        end = min(grid.n, (day + 1) * per_day - grid.first)
        part = slice(begin, end)
        state_out = judgement.memory.states[end]
        runs = joined_runs([run for f in judgement.findings for run in excursion_runs(f, part)])
        found[day] = Piece(tuple(periods(judgement, part)), tuple(runs), state_in, state_out)
        state_in, begin = state_out, end
    return found
