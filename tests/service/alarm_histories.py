"""Random histories of alarms, and what must follow from each by the definitions alone.

A history is lived minute by minute by the real alarms on a real store: rules go out of limits and come back,
people acknowledge and shelve, the service is restarted, killed within a turn or away, the clock jumps. What
must follow is written out below as plain loops over minutes; it shares nothing with the program but names.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

import pytest

from logger.acts import alarms as attending
from logger.errors import Refused
from logger.instants import NS
from logger.model import AlarmSpec, NoticePlan
from logger.model.notices import CommonCause
from logger.service import alarm_engine as module
from logger.service.alarm_engine import AlarmEngine
from logger.store import Store

from .alarm_rig import INSIDE, MINUTE, OUTSIDE, START, Stated, config, letters

ZONES = ("bay", "bench", "store")
SHARED = frozenset({"bay", "bench"})  # one air handling, where it is declared
MINUTES = 50
NEAR = 20.47  # inside, but not by the deadband of 0.05
JUMPS = (-900, -20, -3, 3, 20, 900)  # of the clock, in minutes


@dataclass(frozen=True)
class History:
    """One course: by alarm what its rule shows each minute, and what people and the machine do when."""

    specs: tuple[AlarmSpec, ...]
    declared: bool  # whether bay and bench have a common cause
    gather: int  # minutes that a notice waits for others
    course: dict[str, list[float | None]]  # None: no evidence
    acts: dict[int, list[tuple[str, str, int]]]  # minute -> (act, alarm, minutes on the shelf)
    away: frozenset[int]  # no turn, no evidence
    killed: frozenset[int]  # the turn is undone halfway
    restarted: frozenset[int]
    jumps: dict[int, int]


@dataclass
class Lived:
    """What happened: letters as (minute, step, text), accepted acts as (minute, act, alarm, shelf)."""

    letters: list[tuple[int, str, str]] = field(default_factory=list)
    acts: list[tuple[int, str, str, int]] = field(default_factory=list)


def history(seed: int) -> History:
    """A history by its number."""
    dice = Random(seed)
    storm = dice.randrange(5, 20) if dice.random() < 0.15 else None  # the minute in which much goes out
    specs = tuple(
        AlarmSpec(
            f"{zone}-{n}", f"{zone}.{n}", dice.choice(("high", "high", "medium")), "", f"Look at {zone} {n}.",
            60 * dice.choice((0, 1, 2, 5)), 60 * dice.choice((0, 1, 3)), 0.05, ("screen", "duty"),
            latching=dice.random() < 0.2,
        )
        for zone in ZONES for n in range(5 if storm else dice.choice((1, 2, 4)))
    )  # fmt: skip
    calm = dice.random() < 0.4  # without jumps, kills and absence
    times = range(5, MINUTES)
    acts: dict[int, list[tuple[str, str, int]]] = {}
    for _ in range(dice.choice((0, 3, 10))):
        act = dice.choice(("acknowledge", "acknowledge", "shelve", "unshelve", "remove", "return"))
        acts.setdefault(dice.choice(times), []).append(
            (act, dice.choice(specs).key, dice.choice((1, 4, 15, 40)))
        )
    begin = dice.choice(times)
    away = set() if calm else set(range(begin, begin + dice.choice((0, 0, 2, 20))))
    courses = {spec.key: _course(dice, storm) for spec in specs}
    return History(
        specs, dice.random() < 0.5, dice.choice((0, 1, 2)), courses, acts,
        frozenset(away), frozenset() if calm else frozenset(dice.sample(times, 2)),
        frozenset(dice.sample(times, 3)),
        {} if calm else {dice.choice(times): dice.choice(JUMPS) for _ in range(dice.choice((0, 1, 2)))},
    )  # fmt: skip


def _course(dice: Random, storm: int | None) -> list[float | None]:
    """Runs of minutes inside, out, inside by less than the deadband, and without evidence."""
    values: list[float | None] = []
    if storm is not None:
        values = [INSIDE] * (storm + dice.randrange(4)) + [OUTSIDE] * 20
    while len(values) < MINUTES:
        kind = dice.choices((INSIDE, OUTSIDE, NEAR, None), (4, 5, 1, 1))[0]
        values += [kind] * dice.choice((1, 2, 3, 6, 12, 25))
    return values[:MINUTES]


class Declared(AlarmEngine):
    """The declared alarms and the flood's, without those that watch the machine."""

    def _specs(self) -> list[AlarmSpec]:
        return [spec for spec in super()._specs() if spec.rule or spec.key == module.FLOOD]


def live(past: History, folder: Path) -> Lived:
    """The history on a new store in a folder."""
    common = (CommonCause("air-handling", tuple(sorted(SHARED))),) if past.declared else ()
    used = config(past.specs, ZONES, NoticePlan(gather_s=60 * past.gather, common_causes=common))
    stated, result, offset = Stated(used.setup), Lived(), 0
    with Store.open(folder, create=True, simulated=True) as store:
        alarming = Declared(store, used, stated)
        for minute in range(MINUTES):
            offset += past.jumps.get(minute, 0)
            at = START + (minute + offset) * MINUTE
            for act, key, shelf in past.acts.get(minute, ()):
                if _acted(store, act, key, shelf, at + NS):
                    result.acts.append((minute, act, key, shelf))
            if minute in past.away:
                continue
            for spec in past.specs:
                stated.values[spec.rule, minute + offset] = past.course[spec.key][minute]
            if minute in past.restarted:
                alarming = Declared(store, used, stated)
            before = len(letters(store))
            _turn(alarming, at + MINUTE + 3 * NS, killed=minute in past.killed)
            result.letters += [(minute, x.body["step"], x.body["text"]) for x in letters(store)[before:]]
    return result


def _acted(store: Store, act: str, key: str, shelf: int, now_ns: int) -> bool:
    """Whether it was accepted; the page refuses what makes no sense."""
    acts: dict[str, Callable[[], object]] = {
        "acknowledge": lambda: attending.acknowledge(store, key, "Greta", "seen", now_ns),
        "shelve": lambda: attending.shelve(store, key, "Greta", "work", until_ns=now_ns + shelf * MINUTE,
                                           now_ns=now_ns),
        "unshelve": lambda: attending.unshelve(store, key, "Greta", "work done", now_ns),
        "remove": lambda: attending.take_out(store, key, "Greta", "work", now_ns),
        "return": lambda: attending.put_back(store, key, "Greta", "work done", now_ns),
    }  # fmt: skip
    try:
        acts[act]()
    except Refused:
        return False
    return True


class _Killed(Exception):
    pass


def _turn(alarming: AlarmEngine, now_ns: int, killed: bool) -> None:
    if not killed:
        alarming.turn(now_ns)
        return

    def kill(*_: object) -> None:
        raise _Killed

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(module.attending, "put_alarm", kill)
        with suppress(_Killed):
            alarming.turn(now_ns)


# The definitions, plainly.


def wrong(past: History, life: Lived) -> list[str]:
    """A sentence for everything that the definitions forbid."""
    faults = [text for spec in past.specs for text in _unnamed(past, life, spec)]
    return faults + _across_zones(past, life) + _joined_after_acknowledgement(past, life)


def _unnamed(past: History, life: Lived, spec: AlarmSpec) -> list[str]:
    """Times at which an alarm had to be named by a notice, and none named it, and no person chose so."""
    on, off = -(-spec.on_delay_s // 60), max(1, -(-spec.off_delay_s // 60))
    patience = past.gather + 1 + (0 if spec.priority == "high" else 11)  # a flood holds the others for 10 min
    out, inside, episode, result = 0, 0, 0, []
    covered = _covered(past, life, spec.key)
    for minute in range(MINUTES):
        if minute in past.away or minute in past.killed or minute in past.jumps:
            out = inside = 0  # nothing is owed for what was not seen; it begins anew
            continue
        value = past.course[spec.key][minute]
        inside = inside + 1 if value == INSIDE else 0
        out = out + 1 if value == OUTSIDE and minute not in covered else 0
        if inside >= off:
            episode = minute
        disturbed = [m for m in range(minute - out + 1, minute + 1) if m in past.killed]
        if out == max(on, 1) + patience and not disturbed and not _named(life, spec, episode, minute):
            result.append(
                f"{spec.key} ({spec.priority}) out for {out} min at minute {minute}: nobody was notified"
            )
    return result


def _covered(past: History, life: Lived, key: str) -> set[int]:
    """Minutes in which a person had put the alarm aside; a clock that goes back may prolong a shelf once."""
    minutes: set[int] = set()
    off = None
    end, length = -1, 0
    acts = [(m, act, shelf) for m, act, alarm, shelf in life.acts if alarm == key]
    for minute in range(MINUTES):
        if past.jumps.get(minute, 0) < 0 and minute <= end:
            end = max(end, minute + length)
        for at, act, shelf in acts:
            if at != minute:
                continue
            if act == "shelve":
                end, length = minute + shelf, shelf
            elif act == "unshelve":
                end = minute - 1
            elif act == "remove":
                off = minute
            elif act == "return":
                off = None
        if minute <= end or off is not None:
            minutes.add(minute)
    return minutes


def _named(life: Lived, spec: AlarmSpec, first: int, last: int) -> bool:
    """Whether a notice of these minutes names the alarm by key, by value and by its own action."""
    zone, number = spec.key.split("-")
    return any(
        first <= minute <= last and step != "returned"
        and spec.key in text and spec.action in text and f"{zone}.{number} 20.90" in text.lower()
        for minute, step, text in life.letters
    )  # fmt: skip


def _keys(past: History, text: str) -> list[str]:
    return [spec.key for spec in past.specs if spec.key in text]


def _across_zones(past: History, life: Lived) -> list[str]:
    """Notices that name alarms of zones which have no declared common cause."""
    result = []
    for minute, _, text in life.letters:
        zones = {key.split("-")[0] for key in _keys(past, text)}
        if len(zones) > 1 and not (past.declared and zones <= SHARED):
            result.append(f"minute {minute}: one notice for {sorted(zones)}")
    return result


def _joined_after_acknowledgement(past: History, life: Lived) -> list[str]:
    """Notices that name a new alarm beside one that was acknowledged before the new one was raised.

    Raised is at most as long before its notice as it waits for others, beside the minutes in which nothing
    could go out: no turn came to its end, or a person had put it aside.
    """
    first = [(minute, _keys(past, text)) for minute, step, text in life.letters if step == "annunciated"]
    priority = {spec.key: spec.priority for spec in past.specs}
    result = []
    for at, (minute, keys) in enumerate(first):
        for key in keys:
            last = max((m for m, named in first[:at] if key in named), default=None)
            if last is None or not _stood(past, key, last, minute):
                continue
            for new in keys:
                waited = past.gather + (0 if priority[new] == "high" else 11)
                named_since = any(new in named and m >= last for m, named in first[:at])
                raised = _raised_since(past, life, new, minute, waited)
                acknowledged = any(
                    act == "acknowledge" and k == key and last < m <= raised
                    for m, act, k, _ in life.acts
                )  # fmt: skip
                if new != key and acknowledged and not named_since:
                    result.append(f"minute {minute}: {new} joined {key}, which was acknowledged before")
    return result


def _raised_since(past: History, life: Lived, key: str, minute: int, waited: int) -> int:
    """The earliest minute at which an alarm was raised that waited so many minutes for its notice."""
    still = past.killed | past.away | _covered(past, life, key)
    while waited > 0 or minute in still:
        waited -= minute not in still
        minute -= 1
    return minute


def _stood(past: History, key: str, first: int, last: int) -> bool:
    """Whether it was never seen inside between two minutes, so that both are of one occurrence."""
    return all(past.course[key][m] == OUTSIDE for m in range(first, last + 1))
