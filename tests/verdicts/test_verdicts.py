"""Stored verdicts stay true: any order of arrival, late data, marks, and refused intervals."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from logger.core.validity.versions import Version, effective_setup
from logger.errors import IntervalError, UnknownName
from logger.instants import NS
from logger.model import Period, Row, Setup
from logger.store import Store
from logger.store.hot.tables import mark
from logger.verdicts.comparison import compare_stored
from logger.verdicts.forecast_gains import ForecastGains
from logger.verdicts.ledger import Ledger
from logger.verdicts.live_verdicts import LiveVerdicts
from logger.verdicts.verdicts import Verdicts


@pytest.fixture
def setup(build: SimpleNamespace) -> Setup:
    span = build.rule(
        name="span in 1 h", kind="span", window_s=3600, lower=None, upper=0.9, unit="K", disturbs=False
    )
    return build.setup((build.rule(), span), settling_s=2 * 3600)


def rows(build: SimpleNamespace, values: np.ndarray) -> list[Row]:
    """One row a minute from the start of the test's day."""
    first = build.at(0) + 30 * NS
    taken_ns = [first + i * 60 * NS for i in range(len(values))]
    return [Row("T1.temperature", t, t, float(v)) for t, v in zip(taken_ns, values, strict=True)]


@pytest.fixture
def two_days(build: SimpleNamespace) -> list[Row]:
    values = 20.0 + 0.2 * np.sin(np.arange(2880) / 100)
    values[500:560] = 21.4
    values[1430:1450] = 21.6
    return rows(build, values)


def periods_of(verdicts: Verdicts, build: SimpleNamespace, now: int) -> list[Period]:
    return verdicts.periods("bay", build.at(0), build.at(48), now)


def test_the_order_of_arrival_does_not_matter(
    store: Store, setup: Setup, build: SimpleNamespace, two_days: list[Row], tmp_path: Path
) -> None:
    """Batches in random order, judged after each, end with the periods of one import."""
    now = build.at(72)
    with Store.open(tmp_path / "once", create=True, simulated=True) as once:
        once.append("w", two_days)
        expected = periods_of(Verdicts(once, setup), build, now)
    verdicts = Verdicts(store, setup)
    rng = np.random.default_rng(7)
    for batch in rng.permutation(12):
        store.append("w", two_days[batch * 240 : (batch + 1) * 240])
        periods_of(verdicts, build, now)
    assert periods_of(verdicts, build, now) == expected
    assert len(expected) > 5


@pytest.mark.slow
def test_live_minutes_end_as_the_whole_record(
    store: Store, setup: Setup, build: SimpleNamespace, two_days: list[Row], tmp_path: Path
) -> None:
    """Judged every 20 min while readings arrive; what is not provisional never differs from one go."""
    verdicts = Verdicts(store, setup)
    live = LiveVerdicts(verdicts)
    for i in range(0, 2880, 20):
        store.append("w", two_days[i : i + 20])
        live.judge(build.at(0) + (i + 20) * 60 * NS)
    with Store.open(tmp_path / "once", create=True, simulated=True) as once:
        once.append("w", two_days)
        expected = periods_of(Verdicts(once, setup), build, build.at(48))
    assert periods_of(verdicts, build, build.at(48)) == expected


def test_readings_within_a_minute_judge_no_day_again(
    store: Store, setup: Setup, build: SimpleNamespace, two_days: list[Row], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As probes are polled: batches come within the minute, the judge every 5 s. Stored is the same."""
    verdicts, day = Verdicts(store, setup), two_days[:700]
    live = LiveVerdicts(verdicts)
    store.append("w", day)
    live.judge(build.at(0) + 700 * 60 * NS)
    begun: list[object] = []
    judge_in_parts = Ledger.judge_in_parts
    monkeypatch.setattr(Ledger, "judge_in_parts", lambda *args: begun.append(args) or judge_in_parts(*args))
    for minute in range(700, 706):
        for second in range(5, 65, 5):
            if second in {20, 40}:
                taken_ns = build.at(0) + (minute * 60 + second - 3) * NS
                store.append("w", [Row("T1.temperature", taken_ns, taken_ns, 20.0 + minute / 1000)])
            now = build.at(0) + (minute * 60 + second) * NS
            live.judge(now)
            if second in {20, 40, 60}:
                compared = compare_stored(Verdicts(store, setup).ledger, "bay")
                assert not compared.wrong
                assert not compared.open_days
                begun.pop()
    assert begun == []


def test_nothing_new_asks_the_store_once(
    store: Store, setup: Setup, build: SimpleNamespace, two_days: list[Row], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The judge comes every five seconds: what was journalled since says whether there is anything to do."""
    store.append("w", two_days[:100])
    verdicts, now = Verdicts(store, setup), build.at(0) + 100 * 60 * NS
    live = LiveVerdicts(verdicts)
    live.judge(now)
    questions: list[int] = []
    read = store._database.read
    monkeypatch.setattr(store._database, "read", lambda: questions.append(1) or read())
    live.judge(now + 5 * NS)
    assert len(questions) == 1
    store.append("w", two_days[100:101])
    live.judge(now + 40 * NS)
    assert len(questions) > 2


def test_late_data_changes_what_was_not_shown(
    store: Store, setup: Setup, build: SimpleNamespace, two_days: list[Row]
) -> None:
    gap = two_days[1000:1100]
    store.append("w", [r for r in two_days if r not in gap])
    verdicts = Verdicts(store, setup)
    before = verdicts.check("bay", build.at(17), build.at(18), build.at(72), pre_window_s=0)
    store.append("late", gap)
    after = verdicts.check("bay", build.at(17), build.at(18), build.at(72), pre_window_s=0)
    assert (before.verdict, after.verdict) == ("not shown", "stable")
    assert before.to_dict()["digest"] != after.to_dict()["digest"]


def test_a_mark_makes_its_time_not_stable(
    store: Store, setup: Setup, build: SimpleNamespace, two_days: list[Row]
) -> None:
    store.append("w", two_days)
    verdicts = Verdicts(store, setup)
    assert verdicts.check("bay", build.at(3), build.at(4), build.at(72), pre_window_s=0).verdict == "stable"
    with store.begin() as conn:
        values = {
            "zone": "bay",
            "from_ns": build.at(3.5),
            "to_ns": build.at(3.6),
            "reason": "door held open",
            "who": "R",
        }
        conn.execute(mark.insert().values(**values))
    result = verdicts.check("bay", build.at(3), build.at(4), build.at(72), pre_window_s=0)
    assert (result.verdict, result.causes[0].reason) == ("not stable", "marked")


def test_an_excursion_over_midnight_is_one(
    store: Store, setup: Setup, build: SimpleNamespace, two_days: list[Row]
) -> None:
    store.append("w", two_days)
    result = [
        e
        for e in Verdicts(store, setup).excursions("bay", build.at(0), build.at(48), build.at(72))
        if e.rule == "bay.temperature"
    ]
    assert [(e.to_ns - e.from_ns) // (60 * NS) for e in result] == [60, 20]
    assert result[1].from_ns < build.at(24) < result[1].to_ns
    assert result[1].exceedance == pytest.approx(0.6 * 20 / 60, abs=1e-6)


@pytest.mark.parametrize(
    ("start", "end", "words"),
    [(4, 3, "not after its start"), (1, 100, "in the future"), (-5, 1, "before the record")],
)
def test_an_interval_that_cannot_be_judged_says_why(
    store: Store,
    setup: Setup,
    build: SimpleNamespace,
    two_days: list[Row],
    start: float,
    end: float,
    words: str,
) -> None:
    store.append("w", two_days)
    with pytest.raises(IntervalError, match=words):
        Verdicts(store, setup).check("bay", build.at(start), build.at(end), build.at(72))


def test_up_to_now_is_answered_from_the_complete_minutes(
    store: Store, setup: Setup, build: SimpleNamespace, two_days: list[Row]
) -> None:
    store.append("w", two_days[:300])
    verdicts = Verdicts(store, setup)
    now = build.at(5) + 20 * NS
    result = verdicts.check("bay", build.at(4), now, now, pre_window_s=0)
    assert (result.verdict, result.provisional) == ("stable", True)
    with pytest.raises(IntervalError, match="present minute"):
        verdicts.check("bay", build.at(5) + NS, now, now)


def test_a_period_that_lasts_for_months_keeps_its_beginning(
    store: Store, setup: Setup, build: SimpleNamespace, two_days: list[Row]
) -> None:
    store.append("w", two_days)
    verdicts = Verdicts(store, setup)
    verdicts.refresh("bay", build.at(0, day=200))
    result = verdicts.current("bay")
    assert result is not None
    assert (result.reason, result.from_ns) == ("indeterminate", build.at(48))


def test_an_unknown_zone_names_those_that_there_are(
    store: Store, setup: Setup, build: SimpleNamespace
) -> None:
    with pytest.raises(UnknownName, match=r"There is no zone 'dock'\. The setup has: bay\."):
        Verdicts(store, setup).periods("dock", build.at(0), build.at(1), build.at(2))


def test_the_statement_says_what_a_person_would(
    store: Store, setup: Setup, build: SimpleNamespace, two_days: list[Row]
) -> None:
    store.append("w", two_days[:501])
    LiveVerdicts(Verdicts(store, setup)).judge(two_days[500].taken_ns + 31 * NS)
    body = json.loads(store.verdict_cache.live()["bay"])
    assert body["sentence"] == "Bay is not stable."
    assert body["since"] == "2026-03-10T08:20:00Z"
    assert body["next_step"] == ("Span in 1 h 1.60 K at T1, 0.70 K above 0.9 K. Stop measuring in this zone.")


def judged_days(
    store: Store, setup: Setup, build: SimpleNamespace, now: int
) -> tuple[list[Period], list[int]]:
    """Periods of the two days, and the days whose pieces were judged for it."""
    verdicts, days = Verdicts(store, setup), []
    put = store.verdict_cache.put_days
    store.verdict_cache.put_days = lambda zone, pieces, statement=None: (  # type: ignore[method-assign]
        days.extend(d for d in pieces if d >= 0),
        put(zone, pieces, statement),
    )[1]  # type: ignore[method-assign]
    result = periods_of(verdicts, build, now)
    del store.verdict_cache.put_days  # type: ignore[method-assign]
    return result, [d - build.at(0) // (86400 * NS) for d in days]


def versions(*setups: tuple[Setup, int]) -> Setup:
    """What is in force after several versions, each with its approval."""
    return effective_setup([Version(replace(s, version=i + 1), at) for i, (s, at) in enumerate(setups)])


def test_a_stricter_limit_from_the_second_day_leaves_the_first(
    store: Store, setup: Setup, build: SimpleNamespace, two_days: list[Row]
) -> None:
    """The old verdicts stay under the old limit, and are not even judged again."""
    store.append("w", two_days)
    before, _ = judged_days(store, setup, build, build.at(72))
    strict = replace(setup, rules=(replace(setup.rules[0], upper=20.1), setup.rules[1]))
    both = versions((setup, 0), (strict, build.at(30)))
    after, days = judged_days(store, both, build, build.at(72))
    assert 0 not in days
    assert 1 in days
    cut = [replace(p, to_ns=min(p.to_ns, build.at(30))) for p in before if p.from_ns < build.at(30)]
    assert [p for p in after if p.to_ns <= build.at(29)] == [p for p in cut if p.to_ns <= build.at(29)]
    late = [p for p in after if p.from_ns >= build.at(30)]
    assert any(p.reason == "nonconforming" and p.rule == "bay.temperature" for p in late)


@pytest.mark.slow
def test_words_alone_judge_nothing_again(
    store: Store, setup: Setup, build: SimpleNamespace, two_days: list[Row]
) -> None:
    store.append("w", two_days)
    before, _ = judged_days(store, setup, build, build.at(72))
    better = tuple(replace(r, basis="said better") for r in setup.rules)
    spoken = replace(setup, digest="another", rules=better)
    after, days = judged_days(store, versions((setup, 0), (spoken, build.at(30))), build, build.at(72))
    assert (after, days) == (before, [])


def test_an_excursion_over_a_change_names_the_limit_at_its_worst(
    store: Store, setup: Setup, build: SimpleNamespace
) -> None:
    """21.5 for four hours; the limit of 21 becomes 21.2 after two: the worst is before, 0.5 beyond 21."""
    store.append("w", rows(build, np.where((np.arange(600) >= 120) & (np.arange(600) < 360), 21.5, 20.0)))
    wider = replace(setup, rules=(replace(setup.rules[0], upper=21.2), setup.rules[1]))
    verdicts = Verdicts(store, versions((setup, 0), (wider, build.at(4))))
    (result,) = [
        e
        for e in verdicts.excursions("bay", build.at(0), build.at(10), build.at(72))
        if e.rule == "bay.temperature"
    ]
    assert (result.from_ns, result.to_ns, result.limit) == (build.at(2), build.at(6), 21.0)
    assert result.exceedance == pytest.approx(0.5 * 2 + 0.3 * 2, abs=1e-6)
    check = verdicts.check("bay", build.at(1), build.at(9), build.at(72), pre_window_s=0)
    assert [(r.rule, r.limit) for r in check.rules if r.rule == "bay.temperature"] == [
        ("bay.temperature", 21.0),
        ("bay.temperature", 21.2),
    ]
    # Within [1 h, 9 h): 1 h and 3 h at 20 degC of 8 h; 20 ± 0.2 lies inside both guarded limits.
    assert check.statistics[0].share_conforming == pytest.approx(4 / 8)


@pytest.mark.slow
def test_settings_change_in_the_middle_of_a_day(
    store: Store, setup: Setup, build: SimpleNamespace, two_days: list[Row], tmp_path: Path
) -> None:
    """Settling of 2 h becomes 4 h at 10:00, while it runs; live and in one go agree."""
    longer = replace(setup, zones={"bay": replace(setup.zones["bay"], settling_s=4 * 3600)})
    both = versions((setup, 0), (longer, build.at(10)))
    verdicts = Verdicts(store, both)
    live = LiveVerdicts(verdicts)
    for i in range(0, 2880, 45):
        store.append("w", two_days[i : i + 45])
        live.judge(build.at(0) + (i + 45) * 60 * NS)
    with Store.open(tmp_path / "once", create=True, simulated=True) as once:
        once.append("w", two_days)
        expected = periods_of(Verdicts(once, both), build, build.at(48))
    result = periods_of(verdicts, build, build.at(48))
    assert result == expected
    settled = [p.to_ns for p in result if p.reason == "settling"]
    # The bay left its limits until minutes 560 and 1450; the settling time in force counts from there.
    assert settled == [build.at(560 / 60 + 4), build.at(1450 / 60 + 4)]


def test_resolution_as_it_was_set(build: SimpleNamespace, store: Store) -> None:
    """A coarser resolution widens U from its approval on; before, the readings keep theirs."""
    fine = build.setup((build.rule(upper=20.5),), U=0.2)
    coarse = build.setup((build.rule(upper=20.5),), U=0.2, channel={"resolution": 0.5})
    store.append("w", rows(build, np.full(600, 20.25)))
    result = Verdicts(store, versions((fine, 0), (coarse, build.at(5)))).periods(
        "bay", build.at(1), build.at(9), build.at(72)
    )
    # U = 2·√(0.1² + 0.5²/12) = 0.351 > 0.25.
    assert [(p.reason, p.to_ns) for p in result] == [("conforming", build.at(5)), ("guard band", build.at(9))]


def test_an_edited_verdict_is_found_by_its_day(
    store: Store, setup: Setup, build: SimpleNamespace, two_days: list[Row]
) -> None:
    """Stored verdicts can be made again from the readings: what was written into them by hand shows."""
    store.append("w", two_days)
    verdicts = Verdicts(store, setup)
    verdicts.refresh("bay", build.at(72))
    assert verdicts.altered_days("bay") == []
    day = build.at(0) // (86_400 * NS)
    stored = store.verdict_cache.day("bay", day)
    assert stored is not None
    altered = stored[1].replace("nonconforming", "conforming")
    store.verdict_cache.put_days("bay", {day: (stored[0], altered)})
    assert verdicts.altered_days("bay") == ["2026-03-10"]


def test_a_record_keeps_its_first_day_while_it_grows(
    store: Store, setup: Setup, build: SimpleNamespace, two_days: list[Row]
) -> None:
    """Tests that look back at arriving readings do not move the beginning of the record."""
    verdicts = Verdicts(store, setup)
    live = LiveVerdicts(verdicts)
    for i in range(0, 60, 20):
        store.append("w", two_days[i : i + 20])
        live.judge(build.at(0) + (i + 20) * 60 * NS)
    result = verdicts.current("bay")
    assert result is not None
    assert result.from_ns == build.at(0)


def test_only_the_newest_of_many_days_is_told(
    store: Store, setup: Setup, build: SimpleNamespace, two_days: list[Row]
) -> None:
    """Two days and months of silence are judged in several goes: the statement is of now alone."""
    store.append("w", two_days)
    output, put = [], store.verdict_cache.put_days
    noting = lambda zone, days, body=None: (output.append(body), put(zone, days, body))[1]  # noqa: E731
    store.verdict_cache.put_days = noting  # type: ignore[method-assign]
    LiveVerdicts(Verdicts(store, setup)).judge(build.at(0, day=200))
    assert len(output) > 2
    assert [body is not None for body in output] == [False] * (len(output) - 1) + [True]
    assert json.loads(store.verdict_cache.live()["bay"])["at"] == "2026-09-26T00:00:00Z"


@pytest.mark.slow
def test_an_import_within_the_minute_that_was_just_judged_leaves_the_record_intact(
    store: Store, setup: Setup, build: SimpleNamespace, two_days: list[Row]
) -> None:
    """Days that were open when they were judged become final with those that a late import judges again."""
    setup = build.setup(setup.rules, channel={"flat_n": 8})
    verdicts, now = Verdicts(store, setup), build.at(120)
    store.append("w", two_days[:1200])
    verdicts.refresh("bay", build.at(20) + 30 * NS)
    verdicts.refresh("bay", now)
    late = [replace(row, taken_ns=row.taken_ns + 72 * 3600 * NS) for row in two_days]
    store.append("late", [row for row in late if row.taken_ns < now])
    Verdicts(store, setup).refresh("bay", now)
    assert Verdicts(store, setup).altered_days("bay") == []
    days = verdicts.stored_days("bay", build.at(0), build.at(48))
    assert [p.from_ns for day in days for p in day.periods if p.provisional] == []


@pytest.mark.slow
def test_a_probe_that_fell_silent_leaves_the_days_after_it_final(
    store: Store, setup: Setup, build: SimpleNamespace
) -> None:
    """A run of equal values cannot go on after a gap longer than `max_age`: it keeps no later day open."""
    store.append("w", rows(build, np.full(1200, 20.0)))
    verdicts = Verdicts(store, build.setup(setup.rules, channel={"flat_n": 8}))
    for hour in (20, 24, 90):
        verdicts.refresh("bay", build.at(hour))
    assert [p.from_ns for p in periods_of(verdicts, build, build.at(90)) if p.provisional] == []


@pytest.mark.slow
def test_the_first_minute_of_a_day_does_not_wait_for_the_forecasts(
    store: Store,
    setup: Setup,
    build: SimpleNamespace,
    two_days: list[Row],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Where another job measures what forecasts gain, the judge does not; then both say the same."""
    store.append("w", two_days)
    now_ns = build.at(48) + 60 * NS
    live = LiveVerdicts(Verdicts(store, setup), measures_gains=False)
    with monkeypatch.context() as patch:
        patch.setattr(ForecastGains, "today", lambda *_: pytest.fail("measured by the judge"))
        live.judge(now_ns)
    assert json.loads(store.verdict_cache.live()["bay"])["forecast"] == "not shown: not measured yet"
    live.use_gains(ForecastGains(Verdicts(store, setup)).measure_all(now_ns))
    live.judge(now_ns + 60 * NS)
    text = json.loads(store.verdict_cache.live()["bay"])
    LiveVerdicts(Verdicts(store, setup)).judge(now_ns + 120 * NS)
    alone = json.loads(store.verdict_cache.live()["bay"])
    assert text["forecast"] == alone["forecast"] != "not shown: not measured yet"
