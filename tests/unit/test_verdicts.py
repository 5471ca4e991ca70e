"""Stored verdicts stay true: any order of arrival, late data, marks, and refused intervals."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from logger.errors import IntervalError, UnknownName
from logger.model import NS, Period, Row, Setup
from logger.store import Store
from logger.store.tables import mark
from logger.verdicts import Verdicts


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "data", create=True, simulated=True) as opened:
        yield opened


@pytest.fixture
def setup(made: SimpleNamespace) -> Setup:
    span = made.rule(
        name="span in 1 h", kind="span", window_s=3600, lower=None, upper=0.9, unit="K", disturbs=False
    )
    return made.setup((made.rule(), span), settling_s=2 * 3600)


def rows(made: SimpleNamespace, values: np.ndarray) -> list[Row]:
    """One row a minute from the start of the test's day."""
    first = made.at(0) + 30 * NS
    taken = [first + i * 60 * NS for i in range(len(values))]
    return [Row("T1.temperature", t, t, float(v)) for t, v in zip(taken, values, strict=True)]


@pytest.fixture
def two_days(made: SimpleNamespace) -> list[Row]:
    values = 20.0 + 0.2 * np.sin(np.arange(2880) / 100)
    values[500:560] = 21.4
    values[1430:1450] = 21.6
    return rows(made, values)


def told(verdicts: Verdicts, made: SimpleNamespace, now: int) -> list[Period]:
    return verdicts.periods("bay", made.at(0), made.at(48), now)


def test_the_order_of_arrival_does_not_matter(
    store: Store, setup: Setup, made: SimpleNamespace, two_days: list[Row], tmp_path: Path
) -> None:
    """Batches in random order, judged after each, end with the periods of one import."""
    now = made.at(72)
    with Store.open(tmp_path / "once", create=True, simulated=True) as once:
        once.append("w", two_days)
        expected = told(Verdicts(once, setup), made, now)
    verdicts = Verdicts(store, setup)
    rng = np.random.default_rng(7)
    for batch in rng.permutation(12):
        store.append("w", two_days[batch * 240 : (batch + 1) * 240])
        told(verdicts, made, now)
    assert told(verdicts, made, now) == expected
    assert len(expected) > 5


def test_live_minutes_end_as_the_whole_record(
    store: Store, setup: Setup, made: SimpleNamespace, two_days: list[Row], tmp_path: Path
) -> None:
    """Judged every 20 min while readings arrive; what is not provisional never differs from one go."""
    verdicts = Verdicts(store, setup)
    for i in range(0, 2880, 20):
        store.append("w", two_days[i : i + 20])
        verdicts.judge_live(made.at(0) + (i + 20) * 60 * NS)
    with Store.open(tmp_path / "once", create=True, simulated=True) as once:
        once.append("w", two_days)
        expected = told(Verdicts(once, setup), made, made.at(48))
    assert told(verdicts, made, made.at(48)) == expected


def test_late_data_changes_what_was_not_shown(
    store: Store, setup: Setup, made: SimpleNamespace, two_days: list[Row]
) -> None:
    gap = two_days[1000:1100]
    store.append("w", [r for r in two_days if r not in gap])
    verdicts = Verdicts(store, setup)
    before = verdicts.check("bay", made.at(17), made.at(18), made.at(72), pre_window_s=0)
    store.append("late", gap)
    after = verdicts.check("bay", made.at(17), made.at(18), made.at(72), pre_window_s=0)
    assert (before.verdict, after.verdict) == ("not shown", "stable")
    assert before.to_json()["digest"] != after.to_json()["digest"]


def test_a_mark_makes_its_time_not_stable(
    store: Store, setup: Setup, made: SimpleNamespace, two_days: list[Row]
) -> None:
    store.append("w", two_days)
    verdicts = Verdicts(store, setup)
    assert verdicts.check("bay", made.at(3), made.at(4), made.at(72), pre_window_s=0).verdict == "stable"
    with store.begin() as conn:
        values = {
            "zone": "bay",
            "from_ns": made.at(3.5),
            "to_ns": made.at(3.6),
            "reason": "door held open",
            "who": "R",
        }
        conn.execute(mark.insert().values(**values))
    found = verdicts.check("bay", made.at(3), made.at(4), made.at(72), pre_window_s=0)
    assert (found.verdict, found.causes[0].reason) == ("not stable", "marked")


def test_an_excursion_over_midnight_is_one(
    store: Store, setup: Setup, made: SimpleNamespace, two_days: list[Row]
) -> None:
    store.append("w", two_days)
    found = [
        e
        for e in Verdicts(store, setup).excursions("bay", made.at(0), made.at(48), made.at(72))
        if e.rule == "bay.temperature"
    ]
    assert [(e.to_ns - e.from_ns) // (60 * NS) for e in found] == [60, 20]
    assert found[1].from_ns < made.at(24) < found[1].to_ns
    assert found[1].exceedance == pytest.approx(0.6 * 20 / 60, abs=1e-6)


@pytest.mark.parametrize(
    ("start", "end", "words"),
    [(4, 3, "not after its start"), (1, 100, "in the future"), (-5, 1, "before the record")],
)
def test_an_interval_that_cannot_be_judged_says_why(
    store: Store,
    setup: Setup,
    made: SimpleNamespace,
    two_days: list[Row],
    start: float,
    end: float,
    words: str,
) -> None:
    store.append("w", two_days)
    with pytest.raises(IntervalError, match=words):
        Verdicts(store, setup).check("bay", made.at(start), made.at(end), made.at(72))


def test_up_to_now_is_answered_from_the_complete_minutes(
    store: Store, setup: Setup, made: SimpleNamespace, two_days: list[Row]
) -> None:
    store.append("w", two_days[:300])
    verdicts = Verdicts(store, setup)
    now = made.at(5) + 20 * NS
    found = verdicts.check("bay", made.at(4), now, now, pre_window_s=0)
    assert (found.verdict, found.provisional) == ("stable", True)
    with pytest.raises(IntervalError, match="present minute"):
        verdicts.check("bay", made.at(5) + NS, now, now)


def test_a_period_that_lasts_for_months_keeps_its_beginning(
    store: Store, setup: Setup, made: SimpleNamespace, two_days: list[Row]
) -> None:
    store.append("w", two_days)
    verdicts = Verdicts(store, setup)
    verdicts.refresh("bay", made.at(0, day=200))
    found = verdicts.current("bay")
    assert found is not None
    assert (found.reason, found.from_ns) == ("indeterminate", made.at(48))


def test_an_unknown_zone_names_those_that_there_are(
    store: Store, setup: Setup, made: SimpleNamespace
) -> None:
    with pytest.raises(UnknownName, match=r"There is no zone 'dock'\. The setup has: bay\."):
        Verdicts(store, setup).periods("dock", made.at(0), made.at(1), made.at(2))


def test_the_statement_says_what_a_person_would(
    store: Store, setup: Setup, made: SimpleNamespace, two_days: list[Row]
) -> None:
    store.append("w", two_days[:501])
    Verdicts(store, setup).judge_live(two_days[500].taken_ns + 31 * NS)
    body = json.loads(store.live()["bay"])
    assert body["sentence"] == "Bay is not stable."
    assert body["since"] == "2026-03-10T08:20:00Z"
    assert body["next_step"] == (
        "span in 1 h at T1 is 1.60 K, 0.70 K beyond 0.9. Hold measurements in this zone."
    )
