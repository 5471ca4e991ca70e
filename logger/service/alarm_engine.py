"""From the rules of new cells to alarms, their journal entries and notices: one transaction a turn."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from sqlalchemy import Connection

from ..acts import alarms as attending
from ..core.alarms.condition import Cell, cell_of, evidence_cell
from ..core.alarms.grouping import (
    FLOOD_NS,
    AlarmGroup,
    cause_of,
    due_groups,
    is_due,
    is_flood,
    is_over,
    join_causes,
    sharing_scope,
)
from ..core.alarms.lifecycle import ACTIVE, Alarm, AlarmNotice, Step, step
from ..core.alarms.recipients import default_routes, inactive_because
from ..core.alarms.reminders import due_reminders, suppress_by_design
from ..core.alarms.suspect_probes import caused_by_suspects_only
from ..core.alarms.system import SystemFacts, suspect_cell, system_cell
from ..errors import SeparateErrors
from ..instants import NS, rfc3339
from ..model import AlarmSpec, Config, Conformity, RuleState
from ..notify.text import zone_of
from ..store import Store
from .annunciation import NoticeWriter, annunciation

# A service that was away looks back so far; what is older is in the periods and excursions.
CATCH_UP_NS = 3600 * NS
FLOOD = "system.flood"
SUSPECT = "suspect"


class VerdictSource(Protocol):
    """What this needs of `logger.verdicts.verdicts.Verdicts`."""

    def rule_states(self, zone: str, at_ns: int, now_ns: int) -> Sequence[RuleState]:
        """The rules of a zone in the cell that holds `at_ns`."""

    def doubts(self, zone: str, at_ns: int, now_ns: int) -> Mapping[str, str]:
        """Channels that report in that cell and cannot be believed, and why."""


@dataclass
class _Turn:
    """What one turn works on: specs by key, alarms as they are so far, notices to send, and why."""

    now_ns: int
    specs: Mapping[str, AlarmSpec]
    cells: Mapping[str, Sequence[Cell]]
    before: dict[str, Alarm]
    after: dict[str, Alarm]
    notices: list[AlarmNotice] = field(default_factory=list)
    reasons: dict[str, list[str]] = field(default_factory=dict)

    def take(self, key: str, step_: Step) -> None:
        """The alarm after a step."""
        self.after[key] = step_.alarm
        self.notices += step_.notices
        self.reasons.setdefault(key, []).extend(step_.reasons)


@dataclass(frozen=True)
class AlarmEngine:
    """The alarms of one setup, evaluated cell by cell as cells become complete.

    `since_ns`: when polling began. A source is not silent for the time before anybody asked it.
    `facts`: what the service knows of itself.
    """

    store: Store
    config: Config
    verdicts: VerdictSource
    since_ns: int | None = None
    facts: Callable[[int], SystemFacts] = lambda _: SystemFacts()

    def turn(self, now_ns: int) -> list[AlarmNotice]:
        """Evaluates all cells that are complete and new; gives the notices, queued already.

        A zone whose verdicts fail holds up its own alarms only: the error is raised after the others' turn.
        """
        alarms = {alarm.key: alarm for alarm in attending.alarm_list(self.store)}
        specs = self._specs()
        errors = SeparateErrors()
        current = {s.key: alarms.get(s.key, Alarm(s.key)) for s in specs}
        cells = self._cells(specs, current, now_ns, errors)
        notices = self._turn(specs, alarms, cells, now_ns)
        errors.raise_first()
        return notices

    def _turn(
        self,
        specs: Sequence[AlarmSpec],
        alarms: Mapping[str, Alarm],
        cells: Mapping[str, Sequence[Cell]],
        now_ns: int,
    ) -> list[AlarmNotice]:
        waits_s = self._waits_s(specs, alarms.get(FLOOD, Alarm(FLOOD)))
        due = (_is_due(alarm, waits_s, now_ns) for alarm in alarms.values())
        if not any(cells.values()) and not any(due):
            return []
        with self.store.begin() as conn:
            # Read again: a person may have acknowledged since.
            current = {alarm.key: alarm for alarm in attending.alarms_in(conn)}
            before = {s.key: current.get(s.key, Alarm(s.key)) for s in specs}
            turn = _Turn(now_ns, {s.key: s for s in specs}, cells, before, dict(before))
            return self._apply_turn(conn, turn)

    def _specs(self) -> list[AlarmSpec]:
        """What is watched comes before what rests on it."""
        return sorted(
            attending.alarm_specs(self.config.setup, default_routes(self.config)), key=lambda s: bool(s.rule)
        )

    def _waits_s(self, specs: Iterable[AlarmSpec], flood: Alarm) -> dict[str, int]:
        """How long each alarm waits for others of its cause; in a flood what is not high waits longer."""
        gather_s = self.config.notices.gather_s
        held_s = max(gather_s, FLOOD_NS // NS) if flood.condition in ACTIVE else gather_s
        return {s.key: gather_s if s.priority == "high" else held_s for s in specs}

    def _apply_turn(self, conn: Connection, turn: _Turn) -> list[AlarmNotice]:
        for key, spec in turn.specs.items():
            turn.take(key, suppress_by_design(turn.after[key], self._suppressor(spec, turn), turn.now_ns))
            turn.take(key, step(spec, turn.after[key], turn.cells[key], (), turn.now_ns))
        self._gather(turn)
        self._raise_flood(turn)
        again = due_reminders(turn.after.values(), turn.specs, turn.now_ns)
        for outcome in (outcome for group in again for outcome in group):
            turn.take(outcome.alarm.key, replace(outcome, notices=()))
        notices = self._queue_notices(conn, turn, again)
        for key in turn.specs:
            self._store_alarm(conn, turn, key)
        return notices

    def _suppressor(self, spec: AlarmSpec, turn: _Turn) -> str:
        """By what an alarm is suppressed by design now: its calendar, or a source that is silent."""
        zone = zone_of(spec, self.config.setup)
        off = inactive_because(spec, zone, self.config.setup, turn.now_ns)
        if off or not spec.rule:
            return off
        if turn.after[spec.key].condition in ACTIVE:
            return ""  # one that stands keeps standing and escalating
        source = turn.after.get(f"{zone}.evidence")
        if source is None or source.condition not in ACTIVE or source.newest is None:
            return ""
        cells = turn.cells[spec.key]
        if not cells:
            return turn.after[spec.key].suppressed_by
        silent = self._silent_of(spec, source.newest)
        unknown = all(cell.conformity is Conformity.INDETERMINATE for cell in cells)
        return f"{source.key} ({', '.join(silent)})" if unknown and silent else ""

    def _silent_of(self, spec: AlarmSpec, cell: Cell) -> list[str]:
        setup = self.config.setup
        rule = next(r for r in setup.rules if r.key == spec.rule)
        needed = {setup.channels[c].probe for c in setup.channels_of(rule) if c in setup.channels}
        silent = {setup.channels[c].probe for c in cell.probes if c in setup.channels}
        return sorted(needed & silent)

    def _gather(self, turn: _Turn) -> None:
        """New occurrences find their cause."""
        new = [n for n in turn.notices if n.step == "annunciated" and _is_newest(n, turn)]
        for key, alarm in join_causes(new, turn.after, turn.specs, self._scopes(turn)).items():
            turn.after[key] = alarm
            if alarm.cause != key:
                turn.reasons[key].append(f"{key}: same cause as {alarm.cause}.")

    def _scopes(self, turn: _Turn) -> dict[str, str]:
        common, setup = self.config.notices.common_causes, self.config.setup
        return {key: sharing_scope(spec, zone_of(spec, setup), common) for key, spec in turn.specs.items()}

    def _raise_flood(self, turn: _Turn) -> None:
        """A flood is an alarm of its own, raised in the turn in which it begins."""
        spec, flood = turn.specs[FLOOD], turn.after[FLOOD]
        begun = [a.annunciated_ns for a in turn.after.values() if a.annunciated_ns and a.key != FLOOD]
        if is_flood(begun, turn.now_ns, in_flood=False) and flood.condition not in ACTIVE:
            recent = sum(turn.now_ns - FLOOD_NS <= at <= turn.now_ns for at in begun)
            to_ns = turn.now_ns // NS * NS
            cell = system_cell(spec, SystemFacts(flooded=recent), max(flood.cell_ns + 1, to_ns - NS), to_ns)
            outcome = step(spec, flood, [cell], (), turn.now_ns)
            turn.take(FLOOD, outcome)
            turn.after |= join_causes(outcome.notices, turn.after, turn.specs, self._scopes(turn))

    def _queue_notices(
        self, conn: Connection, turn: _Turn, again: Sequence[Sequence[Step]]
    ) -> list[AlarmNotice]:
        """Queues what is due now: gathered causes, returns and reminders."""
        writer = NoticeWriter(self.store, self.config, conn, turn.specs, turn.now_ns)
        overtaken = _missed_occurrences(turn)
        for notice in overtaken:
            writer.put(notice, turn.after[notice.alarm])
        waits_s = self._waits_s(turn.specs.values(), turn.after[FLOOD])
        _drop_what_is_over(turn, waits_s)
        notices = [
            self._announce(writer, turn, group)
            for group in due_groups(turn.after.values(), waits_s, turn.now_ns)
        ]
        for notice, over in _returns(turn):
            writer.put(notice, over[0], over[1:])
            notices.append(notice)
        for group in again:
            notices.append(self._queue_reminder(writer, turn, group))
        return [*overtaken, *notices]

    def _announce(self, writer: NoticeWriter, turn: _Turn, group: AlarmGroup) -> AlarmNotice:
        notice = annunciation(group.new[0])
        goes_ns = writer.put(notice, group.new[0], group.new[1:], group.standing)
        for alarm in group.new:
            turn.after[alarm.key] = replace(alarm, waits=False, told_ns=goes_ns)
        return notice

    def _queue_reminder(self, writer: NoticeWriter, turn: _Turn, group: Sequence[Step]) -> AlarmNotice:
        alarms, notice = [outcome.alarm for outcome in group], group[0].notices[0]
        goes_ns = writer.put(notice, alarms[0], alarms[1:])
        for alarm in alarms:
            turn.after[alarm.key] = replace(turn.after[alarm.key], told_ns=goes_ns)
        return notice

    def _store_alarm(self, conn: Connection, turn: _Turn, key: str) -> None:
        before, after = turn.before[key], turn.after[key]
        if after != before:
            attending.put_alarm(conn, after, turn.now_ns)
        reminded = after.repeats != before.repeats or after.escalated_ns != before.escalated_ns
        if reminded or (after.state, after.occurrence) != (before.state, before.occurrence):
            what = {**attending.change(before, after), **_worst(after)}
            self.store.journal.append("alarm", "service", what, " ".join(turn.reasons[key]), conn)

    def _cells(
        self,
        specs: Sequence[AlarmSpec],
        alarms: Mapping[str, Alarm],
        now_ns: int,
        errors: SeparateErrors,
    ) -> dict[str, list[Cell]]:
        """New cells of each alarm; none where the verdicts of its zone failed, which `errors` takes by zone.

        Rule states are read once for each zone and cell.
        """
        step_ns = self.config.setup.step_s * NS
        end_ns = now_ns // step_ns * step_ns
        rule_cells: dict[tuple[str, int], dict[str, Cell]] = {}
        cells: dict[str, list[Cell]] = {key: [] for key in alarms}
        facts: SystemFacts | None = None
        for spec in specs:
            zone = zone_of(spec, self.config.setup)
            new = range(_first_cell(alarms[spec.key], end_ns, step_ns), end_ns, step_ns)
            if not spec.rule and spec.watches != SUSPECT:
                # What the facts were in an older cell is not known any more.
                for cell_ns in new[-1:]:
                    facts = facts or self._facts(alarms, now_ns)
                    cells[spec.key] = [self._view(spec, facts, cell_ns, end_ns)]
                continue
            if zone not in errors.by_name:
                with errors.of(zone):
                    cells[spec.key] = self._judged_cells(spec, zone, new, now_ns, rule_cells)
        return cells

    def _judged_cells(
        self,
        spec: AlarmSpec,
        zone: str,
        new: range,
        now_ns: int,
        rule_cells: dict[tuple[str, int], dict[str, Cell]],
    ) -> list[Cell]:
        """The cells of an alarm that rests on verdicts; `rule_cells` collects what was read."""
        if spec.watches == SUSPECT:
            return [
                suspect_cell(at_ns, new.stop, self.verdicts.doubts(zone, at_ns, now_ns)) for at_ns in new[-1:]
            ]
        cells: list[Cell] = []
        for cell_ns in new:
            if (zone, cell_ns) not in rule_cells:
                rule_cells[zone, cell_ns] = self._rules(zone, cell_ns, now_ns)
            cells += _cell(rule_cells[zone, cell_ns], spec.rule, cell_ns, new.step)
        return cells

    def _rules(self, zone: str, cell_ns: int, now_ns: int) -> dict[str, Cell]:
        """Each rule's cell; what only doubted probes say is no evidence against the room."""
        states = [s for s in self.verdicts.rule_states(zone, cell_ns, now_ns) if s.cell_ns == cell_ns]
        doubted = self.verdicts.doubts(zone, cell_ns, now_ns) if states else {}
        return {state.rule: self._credible_cell(state, doubted) for state in states}

    def _credible_cell(self, state: RuleState, doubted: Mapping[str, str]) -> Cell:
        cell = cell_of(state, self.config.setup.step_s * NS)
        out = state.conformity is Conformity.NONCONFORMING
        if out and doubted and caused_by_suspects_only(state, doubted, self.config.setup):
            return replace(cell, conformity=Conformity.INDETERMINATE)
        return cell

    def _facts(self, alarms: Mapping[str, Alarm], now_ns: int) -> SystemFacts:
        begun = [a.annunciated_ns for a in alarms.values() if a.annunciated_ns and a.key != FLOOD]
        recent = [at for at in begun if now_ns - FLOOD_NS <= at <= now_ns]
        stands = is_flood(begun, now_ns, in_flood=alarms[FLOOD].condition in ACTIVE)
        return replace(self.facts(now_ns), flooded=len(recent) if stands else 0)

    def _view(self, spec: AlarmSpec, facts: SystemFacts, cell_ns: int, end_ns: int) -> Cell:
        if spec.watches == "silent":
            return self._evidence(spec.zone, cell_ns, end_ns)
        return system_cell(spec, facts, cell_ns, end_ns)

    def _evidence(self, zone: str, cell_ns: int, end_ns: int) -> Cell:
        setup = self.config.setup
        newest = self.store.readings.newest_taken(ok=True)
        polled = {channel for line in self.config.lines for channel in line.channels.values()}
        here = [c for c in setup.channels_in(zone) if c in polled and setup.in_zone(c, zone, end_ns)]
        return evidence_cell(
            cell_ns,
            end_ns,
            {c: self._last_reading_ns(newest.get(c)) for c in here},
            {c: int(setup.channels[c].max_age_s * NS) for c in here},
        )

    def _last_reading_ns(self, newest_ns: int | None) -> int | None:
        return max((ns for ns in (self.since_ns, newest_ns) if ns is not None), default=None)


def _is_due(alarm: Alarm, waits_s: Mapping[str, int], now_ns: int) -> bool:
    """Whether an alarm has something to do though no cell is new."""
    shelf = alarm.shelved_until_ns
    return (shelf is not None and shelf <= now_ns) or is_due(alarm, waits_s.get(alarm.key, 0), now_ns)


def _is_newest(notice: AlarmNotice, turn: _Turn) -> bool:
    return notice.occurrence == turn.after[notice.alarm].occurrence


def _drop_what_is_over(turn: _Turn, waits_s: Mapping[str, int]) -> None:
    """What a flood held back and what is over by now is not announced: nobody has to act on it.

    High priorities are never held back, so that none of them is dropped.
    """
    for notice in [n for n in turn.notices if n.step == "returned" and turn.after[n.alarm].waits]:
        alarm = turn.after[notice.alarm]
        if waits_s[alarm.key] > waits_s[FLOOD]:
            turn.after[alarm.key] = replace(alarm, waits=False, told=False)
            turn.notices.remove(notice)
            turn.reasons[alarm.key].append(f"{alarm.key}: cleared before it was announced.")


def _returns(turn: _Turn) -> list[tuple[AlarmNotice, list[Alarm]]]:
    """For each cause that is over one return, which names all of it: the last one, its leader's first."""
    groups: list[tuple[AlarmNotice, list[Alarm]]] = []
    over: set[object] = set()
    returns = [n for n in turn.notices if n.step == "returned" and _is_newest(n, turn)]
    for notice in sorted(returns, key=lambda n: turn.after[n.alarm].cause != n.alarm):
        alarm = turn.after[notice.alarm]
        cause = cause_of(alarm) or alarm.key
        if cause in over or not is_over(alarm, turn.after.values()):
            turn.reasons[alarm.key].append(f"{alarm.key}: cleared with {alarm.cause}, one notice for both.")
            continue
        over.add(cause)
        groups.append((notice, [alarm, *_over_with(alarm, turn)]))
    return groups


def _over_with(alarm: Alarm, turn: _Turn) -> list[Alarm]:
    """The others of its cause that are over, too."""
    return [
        a
        for a in turn.after.values()
        if a.key != alarm.key
        and alarm.cause
        and cause_of(a) == cause_of(alarm)
        and a.returned_ns is not None
        and a.condition not in ACTIVE
        and a.told
    ]


def _missed_occurrences(turn: _Turn) -> list[AlarmNotice]:
    """Occurrences that were followed by another one before their notice was sent: none is lost."""
    waited = [
        annunciation(a)
        for a in turn.before.values()
        if a.waits and a.occurrence != turn.after[a.key].occurrence
    ]
    older = [n for n in turn.notices if n.occurrence != turn.after[n.alarm].occurrence]
    return [*waited, *(n for n in older if n.step == "annunciated")]


def _first_cell(alarm: Alarm, end_ns: int, step_ns: int) -> int:
    """The first cell to evaluate; a clock that went back begins again at the newest."""
    if alarm.cell_ns < 0 or alarm.cell_ns >= end_ns:
        return end_ns - step_ns
    return max(alarm.cell_ns // step_ns * step_ns + step_ns, (end_ns - CATCH_UP_NS) // step_ns * step_ns)


def _cell(cells: Mapping[str, Cell], rule: str, cell_ns: int, step_ns: int) -> list[Cell]:
    """The cell of one rule. A zone that was judged without it had no such requirement then."""
    if rule in cells:
        return [cells[rule]]
    return [Cell(cell_ns, cell_ns + step_ns, Conformity.NOT_APPLICABLE)] if cells else []


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
