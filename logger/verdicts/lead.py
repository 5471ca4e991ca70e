"""The bodies' state at a day from the readings of the days before it alone: nothing stored is believed.

A state hangs on all of the record before it, but forgets: countdowns pass with evidence, the air of a day is
remembered for a week, a body follows its air by its time constant. So the days before are judged from the two
extremes of all states that there can be. Each step from state to state is monotone; where both extremes
have come to one state, every state between them has, and so has the one of the whole record.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from ..core.evidence.grid import Grid
from ..core.judge.body_temperature import AirMemory, BodyTrack, TrackState
from ..core.judge.days import DAY_NS
from ..core.judge.judgement import DAY_S
from ..core.judge.settings import conclude_over, evaluate_rules_over
from ..core.judge.settling import BodyState
from ..model import Setup, Zone

if TYPE_CHECKING:
    from .ledger import Ledger

# How many days before are tried: after a week the air of older days is forgotten.
LEADS = (12, 40)
# Colder and hotter than any body can be, or can be thought to be: micro-degC.
COLDEST, HOTTEST = -300_000_000, 2_000_000_000


def state_from_readings(ledger: Ledger, zone: str, day: int, first: int, until_ns: int) -> BodyState | None:
    """The state at the start of `day` (number since 1970) by the readings before it.

    None where the days from `first` on, or the longest lead, do not determine it: then all before counts.
    """
    for lead in LEADS:
        if day - lead <= first:
            return None
        state = _Lead(ledger, zone, until_ns).state(day - lead, day)
        if state is not None:
            return state
    return None


@dataclass(frozen=True)
class _Lead:
    """Days of a zone that are judged for the state at their end only."""

    ledger: Ledger
    zone: str
    until_ns: int

    @property
    def _setup(self) -> Setup:
        return self.ledger.setup

    def state(self, begin: int, day: int) -> BodyState | None:
        """The state before `day`, whatever it was before `begin`; None where that makes a difference."""
        longest_s = max(
            s.zone(self.zone).settling_s for s in self._setup.by_settings() if self.zone in s.zones
        )
        turn = begin + -(-longest_s // DAY_S) + 1  # by then silences before `begin` are forgotten
        if turn >= day:
            return None
        calm, troubled = self._after((begin, turn), _countdowns(self._zone_at(begin)))
        if _without_tracks(calm) != _without_tracks(troubled) or not self._air_seen(troubled, turn):
            return None
        cold, hot = self._after((turn, day), _temperatures(self._zone_at(turn), calm, turn))
        return cold if cold == hot else None

    def _air_seen(self, troubled: BodyState, turn: int) -> bool:
        """Whether every body, of which nothing was known, has a temperature by now."""
        tracks, bodies = troubled.tracks, range(len(self._zone_at(turn).bodies))
        return all(tracks.track(n) is not None and tracks.air(n).last is not None for n in bodies)

    def _zone_at(self, day: int) -> Zone:
        return self._setup.at(day * DAY_NS).zone(self.zone)

    def _after(self, days: tuple[int, int], states: Sequence[BodyState]) -> list[BodyState]:
        """The state after the days [first, last) from each of several states before them."""
        ledger, zone, setup, now_ns = self.ledger, self.zone, self._setup, self.until_ns
        grid: Grid = ledger.grid(days[0] * DAY_NS, days[1] * DAY_NS)
        window = ledger.window(zone, grid, now_ns)
        readings = ledger.store.readings.read_channels(setup.channels_in(zone), *window)
        parts, marks = evaluate_rules_over(zone, setup, readings, grid, now_ns), ledger.marks()
        return [
            conclude_over(zone, setup, parts, grid, state, now_ns=now_ns, marks=marks).memory.states[grid.n]
            for state in states
        ]


def _countdowns(zone: Zone) -> tuple[BodyState, BodyState]:
    """Nothing to wait for, and a whole settling time of everything to wait for."""
    settling_s = zone.settling_s
    silences = ((settling_s, 0),) if settling_s else ()
    lost = AirMemory(silences=silences, lost=True, unknown_s=settling_s)
    troubled = TrackState((), (lost,) * len(zone.bodies))
    # A track that was never lost has a temperature; which one is the question of the days after these.
    track = BodyTrack(0, 0, 0)
    calm = TrackState((track,) * len(zone.bodies), (AirMemory(last=0),) * len(zone.bodies))
    return BodyState(0, 0, (), "", calm), BodyState(settling_s, settling_s, silences, "", troubled)


def _without_tracks(state: BodyState) -> BodyState:
    airs = tuple(replace(air, days=()) for air in state.tracks.airs)
    return replace(state, rule="", tracks=TrackState((), airs))


def _temperatures(zone: Zone, state: BodyState, day: int) -> tuple[BodyState, BodyState]:
    """A state with the coldest and with the hottest bodies and air of the days before."""
    cold, hot = (
        replace(
            state,
            tracks=TrackState(
                tuple(BodyTrack(at, at, at) for _ in zone.bodies),
                tuple(
                    replace(state.tracks.air(n), days=((day - 1, at, at),)) for n in range(len(zone.bodies))
                ),
            ),
        )
        for at in (COLDEST, HOTTEST)
    )
    return cold, hot
