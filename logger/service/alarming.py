"""From the rules of new cells to alarms, their journal entries and notices: one transaction a turn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from sqlalchemy import Connection

from .. import actions
from ..alarms import Alarm, Cell, Notice, Step, cell_of, evidence_cell, step
from ..instants import rfc3339
from ..model import NS, AlarmSpec, Config, Conformity, Row, RuleState, Setup
from ..notify.text import wording
from ..store import Store

# A service that was away looks back so far; what is older is in the periods and excursions.
CATCH_UP_NS = 3600 * NS


class Judged(Protocol):
    """What this needs of `logger.verdicts.Verdicts`."""

    def rule_states(self, zone: str, at_ns: int, now_ns: int) -> Sequence[RuleState]:
        """The rules of a zone in the cell that holds `at_ns`."""


@dataclass(frozen=True)
class Alarming:
    """The alarms of one setup, evaluated cell by cell as cells become complete.

    `since_ns`: when polling began. A source is not silent for the time before anybody asked it.
    """

    store: Store
    config: Config
    judged: Judged
    since_ns: int | None = None

    def turn(self, now_ns: int) -> list[Notice]:
        """Evaluates all cells that are complete and new; gives the notices, queued already."""
        known = {alarm.key: alarm for alarm in actions.alarm_list(self.store)}
        specs = actions.alarm_specs(self.config.setup, [route.key for route in self.config.mail])
        cells = self._cells(specs, {s.key: known.get(s.key, Alarm(s.key)) for s in specs}, now_ns)
        notices: list[Notice] = []
        if not any(cells.values()) and not any(_leaves_shelf(alarm, now_ns) for alarm in known.values()):
            return notices
        with self.store.begin() as conn:
            for spec in specs:
                # Read again: a person may have acknowledged since.
                before = actions.alarm_of(conn, spec.key)
                done = step(spec, before, cells.get(spec.key, ()), (), now_ns)
                self._kept(conn, spec, before, done, now_ns)
                notices += done.notices
        return notices

    def _cells(
        self, specs: Sequence[AlarmSpec], known: Mapping[str, Alarm], now_ns: int
    ) -> dict[str, list[Cell]]:
        """New cells of each alarm. What the rules were is asked once for each zone and cell."""
        step_ns = self.config.setup.step_s * NS
        end_ns = now_ns // step_ns * step_ns
        asked: dict[tuple[str, int], dict[str, RuleState]] = {}
        cells: dict[str, list[Cell]] = {key: [] for key in known}
        for spec in specs:
            zone = zone_of(spec, self.config.setup)
            new = range(_first_cell(known[spec.key], end_ns, step_ns), end_ns, step_ns)
            if not spec.rule:
                # Which sources were silent in an older cell is not known any more.
                cells[spec.key] = [self._evidence(zone, cell_ns, end_ns) for cell_ns in new[-1:]]
                continue
            for cell_ns in new:
                if (zone, cell_ns) not in asked:
                    asked[zone, cell_ns] = self._rules(zone, cell_ns, now_ns)
                cells[spec.key] += _cell(asked[zone, cell_ns], spec.rule, cell_ns, step_ns)
        return cells

    def _rules(self, zone: str, cell_ns: int, now_ns: int) -> dict[str, RuleState]:
        found = self.judged.rule_states(zone, cell_ns, now_ns)
        return {state.rule: state for state in found if state.cell_ns == cell_ns}

    def _evidence(self, zone: str, cell_ns: int, end_ns: int) -> Cell:
        setup = self.config.setup
        newest = self.store.newest_ok()
        polled = {channel for line in self.config.lines for channel in line.channels.values()}
        here = [c for c in setup.channels_in(zone) if c in polled and _stands_in(setup, c, zone, end_ns)]
        return evidence_cell(
            cell_ns,
            end_ns,
            {c: self._heard(newest.get(c)) for c in here},
            {c: int(setup.channels[c].max_age_s * NS) for c in here},
        )

    def _heard(self, newest: Row | None) -> int | None:
        known = [ns for ns in (self.since_ns, None if newest is None else newest.taken_ns) if ns is not None]
        return max(known, default=None)

    def _kept(self, conn: Connection, spec: AlarmSpec, before: Alarm, done: Step, now_ns: int) -> None:
        after = done.alarm
        if after != before:
            actions.put_alarm(conn, after, now_ns)
        if (after.state, after.occurrence) != (before.state, before.occurrence):
            what = {**actions.change(before, after), **_worst(after)}
            self.store.journal.append("alarm", "service", what, " ".join(done.reasons), conn)
        for notice in done.notices:
            self._queue(conn, spec, notice, now_ns)

    def _queue(self, conn: Connection, spec: AlarmSpec, notice: Notice, now_ns: int) -> None:
        zone = zone_of(spec, self.config.setup)
        running = [job for job in actions.inspections(self.store, zone) if job.to_ns is None]
        words = wording(
            notice, spec, zone, self.config.setup, running=running, simulated=self.store.simulated
        )
        routes = [route for route in self.config.mail if route.key in spec.routes]
        actions.outbox(self.store).queue(conn, notice, words, routes, now_ns)


def zone_of(spec: AlarmSpec, setup: Setup) -> str:
    """The zone that an alarm is about."""
    if not spec.rule:
        return spec.key.removesuffix(".evidence")
    return next(rule.zone for rule in setup.rules if rule.key == spec.rule)


def _first_cell(alarm: Alarm, end_ns: int, step_ns: int) -> int:
    """The first cell to evaluate; a clock that went back begins again at the newest."""
    if alarm.cell_ns < 0 or alarm.cell_ns >= end_ns:
        return end_ns - step_ns
    return max(alarm.cell_ns + step_ns, (end_ns - CATCH_UP_NS) // step_ns * step_ns)


def _cell(states: Mapping[str, RuleState], rule: str, cell_ns: int, step_ns: int) -> list[Cell]:
    """The cell of one rule. A zone that was judged without it had no such requirement then."""
    if rule in states:
        return [cell_of(states[rule], step_ns)]
    return [Cell(cell_ns, cell_ns + step_ns, Conformity.NOT_APPLICABLE)] if states else []


def _leaves_shelf(alarm: Alarm, now_ns: int) -> bool:
    return alarm.shelved_until_ns is not None and alarm.shelved_until_ns <= now_ns


def _stands_in(setup: Setup, channel: str, zone: str, at_ns: int) -> bool:
    return any(
        p.from_ns <= at_ns and (p.to_ns is None or at_ns < p.to_ns)
        for p in setup.placements_of(channel)
        if setup.positions[p.position].zone == zone
    )


def _worst(alarm: Alarm) -> dict[str, Any]:
    if alarm.worst is None or alarm.since_ns is None:
        return {}
    return {
        "since": rfc3339(alarm.since_ns),
        "worst": alarm.worst.value,
        "limit": alarm.worst.limit,
        "unit": alarm.worst.unit,
        "probe": alarm.worst.probe,
    }
