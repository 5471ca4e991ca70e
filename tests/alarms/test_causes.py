"""One notice for one cause: who leads, who joins, when joining ends; and what a flood is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from logger.core.alarms.condition import Cell
from logger.core.alarms.grouping import (
    TOGETHER_NS,
    cause_of,
    due_groups,
    is_flood,
    is_over,
    join_causes,
    sharing_scope,
)
from logger.core.alarms.lifecycle import Alarm, AlarmNotice, AlarmState
from logger.core.alarms.system import system_alarms
from logger.instants import NS
from logger.model import AlarmSpec, CommonCause, Conformity

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


def notice(key: str, minute: int) -> AlarmNotice:
    """Its first notice."""
    return AlarmNotice(key, 1, "annunciated", minute * MINUTE, 0, CELL, CELL)


def scopes(specs: Mapping[str, AlarmSpec], common: tuple[CommonCause, ...] = ()) -> dict[str, str]:
    """What may have one cause: every rule's alarm is in the zone that its key begins with."""
    return {key: sharing_scope(s, s.zone or s.rule.split(".")[0], common) for key, s in specs.items()}


def together(specs: list[AlarmSpec], minutes: dict[str, int]) -> dict[str, Alarm]:
    """Alarms raised one after the other, each finding its cause, announced at once."""
    reference = {s.key: s for s in specs}
    alarms = {key: Alarm(key) for key in reference}
    for key, minute in sorted(minutes.items(), key=lambda item: item[1]):
        alarms[key] = raised(key, minute)
        alarms |= join_causes([notice(key, minute)], alarms, reference, scopes(reference))
        for group in due_groups(alarms.values(), {}, minute * MINUTE):
            alarms |= {a.key: replace(a, waits=False) for a in group.new}
    return alarms


def test_what_comes_in_one_turn_is_one_notice_led_by_the_most_urgent() -> None:
    """Three alarms of one minute: the high one speaks for the others, after its wait for them."""
    specs = {s.key: s for s in (spec("span"), spec("air", "high"), spec("humidity", "low"))}
    alarms = {key: raised(key, 5) for key in specs}

    result = join_causes([notice(key, 5) for key in specs], alarms, specs, scopes(specs))

    assert {a.key: a.cause for a in result.values()} == dict.fromkeys(specs, "air")
    groups = due_groups(result.values(), dict.fromkeys(specs, 60), 6 * MINUTE)
    assert [[a.key for a in group.new] for group in groups] == [["air", "humidity", "span"]]
    assert due_groups(result.values(), dict.fromkeys(specs, 61), 6 * MINUTE) == []


def test_what_joins_later_is_announced_beside_what_stands() -> None:
    """Equally urgent and to the same people: announced all the same, the first one as announced before."""
    specs = [spec("span"), spec("slope")]
    reference = {s.key: s for s in specs}
    alarms = together(specs, {"span": 0})

    alarms |= {"slope": raised("slope", 5)}
    alarms |= join_causes([notice("slope", 5)], alarms, reference, scopes(reference))

    assert (alarms["slope"].cause, alarms["slope"].waits) == ("span", True)
    [group] = due_groups(alarms.values(), {}, 5 * MINUTE)
    assert ([a.key for a in group.new], [a.key for a in group.standing]) == (["slope"], ["span"])


def test_an_acknowledgement_ends_the_joining() -> None:
    """Of any alarm of the cause, also of one that is over."""
    specs = [spec("span"), spec("air"), spec("slope")]
    reference = {s.key: s for s in specs}
    alarms = together(specs, {"span": 0, "air": 1})
    observed = replace(
        alarms["air"], condition=AlarmState.NORMAL, acknowledged_ns=2 * MINUTE, acknowledged_by="Greta"
    )

    result = join_causes(
        [notice("slope", 5)],
        {**alarms, "air": observed, "slope": raised("slope", 5)},
        reference,
        scopes(reference),
    )

    assert result["slope"].cause == "slope"


def test_a_new_cause_of_one_key_is_another_cause() -> None:
    """An alarm that leads, returns and leads again does not take over what stands of its first cause."""
    specs = [spec("span"), spec("air")]
    later = TOGETHER_NS // MINUTE + 2
    alarms = together(specs, {"span": 0, "air": 1})
    again = {**alarms, "span": raised("span", later)}
    reference = {s.key: s for s in specs}

    result = join_causes([notice("span", later)], again, reference, scopes(reference))

    assert (result["span"].cause, again["air"].cause) == ("span", "span")
    assert cause_of(result["span"]) != cause_of(again["air"])
    assert is_over(result["span"], [*result.values(), again["air"]])


def test_half_an_hour_after_the_first_it_is_another_cause() -> None:
    """And what has returned leads nobody."""
    specs = [spec("span"), spec("air")]
    later = TOGETHER_NS // MINUTE + 1

    assert together(specs, {"span": 0, "air": later})["air"].cause == "air"
    assert together(specs, {"span": 0, "air": later - 1})["air"].cause == "span"
    reference = {s.key: s for s in specs}
    back = raised("span", 0, cause="span", cause_ns=0, condition=AlarmState.RETURNED_UNACKNOWLEDGED)
    result = join_causes(
        [notice("air", 5)], {"span": back, "air": raised("air", 5)}, reference, scopes(reference)
    )
    assert result["air"].cause == "air"


def test_probes_and_the_room_and_the_machine_are_not_one_cause(setup) -> None:  # type: ignore[no-untyped-def]
    """A silent probe does not lead an alarm of the air; a full disk leads nothing."""
    specs = [spec("air"), *system_alarms(setup, ("duty",))]

    result = together(specs, {"bay.evidence": 0, "bay.suspect": 1, "air": 2, "system.disk": 3})

    assert {key: result[key].cause for key in ("bay.evidence", "bay.suspect", "air", "system.disk")} == {
        "bay.evidence": "bay.evidence", "bay.suspect": "bay.evidence", "air": "air",
        "system.disk": "system.disk",
    }  # fmt: skip


def test_zones_share_a_cause_only_where_one_is_declared() -> None:
    """Two zones on one air handling, a third beside them."""
    specs = {z: replace(spec(z), rule=f"{z}.air") for z in ("bay", "bench", "store")}

    apart = scopes(specs)
    declared = scopes(specs, (CommonCause("air-handling", ("bay", "bench")),))

    assert len(set(apart.values())) == 3
    assert declared["bay"] == declared["bench"] != declared["store"]


def test_what_a_person_shelved_is_not_announced_until_it_comes_back() -> None:
    """A cover that comes while an alarm waits delays its notice and loses nothing."""
    waits = raised("air", 0, cause="air", cause_ns=0, waits=True)
    shelved = replace(waits, shelved_until_ns=99 * MINUTE, shelved_by="Greta", shelved_why="service")

    assert due_groups([shelved], {}, 5 * MINUTE) == []
    assert [[a.key for a in group.new] for group in due_groups([waits], {}, 5 * MINUTE)] == [["air"]]


def test_a_cause_is_over_with_its_last_alarm() -> None:
    """The first that returns says nothing yet."""
    air, span = raised("air", 0, cause="air"), raised("span", 0, cause="air")
    back = replace(air, condition=AlarmState.RETURNED_UNACKNOWLEDGED)

    assert not is_over(back, [back, span])
    assert is_over(back, [back, replace(span, condition=AlarmState.NORMAL)])


def test_a_flood_begins_with_eleven_and_ends_below_five() -> None:
    """Within 10 min; older ones do not count."""
    minutes = [n * MINUTE for n in range(11)]

    assert is_flood(minutes, 10 * MINUTE, in_flood=False)
    assert not is_flood(minutes, 11 * MINUTE, in_flood=False)
    assert is_flood(minutes, 16 * MINUTE, in_flood=True)
    assert not is_flood(minutes, 17 * MINUTE, in_flood=True)
