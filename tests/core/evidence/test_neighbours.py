"""What may vouch for a probe, or show that it is stuck: only what stood beside it then."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from logger.core.judge.judgement import Judgement
from logger.model import REASONS, Certificate, Placement, Position, Setup
from logger.model.reasons import Why
from logger.series import Readings

MINUTES = np.arange(1440)
STUCK = {"flat_n": 30, "resolution": 0.01}


def beside(build: SimpleNamespace, **channel: object) -> Setup:
    return build.setup(
        (build.rule(channels=("T1.temperature",)),), {"T1": (0, 0, 1), "T2": (1, 0, 1)}, channel=channel
    )


def moved_away(build: SimpleNamespace, setup: Setup, medium: str = "air", zone: str = "hall") -> Setup:
    """The second probe stands elsewhere from the start of the day on."""
    away = Position("away", "away", zone, medium, (4, 4, 1))
    places = (
        *setup.placements[:1],
        Placement("T2", "T2", 0, build.at(0)),
        Placement("T2", "away", build.at(0)),
    )
    zones = setup.zones | {"hall": replace(setup.zones["bay"], key="hall")}
    return replace(setup, zones=zones, positions=setup.positions | {"away": away}, placements=places)


def doubtful(judgement: Judgement) -> list[int]:
    cells = judgement.cells["T1.temperature"]
    return np.flatnonzero(cells.why == Why.SUSPECT).tolist()


def stuck(build: SimpleNamespace) -> dict[str, Readings]:
    values = 20.0 + 0.01 * (MINUTES % 2)
    values[600:640] = 20.0
    return {"T1": build.series(values), "T2": build.series(20.0 + 0.1 * np.sin(MINUTES * 2 * np.pi / 60))}


def test_a_probe_that_stands_in_another_zone_shows_nothing_to_be_stuck(build: SimpleNamespace) -> None:
    setup = beside(build, **STUCK)
    assert len(doubtful(build.judged(setup, stuck(build)))) >= 40
    assert doubtful(build.judged(moved_away(build, setup), stuck(build))) == []


def test_a_new_certificate_of_a_neighbour_is_no_movement(build: SimpleNamespace) -> None:
    """A correction that jumps by 0.2 K while every probe stands still."""
    setup = beside(build, **STUCK)
    paper: Certificate = setup.certificates[1]
    newer = replace(paper, number="C2", valid_from_ns=build.at(10.2), corrections=(0.2,))
    both = {probe: build.series(np.full(1440, 20.0)) for probe in ("T1", "T2")}
    assert doubtful(build.judged(replace(setup, certificates=(*setup.certificates, newer)), both)) == []


def test_one_wild_value_of_a_neighbour_is_no_movement(build: SimpleNamespace) -> None:
    wild = np.full(1440, 20.0)
    wild[620] += 0.9
    both = {"T1": build.series(np.full(1440, 20.0)), "T2": build.series(wild)}
    assert doubtful(build.judged(beside(build, spike=0.5, **STUCK), both)) == []


def test_a_probe_vouches_only_while_it_stands_in_the_same_medium(build: SimpleNamespace) -> None:
    values = np.full(1440, 20.0)
    values[600] = 20.6
    both = {"T1": build.series(values), "T2": build.series(values, phase_s=20)}
    setup = beside(build, spike=0.4)
    assert doubtful(build.judged(setup, both)) == []
    for medium, zone in (("granite", "bay"), ("air", "hall")):
        assert doubtful(build.judged(moved_away(build, setup, medium, zone), both)) == [600]


def test_half_a_record_told_twice_is_half_a_record(build: SimpleNamespace) -> None:
    """Every second minute is missing, and the others came by the wire and by a file."""
    span = build.rule(name="span in 1 h", kind="span", window_s=3600, lower=None, upper=0.9, unit="K")
    whole = build.series(np.full(1440, 20.0))
    twice = np.repeat(np.arange(0, 1440, 2), 2)
    half = Readings(*(column[twice] for column in vars(whole).values()))
    judgement = build.judged(build.setup((span,)), {"T1": half}, build.at(2))
    assert {Why(int(why)) for why in judgement.findings[0].why} == {Why.INCOMPLETE}
    assert set(judgement.reason.tolist()) == {REASONS.index("indeterminate")}
