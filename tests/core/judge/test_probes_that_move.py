"""A probe speaks of the place in which it stands: for bodies, beside its neighbours, as a surface.

Expected values by hand from the definitions of our own design; one reading a minute, half a minute into its
cell.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from logger.config.neighbours import warnings
from logger.model import Placement, Setup, ThermalBody
from logger.model.reasons import Why
from logger.selftest.settling import runs
from logger.series import Readings

N, HOUR = 1440, 60
NOON = 12 * HOUR
GRANITE = ThermalBody("bay.granite", "granite", 3600.0, 0.0, 15.0, 25.0)
PLACES = {"T1": (1.0, 1.0, 1.0), "T2": (3.0, 1.0, 1.0), "T3": (2.0, 1.0, 1.0)}


def moved(build: SimpleNamespace, setup: Setup, probe: str, to: str | None, hour: float = 12) -> Setup:
    """The setup with a probe that goes to another position, or to none, at an hour."""
    stays = [p for p in setup.placements if p.probe != probe]
    stays.append(Placement(probe, probe, 0, build.at(hour)))
    if to is not None:
        stays.append(Placement(probe, to, build.at(hour)))
    return replace(setup, placements=tuple(stays))


def still(build: SimpleNamespace, value: float = 20.0) -> Readings:
    return build.series(np.full(N, value))


@pytest.mark.parametrize("to", ["T3", None], ids=["to a part", "taken away"])
@pytest.mark.parametrize("named", [(), ("T1.temperature",)], ids=["the air of the zone", "a named probe"])
def test_a_body_does_not_follow_a_probe_that_left(
    build: SimpleNamespace, to: str | None, named: tuple[str, ...]
) -> None:
    """T1 leaves the air at noon and goes on to read 20 degC; T2 in a part meets its rule all day.

    A named probe is followed wherever in the zone it stands. After an hour without air nothing is known.
    """
    rule = build.rule(channels=("T2.temperature",))
    body = replace(GRANITE, channels=named)
    room = build.setup(
        (rule,), PLACES, media={"T2": "part", "T3": "part"}, settling_s=4 * 3600, bodies=(body,)
    )
    room = moved(build, room, "T1", to)
    judgement = build.judged(room, {"T1": still(build), "T2": still(build)}, state=known_granite(build, body))
    whole = (("conforming", 0, N),)
    lost = (("conforming", 0, NOON + HOUR), ("indeterminate", NOON + HOUR, N))
    assert runs(judgement) == (whole if named and to else lost)


def known_granite(build: SimpleNamespace, body: ThermalBody) -> object:
    """The state at midnight after a quiet day, as the judge leaves it."""
    places = {"T1": PLACES["T1"], "T2": PLACES["T2"]}
    rule = build.rule(channels=("T2.temperature",))
    room = build.setup((rule,), places, media={"T2": "part"}, settling_s=4 * 3600, bodies=(body,))
    before = {p: build.series(np.full(N, 20.0), build.at(-24)) for p in places}
    return build.judged(room, before, build.at(-24), build.at(0)).memory.states[N]


def test_a_body_is_unknown_while_its_air_is_silent(build: SimpleNamespace) -> None:
    """T1 is silent from noon to 18:00, the humidity of T2 conforms throughout, one hour may be missing.

    Not shown from 13:00 until 18:25: from credible starts of 18 and 22 degC, to within 1.5 K less U of 0.2 K.
    """
    both = ("temperature", "relative_humidity")
    humidity = build.rule(name="humidity", quantity="relative_humidity", unit="%RH", lower=30.0, upper=60.0)
    body = replace(GRANITE, channels=("T1.temperature",), lower=18.5, upper=21.5)
    room = build.setup((humidity,), PLACES, quantities={"T2": both}, settling_s=4 * 3600, bodies=(body,))
    readings = {
        "T1": build.without(still(build), build.at(12), build.at(18)),
        "T2.temperature": still(build),
        "T2.relative_humidity": still(build, 45.0),
    }
    judgement = build.judged(room, readings, state=known_granite(build, body))
    # 60·ln(2/1.3) = 25.8 min; the cell that begins 25 min after 18:00 ends later than that.
    assert runs(judgement) == (
        ("conforming", 0, NOON + HOUR),
        ("indeterminate", NOON + HOUR, 18 * HOUR + 25),
        ("conforming", 18 * HOUR + 25, N),
    )


def test_a_probe_that_once_stood_elsewhere_is_compared_with_its_neighbours(build: SimpleNamespace) -> None:
    """T2 comes from a part into the air at 06:00; from noon on it is 0.4 K above T1, agreed are 0.3."""
    room = build.setup((build.rule(),), PLACES, media={"T3": "part"}, agree_K=0.3)
    stays = (
        Placement("T1", "T1", 0),
        Placement("T2", "T3", 0, build.at(6)),
        Placement("T2", "T2", build.at(6)),
    )
    room = replace(room, placements=stays)
    values = np.full(N, 20.0)
    values[NOON:] += 0.4
    judgement = build.judged(room, {"T1": still(build), "T2": build.series(values)})
    for probe in ("T1", "T2"):
        doubted = np.flatnonzero(judgement.cells[f"{probe}.temperature"].why == Why.DISAGREES)
        assert doubted.tolist() == list(range(NOON, N))


def test_in_different_media_probes_are_not_compared(build: SimpleNamespace) -> None:
    """T2 leaves the air for a part at noon and reads 2 K more there: no doubt, and the setup says why."""
    room = build.setup((build.rule(),), PLACES, media={"T3": "part"}, agree_K=0.3)
    room = moved(build, replace(room, placements=room.placements[:2]), "T2", "T3")
    values = np.full(N, 20.0)
    values[NOON:] += 2.0
    judgement = build.judged(room, {"T1": still(build), "T2": build.series(values)})
    assert not any((judgement.cells[f"{p}.temperature"].why == Why.DISAGREES).any() for p in ("T1", "T2"))
    assert [w for w in warnings(room) if "agree_K no longer compares anything" in w]


def test_a_probe_in_the_air_is_no_surface_of_a_part(build: SimpleNamespace) -> None:
    """T2 is taken from the part into the air at noon: no surface is left, and nothing is shown of one."""
    both = ("temperature", "relative_humidity")
    dew = build.rule(
        name="dew", kind="condensation", unit="K", lower=3.0, upper=None, media=("part",), disturbs=False
    )
    room = build.setup((dew,), PLACES, media={"T2": "part"}, quantities={"T1": both})
    room = moved(build, replace(room, placements=room.placements[:2]), "T2", "T3")
    readings = {p: still(build) for p in ("T1", "T2")} | {"T1.relative_humidity": still(build, 45.0)}
    judgement = build.judged(room, readings)
    assert runs(judgement) == (("conforming", 0, NOON), ("indeterminate", NOON, N))
    assert Why(int(judgement.findings[0].why[NOON])) == Why.NO_PROBE


@pytest.mark.parametrize("order", [(20.0, 24.0), (24.0, 20.0)])
def test_the_order_in_which_two_values_of_an_instant_arrive_makes_no_difference(
    build: SimpleNamespace, order: tuple[float, float]
) -> None:
    """24.0 and 20.0 at 12:00, then 20.6 once: by value the 24.0 comes last, and 20.6 is no spike after it.

    A spike departs by more than 0.5 K from the mean of its neighbours, to the same side of both.
    """
    room = build.setup((build.rule(),), channel={"spike": 0.5})
    values = np.full(N + 1, 20.0)
    values[NOON], values[NOON + 1] = order
    values[NOON + 2] = 20.6
    readings = build.series(values)
    taken_ns = readings.taken_ns.copy()
    taken_ns[NOON + 1 :] -= 60 * 10**9  # two of one instant
    judgement = build.judged(room, {"T1": replace(readings, taken_ns=taken_ns)})
    cells = judgement.cells["T1.temperature"]
    assert [Why(int(why)) for why in cells.why[NOON : NOON + 3]] == [
        Why.CONFLICT,
        Why.EVIDENCE,
        Why.EVIDENCE,
    ]


def test_a_reading_outside_the_range_beside_a_disagreement_is_still_seen(build: SimpleNamespace) -> None:
    """T1 reads 0.4 K more than T2 from 11:00 to noon, then both 31 degC: beyond range of use and limit.

    The valid reading of 11:59:30 stands for T1 until it is 180 s old, through the cells of 12:00 and 12:01.
    """
    room = build.setup((build.rule(),), PLACES, agree_K=0.3)
    room = replace(room, placements=room.placements[:2])
    values = {p: np.full(N, 20.0) for p in ("T1", "T2")}
    values["T1"][NOON - HOUR : NOON] += 0.4
    for each in values.values():
        each[NOON:] = 31.0
    judgement = build.judged(room, {p: build.series(v) for p, v in values.items()})
    assert runs(judgement) == (
        ("conforming", 0, NOON - HOUR),
        ("indeterminate", NOON - HOUR, NOON + 2),
        ("nonconforming", NOON + 2, N),
    )


def test_a_probe_with_humidity_may_be_the_surface_itself(build: SimpleNamespace) -> None:
    """T2 with its humidity goes from the air to the part at noon: no surface before; a reading is in doubt.

    The rule disturbs, so that the doubted reading is also taken as it stands.
    """
    both = ("temperature", "relative_humidity")
    dew = build.rule(name="dew", kind="condensation", unit="K", lower=3.0, upper=None, media=("part",))
    room = build.setup((dew,), PLACES, media={"T3": "part"}, quantities={"T1": both, "T2": both})
    room = moved(build, replace(room, placements=room.placements[:2]), "T2", "T3")
    room = replace(room, channels={key: replace(c, spike=0.5) for key, c in room.channels.items()})
    values = np.full(N, 20.0)
    values[NOON + HOUR] += 0.8
    readings = {"T1": still(build), "T2": build.series(values)}
    readings |= {f"{p}.relative_humidity": still(build, 45.0) for p in ("T1", "T2")}
    judgement = build.judged(room, readings)
    assert runs(judgement) == (
        ("indeterminate", 0, NOON),
        ("conforming", NOON, NOON + HOUR),
        ("indeterminate", NOON + HOUR, NOON + HOUR + 1),
        ("conforming", NOON + HOUR + 1, N),
    )
