"""The life of an alarm, in the words of IEC 62682 and ANSI/ISA-18.2, as a pure function.

    normal ──out for the on-delay──> unacknowledged ──acknowledge──> acknowledged
      ^                                   │                              │
      └──acknowledge── returned unacknowledged <──inside for the off-delay  └──> normal

A latching alarm goes to a latched state instead and leaves it by a reset. Shelved, suppressed by
design and out of service cover this: the condition beneath is still evaluated, its notices are
withheld, which the reasons state. Pure: time comes with the cells and as an argument.

A cell that is out counts towards the on-delay, a cell that is inside by the deadband counts
towards the off-delay. A cell without evidence counts for neither and clears neither; after a gap
longer than the delay the count begins anew.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields, replace
from enum import StrEnum
from typing import Any, Literal

from ...errors import Refused
from ...instants import NS
from ...model import AlarmSpec, Conformity
from ...units import micro
from .condition import Cell

# Cells judged longer after their end than this are history: they count, but cause no notice.
LIVE_NS = 15 * 60 * NS
AHEAD_NS = 60 * NS  # what lies further ahead of the clock was stamped by one that went back since


class AlarmState(StrEnum):
    """The states of IEC 62682; nothing else can be reached."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


# Instants of an alarm that cannot lie in the future; `cause_ns` names a cause and stays.
_PAST = (
    "out_from_ns", "since_ns", "annunciated_ns", "returned_ns", "told_ns", "repeated_ns", "escalated_ns",
    "acknowledged_ns", "shelved_ns",
)  # fmt: skip
# "remove" is out of service, "return" to service again.
ActKind = Literal["acknowledge", "reset", "shelve", "unshelve", "suppress", "release", "remove", "return"]
ACTIVE = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
# Conditions that wait for a person, and what they become by the acknowledgement.
ACKNOWLEDGED: Mapping[AlarmState, AlarmState] = {
    AlarmState.UNACKNOWLEDGED: AlarmState.ACKNOWLEDGED,
    AlarmState.RETURNED_UNACKNOWLEDGED: AlarmState.NORMAL,
    AlarmState.LATCHED_UNACKNOWLEDGED: AlarmState.LATCHED_ACKNOWLEDGED,
}


@dataclass(frozen=True)
class AlarmAct:
    """An act of a person (or, for suppression, of another alarm) on an alarm."""

    kind: ActKind
    who: str
    at_ns: int
    comment: str = ""
    until_ns: int | None = None  # end of shelving


@dataclass(frozen=True)
class AlarmNotice:
    """A notice of an alarm; one with equal `step` and `occurrence` is a repetition.

    `step`: "annunciated", "returned", "escalated" or "repeated", with a number where it is repeated.
    """

    alarm: str
    occurrence: int
    step: str
    at_ns: int
    since_ns: int
    worst: Cell
    cell: Cell


@dataclass(frozen=True)
class Alarm:
    """One alarm with everything its next step needs; survives JSON unchanged."""

    key: str
    condition: AlarmState = AlarmState.NORMAL  # one of the first six; `state` is what counts
    cell_ns: int = -1  # newest evaluated cell
    seen_ns: int = -1  # end of the newest cell with evidence
    out_from_ns: int | None = None  # the run of cells that are out, from its first one on
    out_ns: int = 0  # its length in cells with evidence
    in_ns: int = 0  # time inside by the deadband, in cells with evidence, while active
    run: Cell | None = None  # worst cell of that run
    occurrence: int = 0  # how often it was annunciated, ever
    since_ns: int | None = None
    annunciated_ns: int | None = None
    returned_ns: int | None = None
    worst: Cell | None = None  # of the occurrence
    newest: Cell | None = None  # the newest that was out, of the occurrence
    cause: str = ""  # the alarm that led the cause when this one joined it; itself, where it leads
    cause_ns: int | None = None  # when that cause began
    waits: bool = False  # for others of its cause, before it is announced
    told_ns: int | None = None  # when its newest notice went out, which quiet hours or a shelf may delay
    repeats: int = 0  # repeated notices of the occurrence
    repeated_ns: int | None = None
    escalated_ns: int | None = None
    told: bool = True  # whether the occurrence was announced
    acknowledged_ns: int | None = None
    acknowledged_by: str = ""
    comment: str = ""
    shelved_ns: int | None = None
    shelved_until_ns: int | None = None
    shelved_by: str = ""
    shelved_why: str = ""
    suppressed_by: str = ""
    removed_by: str = ""

    @property
    def state(self) -> AlarmState:
        """The state that is displayed."""
        if self.removed_by:
            return AlarmState.OUT_OF_SERVICE
        if self.suppressed_by:
            return AlarmState.SUPPRESSED
        if self.shelved_until_ns is not None:
            return AlarmState.SHELVED
        return self.condition

    @property
    def covered(self) -> bool:
        """Whether it is shelved, suppressed or out of service."""
        return self.state is not self.condition

    def to_dict(self) -> dict[str, Any]:
        """Plain values only."""
        return asdict(self)

    @staticmethod
    def from_dict(body: Mapping[str, Any]) -> Alarm:
        """Inverse of `to_dict`; a field that an older version did not write keeps its default."""
        values = {f.name: body[f.name] for f in fields(Alarm) if f.name in body}
        values["condition"] = AlarmState(values.get("condition", AlarmState.NORMAL))
        for name in ("run", "worst", "newest"):
            if values.get(name) is not None:
                values[name] = Cell.from_dict(values[name])
        return Alarm(**values)


@dataclass(frozen=True)
class Step:
    """Result of a step: the next state, notices, and reasons in words."""

    alarm: Alarm
    notices: tuple[AlarmNotice, ...] = ()
    reasons: tuple[str, ...] = ()


def step(spec: AlarmSpec, alarm: Alarm, cells: Iterable[Cell], acts: Iterable[AlarmAct], now_ns: int) -> Step:
    """The alarm after cells and acts, in the order of their instants, as known at `now_ns`.

    Cells that are not newer than the newest evaluated one, or not over yet, are ignored: late
    data cannot raise an alarm of the present, and a step may be split into any number of parts.
    """
    if not spec.action.strip():
        raise Refused(f"Alarm {spec.key!r} has no action text; say in alarms.toml what to do first.")
    parts = [_after_clock_went_back(alarm, now_ns)]
    events: list[Cell | AlarmAct] = [c for c in cells if c.to_ns <= now_ns]
    for event in sorted([*events, *acts], key=_instant):
        parts.append(_unshelve_by_time(parts[-1].alarm, min(_instant(event)[0], now_ns)))
        if isinstance(event, AlarmAct):
            parts.append(apply_act(parts[-1].alarm, event))
        elif event.cell_ns > parts[-1].alarm.cell_ns:
            parts.append(_evaluate_cell(spec, parts[-1].alarm, event, now_ns))
    parts.append(_unshelve_by_time(parts[-1].alarm, now_ns))
    notices = tuple(notice for part in parts for notice in part.notices)
    return Step(parts[-1].alarm, notices, tuple(reason for part in parts for reason in part.reasons))


def apply_act(alarm: Alarm, act: AlarmAct) -> Step:
    """The alarm after one act; an act that its state does not allow gives a reason and no change."""
    if act.kind == "acknowledge":
        return _acknowledge(alarm, act)
    if act.kind == "reset":
        if alarm.condition is AlarmState.LATCHED_ACKNOWLEDGED:
            return Step(
                replace(alarm, condition=AlarmState.NORMAL), (), (f"{alarm.key}: reset by {act.who}.",)
            )
        return Step(alarm, (), (f"{alarm.key}: {alarm.condition}, nothing to reset.",))
    if act.kind in ("unshelve", "release", "return"):
        return _uncover(alarm, act.kind, act.at_ns, f"{act.kind} by {act.who}")
    return _cover(alarm, act)


def _instant(event: Cell | AlarmAct) -> tuple[int, int]:
    # An act at the very end of a cell was done without knowledge of it, hence before it.
    return (event.at_ns, 0) if isinstance(event, AlarmAct) else (event.to_ns, 1)


def _after_clock_went_back(alarm: Alarm, now_ns: int) -> Step:
    """Instants ahead of the clock set to now; a shelf keeps its length.

    Without this, an alarm would be blind, shelved or silent until the clock has caught up.
    """
    # An act of a person may be a moment younger than the turn that comes across it.
    latest_ns = now_ns + AHEAD_NS
    ahead: dict[str, Any] = {
        name: now_ns for name in _PAST if (at := getattr(alarm, name)) is not None and at > latest_ns
    }
    if alarm.cell_ns <= now_ns and not ahead:
        return Step(alarm)
    until = alarm.shelved_until_ns
    if until is not None and "shelved_ns" in ahead:
        ahead["shelved_until_ns"] = now_ns + until - (alarm.shelved_ns or 0)
    anew = replace(alarm, cell_ns=-1, seen_ns=-1, **ahead)
    return Step(anew, (), (f"{alarm.key}: the clock went back; cells are evaluated from now on.",))


def _evaluate_cell(spec: AlarmSpec, alarm: Alarm, cell: Cell, now_ns: int) -> Step:
    alarm = replace(alarm, cell_ns=cell.cell_ns)
    if cell.conformity is Conformity.INDETERMINATE:
        return Step(alarm)
    alarm = replace(_restart_count_after_gap(spec, alarm, cell), seen_ns=cell.to_ns)
    live = now_ns - cell.to_ns <= LIVE_NS
    if cell.conformity is Conformity.NONCONFORMING:
        return _evaluate_outside(spec, alarm, cell, live)
    return _evaluate_inside(spec, alarm, cell, live)


def _restart_count_after_gap(spec: AlarmSpec, alarm: Alarm, cell: Cell) -> Alarm:
    gap_ns = cell.cell_ns - alarm.seen_ns
    if alarm.condition not in ACTIVE and gap_ns > spec.on_delay_s * NS:
        return replace(alarm, out_from_ns=None, out_ns=0, run=None)
    if gap_ns > spec.off_delay_s * NS:
        return replace(alarm, in_ns=0)
    return alarm


def _evaluate_outside(spec: AlarmSpec, alarm: Alarm, cell: Cell, live: bool) -> Step:
    run = _worse(alarm.run, cell)
    alarm = replace(
        alarm,
        out_from_ns=cell.cell_ns if alarm.out_from_ns is None else alarm.out_from_ns,
        out_ns=alarm.out_ns + cell.to_ns - cell.cell_ns,
        in_ns=0,
        run=run,
    )
    if alarm.condition in ACTIVE:
        return Step(replace(alarm, worst=run, newest=cell))
    if alarm.out_ns < spec.on_delay_s * NS:
        return Step(alarm)
    if not live:
        return Step(alarm, (), (f"{alarm.key}: out of limits in late data; no notice sent.",))
    return _annunciate(spec, alarm, cell)


def _evaluate_inside(spec: AlarmSpec, alarm: Alarm, cell: Cell, live: bool) -> Step:
    if alarm.condition not in ACTIVE:
        return Step(replace(alarm, out_from_ns=None, out_ns=0, run=None))
    if not _clear(spec, cell):
        return Step(replace(alarm, in_ns=0))
    alarm = replace(alarm, in_ns=alarm.in_ns + cell.to_ns - cell.cell_ns)
    if alarm.in_ns < spec.off_delay_s * NS or not live:
        return Step(alarm)
    return _return(spec, alarm, cell)


def _clear(spec: AlarmSpec, cell: Cell) -> bool:
    """Whether a cell is inside by the deadband, or without a requirement."""
    if cell.conformity is Conformity.NOT_APPLICABLE or cell.margin is None:
        return True
    return bool(micro(cell.margin) >= micro(spec.deadband))


def _worse(run: Cell | None, cell: Cell) -> Cell:
    if run is None or run.margin is None:
        return cell
    return cell if cell.margin is not None and cell.margin < run.margin else run


def _annunciate(spec: AlarmSpec, alarm: Alarm, cell: Cell) -> Step:
    withheld = alarm.covered
    alarm = replace(
        alarm,
        condition=AlarmState.UNACKNOWLEDGED,
        occurrence=alarm.occurrence + 1,
        since_ns=alarm.out_from_ns,
        annunciated_ns=cell.to_ns,
        returned_ns=None,
        worst=alarm.run,
        newest=cell,
        told=not withheld,
        cause="",
        cause_ns=None,
        waits=False,
        told_ns=None,
        repeats=0,
        repeated_ns=None,
        escalated_ns=None,
        acknowledged_ns=None,
        acknowledged_by="",
        comment="",
    )
    if withheld:
        return Step(alarm, (), (f"{spec.key}: out, its notice is withheld because it is {alarm.state}.",))
    reason = f"{spec.key}: out for {alarm.out_ns // NS} s, on-delay {spec.on_delay_s} s."
    return Step(alarm, (_notice(alarm, "annunciated", cell.to_ns, cell),), (reason,))


def _return(spec: AlarmSpec, alarm: Alarm, cell: Cell) -> Step:
    acknowledged = alarm.condition is AlarmState.ACKNOWLEDGED
    if spec.latching:
        after = AlarmState.LATCHED_ACKNOWLEDGED if acknowledged else AlarmState.LATCHED_UNACKNOWLEDGED
    else:
        after = AlarmState.NORMAL if acknowledged else AlarmState.RETURNED_UNACKNOWLEDGED
    notice = _notice(alarm, "returned", cell.to_ns, cell)
    reason = f"{spec.key}: inside by {spec.deadband:g} for {alarm.in_ns // NS} s."
    notifies = alarm.told and not alarm.covered
    alarm = replace(
        alarm, condition=after, returned_ns=cell.to_ns, out_from_ns=None, out_ns=0, in_ns=0, run=None
    )
    if alarm.covered:  # an occurrence that ended under a cover is not announced any more
        alarm = replace(alarm, waits=False)
    return Step(alarm, (notice,) if notifies else (), (reason,))


def _notice(alarm: Alarm, kind: Literal["annunciated", "returned"], at_ns: int, cell: Cell) -> AlarmNotice:
    since = at_ns if alarm.since_ns is None else alarm.since_ns
    return AlarmNotice(alarm.key, alarm.occurrence, kind, at_ns, since, alarm.worst or cell, cell)


def _acknowledge(alarm: Alarm, act: AlarmAct) -> Step:
    if alarm.condition not in ACKNOWLEDGED:
        return Step(alarm, (), (f"{alarm.key}: {alarm.condition}, nothing to acknowledge.",))
    after = replace(
        alarm,
        condition=ACKNOWLEDGED[alarm.condition],
        acknowledged_ns=act.at_ns,
        acknowledged_by=act.who,
        comment=act.comment,
    )
    return Step(after, (), (f"{alarm.key}: acknowledged by {act.who}.",))


def _cover(alarm: Alarm, act: AlarmAct) -> Step:
    if act.kind == "shelve":
        if act.until_ns is None or act.until_ns <= act.at_ns or not act.comment.strip():
            return Step(alarm, (), (f"{alarm.key}: not shelved: enter a reason and an end.",))
        after = replace(
            alarm, shelved_ns=act.at_ns, shelved_until_ns=act.until_ns, shelved_by=act.who,
            shelved_why=act.comment,
        )  # fmt: skip
    elif act.kind == "suppress":
        after = replace(alarm, suppressed_by=act.who)
    else:
        after = replace(alarm, removed_by=act.who)
    return Step(after, (), (f"{alarm.key}: {after.state} by {act.who}.",))


def _uncover(alarm: Alarm, kind: ActKind, at_ns: int, why: str) -> Step:
    """The alarm without one cover; without any left, with the notice that was withheld and still applies."""
    if kind == "unshelve":
        after = replace(alarm, shelved_ns=None, shelved_until_ns=None, shelved_by="", shelved_why="")
    elif kind == "release":
        after = replace(alarm, suppressed_by="")
    else:
        after = replace(alarm, removed_by="")
    reasons = (f"{alarm.key}: {after.state}, {why}.",)
    worst = after.worst
    if after.state is AlarmState.UNACKNOWLEDGED and not after.told and worst is not None:
        after = replace(after, told=True)
        return Step(after, (_notice(after, "annunciated", at_ns, worst),), reasons)
    return Step(after, (), reasons)


def _unshelve_by_time(alarm: Alarm, at_ns: int) -> Step:
    until = alarm.shelved_until_ns
    if until is None or until > at_ns:
        return Step(alarm)
    return _uncover(alarm, "unshelve", until, "the time on the shelf is over")
