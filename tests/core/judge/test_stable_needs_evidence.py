"""No way to *stable* without evidence: what a rule demands, what bodies remember, what a reading may say.

Expected values by hand from the definitions of our own design; one reading a minute, half a minute into its
cell, if nothing else is said.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from logger.core.evidence.grid import Grid
from logger.core.judge.judgement import Judgement
from logger.core.judge.settings import judge_over
from logger.core.judge.settling import BodyState
from logger.instants import NS
from logger.model import REASONS, Placement, Settings
from logger.selftest.settling import runs
from logger.series import Float

N = 1440
HOUR = 60
PLACES = {"T1": (1.0, 1.0, 1.0), "T2": (3.0, 1.0, 1.0)}
SPAN = {"name": "span", "kind": "span", "unit": "K", "lower": None, "window_s": 3600, "disturbs": False}
PAIR = {
    "name": "pair",
    "kind": "gradient",
    "unit": "K/m",
    "lower": None,
    "direction": "pair",
    "disturbs": False,
}


def words(judgement: Judgement, *minutes: int) -> list[str]:
    """The reasons of some minutes."""
    return [REASONS[int(judgement.reason[minute])] for minute in minutes]


def still(n: int = N) -> Float:
    return np.full(n, 20.0)


@pytest.mark.parametrize(
    "demand",
    [{"need": 2}, {"channels": ("T1.temperature", "T2.temperature")}],
    ids=["need", "named"],
)
@pytest.mark.parametrize("kind", ["limit", "span", "spread"])
def test_what_a_rule_demands_does_not_fall_when_a_probe_leaves(
    build: SimpleNamespace, demand: dict[str, object], kind: str
) -> None:
    """One of two probes leaves at noon: indeterminate from there on, with a reason that says so."""
    of_kind = {
        "limit": {},
        "span": {**SPAN, "upper": 1.0},
        "spread": {"name": "spread", "kind": "spread", "unit": "K", "lower": None, "upper": 1.0},
    }[kind]
    room = build.setup((build.rule(**{**of_kind, **demand}),), PLACES)
    ended = tuple(replace(p, to_ns=build.at(12)) if p.probe == "T2" else p for p in room.placements)
    judgement = build.judged(replace(room, placements=ended), {p: build.series(still()) for p in PLACES})
    assert words(judgement, 719, 720, N - 1) == ["conforming", "indeterminate", "indeterminate"]
    assert int(judgement.findings[0].why[N - 1]) > 0


def test_a_rule_that_names_no_demand_follows_what_is_placed(build: SimpleNamespace) -> None:
    """With one probe left the rule goes on with it; with none it is indeterminate."""
    room = build.setup((build.rule(),), PLACES)
    until = {"T1": build.at(18), "T2": build.at(12)}
    ended = tuple(replace(p, to_ns=until[p.probe]) for p in room.placements)
    judgement = build.judged(replace(room, placements=ended), {p: build.series(still()) for p in PLACES})
    assert words(judgement, 720, 18 * HOUR - 1, 18 * HOUR) == ["conforming", "conforming", "indeterminate"]


@pytest.mark.parametrize("kind", ["gradient", "span", "humidity"])
def test_bodies_are_unknown_after_a_silence_also_where_no_rule_disturbs(
    build: SimpleNamespace, kind: str
) -> None:
    """12 h without a reading end at noon, 4 h of settling: not shown until 16:00."""
    rules = {
        "gradient": build.rule(**{**PAIR, "upper": 1.0}),
        "span": build.rule(**{**SPAN, "upper": 1.0}),
        "humidity": build.rule(
            name="humidity", quantity="relative_humidity", unit="%RH", lower=30.0, upper=60.0, disturbs=False
        ),
    }
    both = ("temperature", "relative_humidity")
    room = build.setup((rules[kind],), PLACES, settling_s=4 * 3600, quantities={"T1": both, "T2": both})
    silent = {
        f"{p}.{q}": build.without(build.series(np.full(N, v)), build.at(0), build.at(12))
        for p in PLACES
        for q, v in (("temperature", 20.0), ("relative_humidity", 45.0))
    }
    judgement = build.judged(room, silent)
    assert runs(judgement) == (("indeterminate", 0, 16 * HOUR), ("conforming", 16 * HOUR, N))


def test_a_rule_that_begins_looks_at_the_settling_time_before_it(build: SimpleNamespace) -> None:
    """30 degC until 21:59, 20 degC since, a band in force from midnight, 4 h: settling until 02:00."""
    band = build.rule(from_ns=build.at(24))
    values = np.full(2 * N, 20.0)
    values[: 22 * HOUR] = 30.0
    judgement = build.judged(
        build.setup((band,), settling_s=4 * 3600), {"T1": build.series(values)}, build.at(0), build.at(48)
    )
    assert runs(judgement) == (
        ("indeterminate", 0, N),
        ("settling", N, N + 2 * HOUR),
        ("conforming", N + 2 * HOUR, 2 * N),
    )


def test_between_two_rules_bodies_go_on_to_remember(build: SimpleNamespace) -> None:
    """A band ends at 18:00, another begins at midnight; 30 degC until 22:00: settling till 02:00."""
    bands = build.rule(to_ns=build.at(18)), build.rule(from_ns=build.at(24))
    values = np.full(2 * N, 20.0)
    values[18 * HOUR : 22 * HOUR] = 30.0
    judgement = build.judged(
        build.setup(bands, settling_s=4 * 3600), {"T1": build.series(values)}, build.at(0), build.at(48)
    )
    assert words(judgement, 18 * HOUR - 1, 18 * HOUR, N - 1) == [
        "conforming",
        "indeterminate",
        "indeterminate",
    ]
    assert words(judgement, N, N + 119, N + 120) == ["settling", "settling", "conforming"]


def test_a_band_that_narrows_finds_bodies_as_warm_as_they_were(build: SimpleNamespace) -> None:
    """15 to 25 degC until midnight, then 19 to 21; 23.5 degC until 23:50: settling until 03:50."""
    bands = (
        build.rule(lower=15.0, upper=25.0, to_ns=build.at(24)),
        build.rule(lower=19.0, upper=21.0, from_ns=build.at(24)),
    )
    values = np.full(2 * N, 20.0)
    values[: 23 * HOUR + 50] = 23.5
    readings = {"T1": build.series(values)}
    room = build.setup(bands, settling_s=4 * 3600)
    judgement = build.judged(room, readings, build.at(0), build.at(48))
    end = N + 3 * HOUR + 50
    assert runs(judgement) == (("conforming", 0, N), ("settling", N, end), ("conforming", end, 2 * N))
    later = build.judged(room, readings, build.at(24), build.at(48), state=judgement.memory.states[N])
    assert (later.reason == judgement.reason[N:]).all()


def test_a_band_beside_an_older_span_looks_back_too(build: SimpleNamespace) -> None:
    """A span always in force, a band from midnight, 30 degC until 23:00, 4 h: settling until 03:00."""
    rules = build.rule(**{**SPAN, "upper": 1.0}), build.rule(from_ns=build.at(24))
    values = np.full(2 * N, 20.0)
    values[: 23 * HOUR] = 30.0
    judgement = build.judged(
        build.setup(rules, settling_s=4 * 3600), {"T1": build.series(values)}, build.at(0), build.at(48)
    )
    assert words(judgement, N, N + 179, N + 180) == ["settling", "settling", "conforming"]


def test_a_longer_settling_time_counts_from_the_last_excursion(build: SimpleNamespace) -> None:
    """Out until 22:00 with 1 h of settling, 4 h from midnight on: settling from midnight until 02:00."""
    room = build.setup((build.rule(),), settling_s=4 * 3600)
    short = {"bay": replace(room.zones["bay"], settling_s=3600)}
    room = replace(room, earlier=(Settings(build.at(24), short, room.channels),))
    values = np.full(2 * N, 20.0)
    values[21 * HOUR : 22 * HOUR] = 22.0
    grid = Grid(build.at(0) // (60 * NS), 2 * N, 60)
    readings = {"T1.temperature": build.series(values)}
    judgement = judge_over("bay", room, readings, grid, BodyState(0, 0), now_ns=build.at(24 * 31))
    assert runs(judgement)[2:] == (
        ("settling", 22 * HOUR, 23 * HOUR),
        ("conforming", 23 * HOUR, N),
        ("settling", N, N + 2 * HOUR),
        ("conforming", N + 2 * HOUR, 2 * N),
    )


def test_a_covered_cell_takes_the_two_readings_that_flank_it(build: SimpleNamespace) -> None:
    """20.9, 20.1 in one minute, none in the next, 20.2, 20.8 in the third: covered by 20.1 and 20.2."""
    taken_ns = build.at(1) + np.array([10, 50, 130, 170]) * NS
    like = build.series([20.9, 20.1, 20.2, 20.8])
    judgement = build.judged(build.setup((build.rule(),)), {"T1": replace(like, taken_ns=taken_ns)})
    cells = judgement.cells["T1.temperature"]
    assert (cells.low[61], cells.high[61], cells.count[61]) == (20_100_000, 20_200_000, 0)


@pytest.mark.parametrize("other", [24.0, 16.0])
def test_a_conflict_that_may_have_been_out_leaves_bodies_unknown(
    build: SimpleNamespace, other: float
) -> None:
    """20.0 and 24.0 for 12:00, undecided, 4 h of settling: not shown until 16:01, and not settling."""
    item = build.series(still())
    order = np.insert(np.arange(N), 720, 720)
    twice = replace(item, **{k: getattr(item, k)[order] for k in ("taken_ns", "value", "status", "late")})
    twice.value[721] = other
    judgement = build.judged(build.setup((build.rule(),), settling_s=4 * 3600), {"T1": twice})
    assert runs(judgement) == (
        ("conforming", 0, 720), ("indeterminate", 720, 961), ("conforming", 961, N),
    )  # fmt: skip


def test_a_conflict_within_the_limits_leaves_only_its_own_minute_open(build: SimpleNamespace) -> None:
    """20.0 and 20.1 for one time, limits 19 to 21."""
    item = build.series(still())
    order = np.insert(np.arange(N), 720, 720)
    twice = replace(item, **{k: getattr(item, k)[order] for k in ("taken_ns", "value", "status", "late")})
    twice.value[721] = 20.1
    judgement = build.judged(build.setup((build.rule(),), settling_s=4 * 3600), {"T1": twice})
    assert runs(judgement) == (("conforming", 0, 720), ("indeterminate", 720, 721), ("conforming", 721, N))


def test_a_probe_that_is_overdue_and_reads_beyond_a_limit_leaves_bodies_unknown(
    build: SimpleNamespace,
) -> None:
    """Due at 12:00, 24 degC from 12:10 to 12:20, a new certificate at 12:30, 4 h: not shown until 16:30."""
    room = build.setup((build.rule(),), settling_s=4 * 3600, certificate={"due_ns": build.at(12)})
    new = replace(room.certificates[0], number="new", valid_from_ns=build.at(12.5), due_ns=None)
    values = still()
    values[730:740] = 24.0
    judgement = build.judged(
        replace(room, certificates=(*room.certificates, new)), {"T1": build.series(values)}
    )
    assert runs(judgement) == (("conforming", 0, 720), ("indeterminate", 720, 990), ("conforming", 990, N))


def test_a_single_spike_that_both_sides_contradict_leaves_bodies_as_they_are(build: SimpleNamespace) -> None:
    """One reading of 24 degC between two of 20 degC, suspect by the spike test: its minute alone is open."""
    values = still()
    values[720] = 24.0
    judgement = build.judged(
        build.setup((build.rule(),), settling_s=4 * 3600, channel={"spike": 0.5}),
        {"T1": build.series(values)},
    )
    assert runs(judgement) == (("conforming", 0, 720), ("indeterminate", 720, 721), ("conforming", 721, N))


def test_beyond_a_limit_outside_the_certificates_range_is_an_excursion(build: SimpleNamespace) -> None:
    """Range of use and limits 19 to 21 degC, 55 min at 30 degC: nonconforming, never proven, settling."""
    values = still()
    values[600:655] = 30.0
    room = build.setup((build.rule(),), settling_s=4 * 3600, certificate={"range": (19.0, 21.0)})
    judgement = build.judged(room, {"T1": build.series(values)})
    assert runs(judgement) == (
        ("conforming", 0, 600), ("nonconforming", 600, 655), ("settling", 655, 895), ("conforming", 895, N),
    )  # fmt: skip
    assert not judgement.findings[0].proven.any()


def test_within_the_limits_outside_the_certificates_range_is_indeterminate(build: SimpleNamespace) -> None:
    """Range of use 19.5 to 20.5 degC, limits 19 to 21, one hour at 20.7: never conforming."""
    values = still()
    values[600:655] = 20.7
    room = build.setup((build.rule(),), settling_s=4 * 3600, certificate={"range": (19.5, 20.5)})
    judgement = build.judged(room, {"T1": build.series(values)})
    assert runs(judgement) == (("conforming", 0, 600), ("indeterminate", 600, 655), ("conforming", 655, N))


def test_one_reading_an_hour_is_no_evidence_of_what_lay_between(build: SimpleNamespace) -> None:
    """From 10:00 to 20:00 one reading every 59 min: not stable until 4 h after whole evidence."""
    item = build.series(still())
    minutes = np.arange(N)
    keep = (minutes < 600) | (minutes >= 1200) | ((minutes - 600) % 59 == 58)
    rare = replace(item, **{k: getattr(item, k)[keep] for k in ("taken_ns", "value", "status", "late")})
    judgement = build.judged(build.setup((build.rule(),), settling_s=4 * 3600), {"T1": rare})
    stable = np.flatnonzero(judgement.reason == REASONS.index("conforming")).tolist()
    # The second silence is the first to add up to more than an hour: the reading after the first is evidence.
    assert stable == [*range(600), 658]


def test_a_probe_decides_for_a_medium_only_while_it_stands_in_it(build: SimpleNamespace) -> None:
    """A probe on a part until noon and in the air since: a rule on air has no evidence of it before noon."""
    room = build.setup((build.rule(),), {"T1": (1.0, 1.0, 1.0)}, media={"T1": "part"})
    position = replace(room.positions["T1"], key="air", medium="air")
    moved = Placement("T1", "T1", 0, build.at(12)), Placement("T1", "air", build.at(12))
    room = replace(room, positions={**room.positions, "air": position}, placements=moved)
    judgement = build.judged(room, {"T1": build.series(still())})
    assert runs(judgement) == (("indeterminate", 0, 720), ("conforming", 720, N))
