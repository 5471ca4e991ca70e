"""Each alarm is announced by its own name, value and action; what may share a notice is bounded."""

from __future__ import annotations

from dataclasses import replace

import pytest

from logger.acts import alarms as attending
from logger.instants import NS
from logger.model import AlarmSpec, NoticePlan
from logger.model.notices import CommonCause
from logger.service.alarm_engine import AlarmEngine
from logger.store import Store

from .alarm_rig import INSIDE, MINUTE, OUTSIDE, START, Stated, config, letters

ZONES = ("bay", "bench", "store")
SPECS = [
    AlarmSpec(f"{zone}-{n}", f"{zone}.{n}", "high", "Wrong lengths.", f"Look at {zone} {n}.", 120, 120, 0.05,
              ("screen", "duty"))
    for zone in ZONES for n in range(4)
]  # fmt: skip
CONFIG = config(SPECS, ZONES, NoticePlan(gather_s=60))
DELAY_NS = (120 + 60) * NS  # on-delay and the time a notice waits for others


def lived(
    store: Store,
    begins: dict[str, int],
    minutes: int,
    plan: NoticePlan | None = None,
    acknowledged: dict[int, str] | None = None,
    ends: dict[str, int] | None = None,
) -> list[tuple[int, str, str]]:
    """Minute after minute; each letter as (minute of the turn that queued it, subject, text).

    `begins`: minute from which on an alarm's rule is out of limits; `ends`: from which on it is inside again.
    `acknowledged`: alarms that a person acknowledges before the turn of a minute.
    """
    used = CONFIG if plan is None else replace(CONFIG, notices=plan)
    stated = Stated(used.setup)
    alarming = AlarmEngine(store, used, stated)
    result: list[tuple[int, str, str]] = []
    for minute in range(minutes):
        for spec in SPECS:
            out = begins.get(spec.key, minutes) <= minute < (ends or {}).get(spec.key, minutes)
            stated.values[spec.rule, minute] = OUTSIDE if out else INSIDE
        if acknowledged and minute in acknowledged:
            attending.acknowledge(store, acknowledged[minute], "Greta", "on my way", START + minute * MINUTE)
        before = len(letters(store))
        alarming.turn(START + (minute + 1) * MINUTE + 3 * NS)
        result += [(minute, x.body["subject"], x.body["text"]) for x in letters(store)[before:]]
    return result


def names(letters: list[tuple[int, str, str]], key: str) -> list[int]:
    """Minutes of the letters that name an alarm with its value and its own action."""
    zone, _, number = key.partition("-")
    return [
        minute for minute, _, text in letters
        if key in text and f"Look at {zone} {number}." in text and f"{zone}.{number} 20.90" in text.lower()
    ]  # fmt: skip


@pytest.mark.slow
def test_twelve_high_alarms_around_an_acknowledged_one_are_all_named_in_time(store: Store) -> None:
    """One is announced and acknowledged; eleven others of three zones follow within half an hour.

    Each is named with its value and its action by a notice that goes out within its delays.
    """
    begins = {spec.key: 5 + 2 * n for n, spec in enumerate(SPECS)}

    notices = lived(store, begins, 45, acknowledged={10: "bay-0"})

    for key, first in begins.items():
        due = (first * MINUTE + DELAY_NS) // MINUTE + 1
        assert any(minute <= due for minute in names(notices, key)), key


def test_what_joins_later_is_announced_as_now_also(store: Store) -> None:
    """The second notice leads with what is new, and repeats what was announced before."""
    notices = lived(store, {"bay-0": 2, "bay-1": 8}, 14)

    assert len(notices) == 2
    _, subject, text = notices[1]
    assert "Now also: Zone bay: bay.1 20.90" in subject
    assert text.index("Look at bay 1.") < text.index("Look at bay 0.")


def test_an_acknowledged_cause_takes_no_more_alarms(store: Store) -> None:
    """Whoever acknowledged spoke of what was announced then: the next alarm is a cause of its own."""
    lived(store, {"bay-0": 2, "bay-1": 8}, 14, acknowledged={6: "bay-0"})

    causes = {a.key: a.cause for a in attending.alarm_list(store)}
    assert (causes["bay-0"], causes["bay-1"]) == ("bay-0", "bay-1")


def test_zones_have_causes_of_their_own_unless_one_is_declared(store: Store) -> None:
    """One air handling for two of three zones: its zones share notices, the third never does."""
    together = {"bay-0": 2, "bench-0": 2, "store-0": 2}

    apart = lived(store, together, 8)

    assert sorted(subject.split(":")[1].strip() for _, subject, _ in apart) == [
        "Zone bay", "Zone bench", "Zone store",
    ]  # fmt: skip


def test_a_declared_common_cause_is_one_notice(store: Store) -> None:
    """The same course where bay and bench hang on one air handling: one notice names both."""
    plan = NoticePlan(gather_s=60, common_causes=(CommonCause("air-handling", ("bay", "bench")),))

    notices = lived(store, {"bay-0": 2, "bench-0": 2, "store-0": 2}, 8, plan)

    assert len(notices) == 2
    both = next(text for _, _, text in notices if "Look at bay 0." in text)
    assert "Look at bench 0." in both
    assert "Look at store 0." not in both


@pytest.mark.slow
def test_half_an_hour_after_its_first_alarm_a_cause_takes_no_more(store: Store) -> None:
    """Counted from the first one: a chain of alarms 20 min apart does not stretch it."""
    lived(store, {"bay-0": 2, "bay-1": 22, "bay-2": 42}, 50)

    causes = {a.key: a.cause for a in attending.alarm_list(store)}
    assert (causes["bay-0"], causes["bay-1"], causes["bay-2"]) == ("bay-0", "bay-0", "bay-2")


def test_twelve_alarms_of_one_cause_are_all_listed(store: Store) -> None:
    """However many alarms one notice speaks for, none of them is hidden behind a number."""
    notices = lived(store, {spec.key: 3 for spec in SPECS}, 9, NoticePlan(
        gather_s=60, common_causes=(CommonCause("air-handling", ZONES),)
    ))  # fmt: skip

    assert all(names(notices, spec.key) for spec in SPECS)


def test_a_flood_holds_back_no_high_alarm(store: Store) -> None:
    """Twelve high alarms within four minutes: a flood, and each is named in time all the same."""
    begins = {spec.key: 3 + n // 3 for n, spec in enumerate(SPECS)}

    notices = lived(store, begins, 15)

    assert any("flood" in subject for _, subject, _ in notices)
    for key, first in begins.items():
        due = (first * MINUTE + DELAY_NS) // MINUTE + 1
        assert any(minute <= due for minute in names(notices, key)), key


def test_what_a_flood_held_back_is_announced_at_most_ten_minutes_later(store: Store) -> None:
    """A medium alarm that comes into a flood of high ones is named after ten minutes at the latest."""
    plain = [replace(s, priority="medium") if s.key == "store-3" else s for s in SPECS]
    begins = {spec.key: 3 for spec in SPECS[:11]} | {"store-3": 9}

    with pytest.MonkeyPatch.context() as patched:
        patched.setitem(globals(), "CONFIG", config(plain, ZONES, NoticePlan(gather_s=60)))
        notices = lived(store, begins, 26)

    assert names(notices, "store-3")
    assert min(names(notices, "store-3")) <= 9 + 2 + 10 + 1


def test_the_end_of_a_cause_names_all_that_are_over(store: Store) -> None:
    """Two alarms of one cause return minutes apart: one letter, which names both."""
    notices = lived(store, {"bay-0": 2, "bay-1": 2}, 25, ends={"bay-0": 10, "bay-1": 14})

    over = [text for _, subject, text in notices if "within limits again" in subject]
    assert len(over) == 1
    assert "bay.0" in over[0]
    assert "bay.1" in over[0]
