"""One notice for one cause: who leads, who joins silently, who is told all the same; and what a flood is."""

from __future__ import annotations

from dataclasses import replace

from logger.alarm_cells import Cell
from logger.alarms import Alarm, AlarmState, Notice
from logger.causes import TOGETHER_NS, flooded, is_over, joined, speaking
from logger.model import NS, AlarmSpec, Conformity
from logger.view import view_specs

MINUTE = 60 * NS
CELL = Cell(0, MINUTE, Conformity.NONCONFORMING, 22.0, 0.06, -1.0, "degC", 21.0, "P1")


def spec(key: str, priority: str = "medium", routes: tuple[str, ...] = ("screen", "duty")) -> AlarmSpec:
    """An alarm of the room."""
    return AlarmSpec(key, f"bay.{key}", priority, "", "Look.", routes=routes)  # type: ignore[arg-type]


def raised(key: str, minute: int, **changed: object) -> Alarm:
    """Annunciated at the end of that minute, standing and not acknowledged."""
    alarm = Alarm(
        key, AlarmState.UNACKNOWLEDGED, occurrence=1, since_ns=0, annunciated_ns=minute * MINUTE, worst=CELL
    )
    return replace(alarm, **changed)  # type: ignore[arg-type]


def notice(key: str, minute: int) -> Notice:
    """Its first notice."""
    return Notice(key, 1, "annunciated", minute * MINUTE, 0, CELL, CELL)


def together(specs: list[AlarmSpec], minutes: dict[str, int], flood: str = "") -> dict[str, Alarm]:
    """Alarms raised one after the other, each finding its cause; gathered for 60 s and told."""
    known = {s.key: s for s in specs}
    alarms = {key: Alarm(key) for key in known}
    for key, minute in sorted(minutes.items(), key=lambda item: item[1]):
        alarms[key] = raised(key, minute)
        alarms |= joined([notice(key, minute)], alarms, known, flood)
        for group in speaking(alarms.values(), 0, minute * MINUTE):
            alarms |= {a.key: replace(a, waits=False) for a in group}
    return alarms


def test_what_comes_in_one_turn_is_one_notice_led_by_the_most_urgent() -> None:
    """Three alarms of one minute: the high one speaks for the others."""
    specs = {s.key: s for s in (spec("span"), spec("air", "high"), spec("humidity", "low"))}
    alarms = {key: raised(key, 5) for key in specs}

    found = joined([notice(key, 5) for key in specs], alarms, specs)

    assert {a.key: a.cause for a in found.values()} == dict.fromkeys(specs, "air")
    groups = speaking(found.values(), 60, 6 * MINUTE)
    assert [[a.key for a in group] for group in groups] == [["air", "span", "humidity"]]
    assert speaking(found.values(), 61, 6 * MINUTE) == []


def test_what_joins_later_is_silent_unless_it_is_more_urgent_or_reaches_others() -> None:
    """All three belong to the cause of the first; only the two that add something are told."""
    specs = {
        "span": spec("span"), "slope": spec("slope"), "air": spec("air", "high"),
        "gradient": spec("gradient", routes=("screen", "duty", "horn")),
    }  # fmt: skip
    alarms = {"span": raised("span", 0, cause="span"), **{k: raised(k, 5) for k in specs if k != "span"}}

    found = {}
    for key in ("slope", "air", "gradient"):
        found |= joined([notice(key, 5)], {**alarms, **found}, specs)

    assert {a.key: (a.cause, a.waits) for a in found.values()} == {
        "slope": ("span", False), "air": ("span", True), "gradient": ("span", True),
    }  # fmt: skip


def test_an_hour_later_it_is_another_cause() -> None:
    """And what has returned leads nobody."""
    specs = [spec("span"), spec("air")]
    later = TOGETHER_NS // MINUTE + 1

    assert together(specs, {"span": 0, "air": later})["air"].cause == "air"
    assert together(specs, {"span": 0, "air": later - 1})["air"].cause == "span"
    known = {s.key: s for s in specs}
    back = raised("span", 0, cause="span", condition=AlarmState.RETURNED_UNACKNOWLEDGED)
    assert joined([notice("air", 5)], {"span": back, "air": raised("air", 5)}, known)["air"].cause == "air"


def test_probes_and_the_room_and_the_machine_are_not_one_cause(setup) -> None:  # type: ignore[no-untyped-def]
    """A silent probe does not lead an alarm of the air; a full disk leads nothing."""
    specs = [spec("air"), *view_specs(setup, ("duty",))]

    found = together(specs, {"bay.evidence": 0, "bay.suspect": 1, "air": 2, "system.disk": 3})

    assert {key: found[key].cause for key in ("bay.evidence", "bay.suspect", "air", "system.disk")} == {
        "bay.evidence": "bay.evidence", "bay.suspect": "bay.evidence", "air": "air",
        "system.disk": "system.disk",
    }  # fmt: skip


def test_in_a_flood_only_what_is_high_is_told_one_by_one() -> None:
    """The others join the flood's alarm."""
    specs = {s.key: s for s in (spec("span"), spec("air", "high"))}
    alarms = {key: raised(key, 5) for key in specs}

    found = joined([notice(key, 5) for key in specs], alarms, specs, flood="system.flood")

    assert {a.key: (a.cause, a.waits) for a in found.values()} == {
        "air": ("air", True), "span": ("system.flood", False),
    }  # fmt: skip


def test_a_cause_is_over_with_its_last_alarm() -> None:
    """The first that returns says nothing yet."""
    air, span = raised("air", 0, cause="air"), raised("span", 0, cause="air")
    back = replace(air, condition=AlarmState.RETURNED_UNACKNOWLEDGED)

    assert not is_over(back, [back, span])
    assert is_over(back, [back, replace(span, condition=AlarmState.NORMAL)])


def test_a_flood_begins_with_eleven_and_ends_below_five() -> None:
    """Within 10 min; older ones do not count."""
    minutes = [n * MINUTE for n in range(11)]

    assert flooded(minutes, 10 * MINUTE, was=False)
    assert not flooded(minutes, 11 * MINUTE, was=False)
    assert flooded(minutes, 16 * MINUTE, was=True)
    assert not flooded(minutes, 17 * MINUTE, was=True)
