"""Stored verdicts: what was judged for one zone and one UTC day, as JSON text, and back."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Protocol

from ...instants import NS
from ...model import Period
from .judgement import DAY_S, Judgement
from .periods import ExcursionRun, excursion_runs, join_runs, periods
from .settling import BodyState

DAY_NS = DAY_S * NS
# What reading a stored day raises where its text was damaged.
UNREADABLE = (ValueError, TypeError, KeyError, AttributeError, IndexError)


@dataclass(frozen=True)
class DayVerdicts:
    """Periods and excursion runs of a day, and the bodies' state at its start and end."""

    periods: tuple[Period, ...]
    runs: tuple[ExcursionRun, ...]
    state_in: BodyState
    state_out: BodyState

    def to_text(self) -> str:
        """JSON text for the store."""
        return json.dumps(self, default=vars, separators=(",", ":"), ensure_ascii=False)

    @staticmethod
    @lru_cache(maxsize=8192)
    def of_text(text: str) -> DayVerdicts:
        """From what was stored; days that a chart of years asks for again and again are read once.

        Raises one of `UNREADABLE` where the text is not what `to_text` gave.
        """
        body: Mapping[str, Any] = json.loads(text)
        return DayVerdicts(
            tuple(Period(**p) for p in body["periods"]),
            tuple(ExcursionRun(**{**r, "probes": tuple(r["probes"])}) for r in body["runs"]),
            BodyState.from_dict(body["state_in"]),
            BodyState.from_dict(body["state_out"]),
        )


class VerdictCache(Protocol):
    """Where days are stored, each as (digest of its input, body), with the newest statement of each zone."""

    def put_days(self, zone: str, days: Mapping[int, tuple[str, str]], statement: str | None = None) -> None:
        """Store several days of a zone, and the newest statement about it."""

    def day(self, zone: str, day: int) -> tuple[str, str] | None:
        """What is stored of a day; None: nothing."""

    def days(self, zone: str, day0: int, day1: int) -> dict[int, tuple[str, str]]:
        """What is stored of the days in [day0, day1), in order."""

    def drop_days(self, zone: str, days: Sequence[int]) -> None:
        """Drop what is stored of these days of a zone."""

    def put_live(self, zone: str, body: str) -> None:
        """Store the newest statement about a zone."""

    def live(self) -> dict[str, str]:
        """The newest statement about each zone."""


class ScratchCache:
    """What a setup that was never in force would say: stored for this process, never in the record."""

    def __init__(self) -> None:
        self._pieces: dict[str, dict[int, tuple[str, str]]] = {}
        self._live: dict[str, str] = {}

    def put_days(self, zone: str, days: Mapping[int, tuple[str, str]], statement: str | None = None) -> None:
        """Store several days of a zone, and the newest statement about it."""
        self._pieces.setdefault(zone, {}).update(days)
        if statement is not None:
            self.put_live(zone, statement)

    def day(self, zone: str, day: int) -> tuple[str, str] | None:
        """What is stored of a day; None: nothing."""
        return self._pieces.get(zone, {}).get(day)

    def days(self, zone: str, day0: int, day1: int) -> dict[int, tuple[str, str]]:
        """What is stored of the days in [day0, day1), in order."""
        return {day: body for day, body in sorted(self._pieces.get(zone, {}).items()) if day0 <= day < day1}

    def drop_days(self, zone: str, days: Sequence[int]) -> None:
        """Drop what is stored of these days of a zone."""
        for day in days:
            self._pieces.get(zone, {}).pop(day, None)

    def put_live(self, zone: str, body: str) -> None:
        """Store the newest statement about a zone."""
        self._live[zone] = body

    def live(self) -> dict[str, str]:
        """The newest statement about each zone."""
        return dict(self._live)


def split_into_days(judgement: Judgement, state_in: BodyState) -> dict[int, DayVerdicts]:
    """Day number (since 1970) -> piece, for every day that the judgement touches."""
    grid, per_day = judgement.grid, DAY_S // judgement.grid.step_s
    days: dict[int, DayVerdicts] = {}
    begin = 0
    while begin < grid.n:
        day = (grid.first + begin) // per_day
        end = min(grid.n, (day + 1) * per_day - grid.first)
        part = slice(begin, end)
        state_out = judgement.memory.states[end]
        runs = join_runs([run for f in judgement.findings for run in excursion_runs(f, part)])
        days[day] = DayVerdicts(tuple(periods(judgement, part)), tuple(runs), state_in, state_out)
        state_in, begin = state_out, end
    return days
