"""Cases by their definition: what belongs together, which number stays, and that no minute counts twice.

A case gathers excursions of a zone that overlap or lie closer than the gap; values here are worked out by
hand from that definition.
"""

from __future__ import annotations

import random
from collections.abc import Sequence

import pytest

from logger.core.judge.cases import (
    Case,
    Event,
    NumberedCase,
    before_after,
    gap_ns,
    give_numbers,
    group,
    join,
    lost_time,
    repeated,
)
from logger.instants import NS
from logger.model import Excursion, Period, Zone

MINUTE, HOUR, DAY = 60 * NS, 3600 * NS, 86_400 * NS


def run(
    begin: int, end: int, rule: str = "bay.temperature", zone: str = "bay", asks: bool = True
) -> Excursion:
    return Excursion(
        zone, rule, begin, end, 21.0, begin, 20.5, 0.1, "degC", 0.1, ("P1",), True, asks_disposition=asks
    )


def four_hours(_: int) -> int:
    return 4 * HOUR


def grouped(*runs: Excursion, cuts: Sequence[int] = ()) -> list[list[int]]:
    return [[e.from_ns // HOUR for e in case.runs] for case in group(runs, four_hours, cuts)]


def test_overlapping_and_near_runs_are_one_case() -> None:
    """Two runs 4 h apart are two cases, 3 h 59 min apart one; a short run in a long one does not end it."""
    assert grouped(run(0, HOUR), run(5 * HOUR, 6 * HOUR)) == [[0], [5]]
    assert grouped(run(0, HOUR), run(5 * HOUR - MINUTE, 6 * HOUR)) == [[0, 4]]
    long, short = run(0, 10 * HOUR), run(HOUR, 2 * HOUR, "bay.span-1h")
    assert grouped(long, short, run(13 * HOUR, 14 * HOUR, "bay.span-1h")) == [[0, 1, 13]]
    assert grouped() == []


def test_a_case_is_parted_at_an_instant() -> None:
    """Runs that begin at the cut or later are another case, though the first ones still go on."""
    runs = run(0, 6 * HOUR), run(2 * HOUR, 3 * HOUR, "bay.span-1h"), run(4 * HOUR, 5 * HOUR, "bay.span-1h")
    assert grouped(*runs, cuts=[2 * HOUR]) == [[0], [2, 4]]
    assert grouped(*runs, cuts=[9 * HOUR]) == [[0, 2, 4]]


@pytest.mark.parametrize(
    ("settling_s", "gap_s", "expected_s"),
    [
        (4 * 3600, None, 14_400),
        (600, None, 1800),
        (9 * 3600, None, 14_400),
        (7200, None, 7200),
        (600, 60, 60),
    ],
)
def test_the_gap_is_the_settling_time_within_half_an_hour_and_four(
    settling_s: int, gap_s: int | None, expected_s: int
) -> None:
    zone = Zone("bay", "Bay", (0, 0, 5, 5), settling_s=settling_s, case_gap_s=gap_s)
    assert gap_ns(zone) == expected_s * NS


def numbered(number: int, *runs: Excursion, decided: int | None = None) -> NumberedCase:
    return NumberedCase(number, "bay", tuple((e.rule, e.from_ns, e.to_ns) for e in runs), decided)


def test_bounds_that_move_keep_the_number() -> None:
    """Late readings begin a run ten minutes earlier: the same case, as its runs still overlap."""
    (case,) = give_numbers(
        group([run(HOUR - 10 * MINUTE, 2 * HOUR)], four_hours), [numbered(7, run(HOUR, 2 * HOUR))]
    )
    assert (case.number, case.continued) == (7, ())


def test_two_that_grow_together_keep_the_lower_number() -> None:
    first, second = run(0, HOUR), run(6 * HOUR, 7 * HOUR)
    between = run(3 * HOUR, 4 * HOUR)
    (case,) = give_numbers(
        group([first, between, second], four_hours), [numbered(3, first), numbered(12, second)]
    )
    assert (case.number, case.continued, case.numbers) == (3, (12,), (3, 12))


def test_of_two_parts_one_keeps_the_number_and_the_other_has_none() -> None:
    first, second = run(0, HOUR), run(6 * HOUR, 7 * HOUR)
    parts = give_numbers(
        group([first, second], four_hours), [numbered(3, first, run(3 * HOUR, 4 * HOUR), second)]
    )
    assert [case.number for case in parts] == [3, None]


def test_a_number_goes_with_its_own_rule_before_what_merely_overlaps() -> None:
    """After a cut two cases overlap in time; each keeps the number under which its runs were described."""
    span = run(0, 10 * HOUR, "bay.span-24h")
    late = run(5 * HOUR, 6 * HOUR)
    cases = group([span, late], four_hours, [4 * HOUR])
    assert [c.number for c in give_numbers(cases, [numbered(1, late), numbered(2, span)])] == [2, 1]


def test_a_number_whose_runs_vanished_goes_nowhere() -> None:
    assert (
        give_numbers(group([run(0, HOUR)], four_hours), [numbered(4, run(DAY, DAY + HOUR))])[0].number is None
    )


def test_joined_cases_are_one_with_the_runs_of_both_zones() -> None:
    bay, bench = Case((run(0, HOUR),), 1), Case((run(HOUR, 2 * HOUR, "bench.temperature", "bench"),), 2)
    other = Case((run(DAY, DAY + HOUR),), 5)
    joined = join([bay, bench, other], {2: 1})
    assert [(c.number, c.continued, c.zones) for c in joined] == [
        (1, (2,), ("bay", "bench")),
        (5, (), ("bay",)),
    ]
    chain = join([bay, bench, other], {5: 2, 2: 1})
    assert [(c.number, c.continued) for c in chain] == [(1, (2, 5))]


def period(begin: int, end: int, reason: str) -> Period:
    verdict = {"conforming": "stable", "guard band": "not shown", "indeterminate": "not shown"}.get(
        reason, "not stable"
    )
    return Period("bay", begin, end, verdict, reason)  # type: ignore[arg-type]


def test_time_lost_is_the_union_over_rules_with_its_settling() -> None:
    """Nonconforming from 1 h to 3 h by two rules, settling to 7 h, used from 2 h to 6 h: 4 h lost, once."""
    case = Case((run(HOUR, 3 * HOUR), run(HOUR, 2 * HOUR, "bay.span-1h")), 1)
    day = [
        period(0, HOUR, "conforming"),
        period(HOUR, 3 * HOUR, "nonconforming"),
        period(3 * HOUR, 7 * HOUR, "settling"),
    ]
    lost = lost_time([Event(case, "power", {"bay": 7 * HOUR})], {"bay": day}, {"bay": [(2 * HOUR, 6 * HOUR)]})
    assert [(c.cause, c.cases, c.lost_ns) for c in lost.causes] == [("power", 1, 4 * HOUR)]
    assert (lost.not_stable_ns, lost.rest_ns) == (4 * HOUR, 0)


def test_out_of_use_stands_in_no_cause_and_no_hour() -> None:
    night = Case((run(HOUR, 3 * HOUR, asks=False),), None)
    day = [period(HOUR, 3 * HOUR, "nonconforming"), period(3 * HOUR, 4 * HOUR, "settling")]
    lost = lost_time(
        [Event(night, "weather", {"bay": 4 * HOUR})], {"bay": day}, {"bay": [(6 * HOUR, 9 * HOUR)]}
    )
    assert (lost.not_stable_ns, lost.causes) == (0, ())


@pytest.mark.parametrize("seed", range(30))
def test_causes_not_named_and_rest_are_all_hours_not_stable_in_use(seed: int) -> None:
    """Against the definition written out minute by minute: each is of the last case, or of none."""
    draw = random.Random(seed)
    reasons = ["conforming", "guard band", "nonconforming", "settling", "marked", "indeterminate"]
    edges = sorted(draw.sample(range(1, 3000), 40))
    periods = [
        period(a * MINUTE, b * MINUTE, draw.choice(reasons))
        for a, b in zip([0, *edges], [*edges, 3000], strict=True)
    ]
    spans = sorted(draw.sample(range(3000), 8))
    used = [(a * MINUTE, b * MINUTE) for a, b in zip(spans[::2], spans[1::2], strict=True)]
    events = []
    for number in range(6):
        begin, length, settling = draw.randrange(2500), draw.randrange(1, 300), draw.randrange(300)
        e = run(begin * MINUTE, (begin + length) * MINUTE, asks=draw.random() < 0.8)
        cause = draw.choice(["power", "weather", "no cause yet"])
        events.append(Event(Case((e,), number), cause, {"bay": e.to_ns + settling * MINUTE}))
    expected: dict[str, int] = {}
    for minute in range(3000):
        at = minute * MINUTE
        bad = any(p.from_ns <= at < p.to_ns and p.verdict == "not stable" for p in periods)
        if not bad or not any(a <= at < b for a, b in used):
            continue
        covering = [e for e in events if e.case.in_use and e.case.from_ns <= at < e.settled_ns["bay"]]
        last = max(covering, key=lambda e: e.case.from_ns, default=None)
        cause = "" if last is None else last.cause
        expected[cause] = expected.get(cause, 0) + 1
    lost = lost_time(events, {"bay": periods}, {"bay": used})
    assert {c.cause: c.lost_ns // MINUTE for c in lost.causes if c.lost_ns} == {
        k: n for k, n in expected.items() if k
    }
    assert lost.rest_ns // MINUTE == expected.get("", 0)
    assert lost.not_stable_ns == sum(c.lost_ns for c in lost.causes) + lost.rest_ns


def test_the_third_of_a_cause_in_thirty_days_comes_back_in_use_only() -> None:
    days = (-40, 0, 8, 20)
    events = [Event(Case((run(d * DAY, d * DAY + HOUR),), d), "door or traffic", {}) for d in days]
    assert [case.number for case in repeated(events)] == [20]
    quiet = [Event(Case((run(d * DAY, d * DAY + HOUR, asks=False),), d), "weather", {}) for d in days]
    unnamed = [Event(Case((run(d * DAY, d * DAY + HOUR),), d), "no cause yet", {}) for d in days]
    assert repeated(quiet) == repeated(unnamed) == []


def test_before_and_after_an_action_over_equal_times() -> None:
    """Nine cases and 14 h before, two and 1.5 h after, within 30 days each; others lie outside."""
    at = 100 * DAY
    lengths = [(-d, 14 / 9) for d in range(1, 10)] + [(3, 0.75), (5, 0.75), (-40, 1.0), (40, 1.0)]
    spans = sorted((at + d * DAY, at + d * DAY + round(h * HOUR)) for d, h in lengths)
    cases = [Case((run(*span),), i) for i, span in enumerate(spans)]
    periods = [period(*span, "nonconforming") for span in spans]
    change = before_after("bay", cases, periods, [(0, 200 * DAY)], at_ns=at, now_ns=at + 60 * DAY)
    assert (change.before, change.after, change.days) == (9, 2, 30)
    assert (change.before_h, change.after_h) == (pytest.approx(14), pytest.approx(1.5))
