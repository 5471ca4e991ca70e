"""Two values for one instant: listed, indeterminate until decided, decided by an act, in any order of
files.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import permutations
from typing import Any

import pytest

from logger.acts import conflicts
from logger.config import example_folder, load
from logger.errors import Refused
from logger.imports import ImportResult
from logger.imports.profile import Column
from logger.instants import NS
from logger.model.reasons import Why
from logger.store import Store
from logger.store.hot import tables
from logger.verdicts.verdicts import Verdicts

Bring = Callable[..., ImportResult]
FIRST = datetime(2026, 10, 12, tzinfo=UTC)
T0 = int(FIRST.timestamp()) * NS
DAY = (T0, T0 + 86_400 * NS)


def day(changed: dict[int, float], minutes: range = range(1440)) -> str:
    """A file of a day, a reading a minute; some minutes read otherwise."""
    rows = [
        f"{FIRST + timedelta(minutes=n):%Y-%m-%dT%H:%M:%SZ},{changed.get(n, 20 + n % 7 / 100):.2f}"
        for n in minutes
    ]
    return "\n".join(["time,temperature", *rows]) + "\n"


def waiting(store: Store) -> list[tuple[int, tuple[float, ...]]]:
    return [((d.taken_ns - T0) // (60 * NS), d.values) for d in conflicts.disagreements(store)]


def test_ten_changed_values_are_ten_conflicts_until_somebody_decides(bring: Bring, store: Store) -> None:
    """Both values kept, none overwritten, those instants held by neither until decided."""
    bring(day({}), store, name="a.csv")
    bring(day({n: 21.5 for n in range(0, 1000, 100)}), store, name="b.csv")
    assert [n for n, _ in waiting(store)] == list(range(0, 1000, 100))
    chosen = conflicts.of_source(conflicts.disagreements(store), "a.csv")
    assert conflicts.decide(store, chosen, "Greta Holm", "b was read from another probe") == 10
    assert waiting(store) == []
    value = store.readings.read("P1.temperature", *DAY)
    assert len(value) == 1440
    assert value.value.max() < 21
    assert len(store.readings.read_stamped("P1.temperature", *DAY)) == 1450
    assert store.verify().intact


def test_none_of_the_values_may_hold(bring: Bring, store: Store) -> None:
    bring(day({}), store, name="a.csv")
    bring(day({5: 21.5}), store, name="b.csv")
    conflicts.decide(
        store, [(d, None) for d in conflicts.disagreements(store)], "Greta Holm", "both are wrong"
    )
    assert len(store.readings.read("P1.temperature", *DAY)) == 1439


def test_a_third_value_opens_the_question_again(bring: Bring, store: Store) -> None:
    bring(day({}), store, name="a.csv")
    bring(day({5: 21.5}), store, name="b.csv")
    conflicts.decide(store, [(d, 21.5) for d in conflicts.disagreements(store)], "Greta Holm", "checked")
    assert store.readings.read("P1.temperature", *DAY).value[5] == 21.5
    bring(day({5: 19.0}), store, name="c.csv")
    assert waiting(store) == [(5, (19.0, 20.05, 21.5))]
    assert len(store.readings.read("P1.temperature", *DAY)) == 1442


def test_what_cannot_be_decided_is_refused_and_changes_nothing(bring: Bring, store: Store) -> None:
    bring(day({}), store, name="a.csv")
    bring(day({5: 21.5}), store, name="b.csv")
    (item,) = conflicts.disagreements(store)
    for chosen, who, why in (
        ([(item, 20.0)], "G", "x"),
        ([(item, 21.5)], "", "x"),
        ([(item, 21.5)], "G", " "),
    ):
        with pytest.raises(Refused):
            conflicts.decide(store, chosen, who, why)
    with pytest.raises(Refused, match="no such conflict"):
        conflicts.decide(store, [], "G", "x")
    assert len(waiting(store)) == 1


def test_a_decision_that_was_altered_is_found(bring: Bring, store: Store) -> None:
    bring(day({}), store, name="a.csv")
    bring(day({5: 21.5}), store, name="b.csv")
    conflicts.decide(store, [(d, 21.5) for d in conflicts.disagreements(store)], "Greta Holm", "checked")
    with store.begin() as conn:
        conn.exec_driver_sql("DROP TRIGGER decision_unchanged")
        conn.execute(tables.decision.update().values(value=20.05))
    assert any("decision" in fault for fault in store.verify().faults)


BAY = tuple(
    Column(f"{p}.{q}", f"{p}.{q}", unit)
    for p in ("P1", "P2", "P3")
    for q, unit in (("temperature", "degC"), ("relative_humidity", "%RH"))
)
NOON = 2 * 1440 - 720  # of the second day: the first one begins with time that is not shown


def bay(changed: dict[int, float]) -> str:
    """Two days of the whole bay, a reading a minute; some minutes of P1 read otherwise."""
    heads = ",".join(["time", *(c.heading for c in BAY)])
    rows = [
        f"{FIRST + timedelta(minutes=n):%Y-%m-%dT%H:%M:%SZ},{changed.get(n, 20.05 + n % 3 / 100):.2f},"
        f"48.{n % 3},20.1{n % 2},47.{n % 4},20.1{n % 4},48.{n % 2}"
        for n in range(2 * 1440)
    ]
    return "\n".join([heads, *rows]) + "\n"


def why_at(verdicts: Verdicts, zone: str, minute: int, now_ns: int) -> set[int]:
    """What a fresh judgement says of the cell that holds a minute."""
    at = T0 + minute * 60 * NS
    result = verdicts.judgement(zone, at, at + 60 * NS, now_ns, refresh=False, alone=True)
    return {int(result.cells["P1.temperature"].why[at // result.grid.step_ns - result.grid.first])}


@pytest.mark.slow
def test_an_instant_is_indeterminate_until_decided_and_judged_again_then(bring: Bring, store: Store) -> None:
    """The stored verdicts follow the decision without anything being told to judge again."""
    config = load(example_folder())
    version = store.setups.put(config.texts, "Greta Holm", "first", "Greta Holm", T0)
    setup = replace(config.setup, version=version)
    verdicts, zone, now = Verdicts(store, setup), "machine-bay", T0 + 3 * 86_400 * NS
    second = T0 // (86_400 * NS) + 1
    bring(bay({}), store, name="a.csv", columns=BAY)
    before = verdicts.periods(zone, *DAY, now), store.verdict_cache.day(zone, second)
    bring(bay({NOON: 20.3}), store, name="b.csv", columns=BAY)
    assert why_at(verdicts, zone, NOON, now) == {Why.CONFLICT}
    verdicts.refresh(zone, now)
    assert store.verdict_cache.day(zone, second) != before[1]
    chosen = conflicts.of_source(conflicts.disagreements(store), "a.csv")
    conflicts.decide(store, chosen, "Greta Holm", "b came from the probe beside it")
    assert why_at(verdicts, zone, NOON, now) == {Why.EVIDENCE}
    assert (verdicts.periods(zone, *DAY, now), store.verdict_cache.day(zone, second)) == before
    assert verdicts.altered_days(zone) == []


FILES = {"a": day({}, range(60)), "b": day({5: 21.5, 6: 20.5}, range(40)), "c": day({5: 19.0}, range(3, 90))}


def test_the_order_of_three_files_does_not_matter(bring: Bring, tmp_path: Any, memory: Any) -> None:
    """The same readings and the same open questions, whichever of them came first."""
    observed = set()
    for n, order in enumerate(permutations(FILES)):
        with Store.open(tmp_path / f"{n}", create=True, simulated=True) as store:
            for name in order:
                bring(FILES[name], store, name=f"{name}.csv")
            value = store.readings.read_stamped("P1.temperature", *DAY)
            values = sorted(zip(value.taken_ns.tolist(), value.value.tolist(), strict=True))
            observed.add((tuple(values), tuple(waiting(store))))
    assert len(observed) == 1


def test_two_imports_of_one_file_side_by_side_store_it_once(bring: Bring, store: Store) -> None:
    """Both have read the file before either stores it; the lock makes the second one look again."""
    from concurrent.futures import ThreadPoolExecutor

    text = day({})
    with ThreadPoolExecutor(2) as pool:
        results = list(pool.map(lambda name: bring(text, store, name=name), ("one.csv", "two.csv")))
    assert sorted(r.stored for r in results) == [0, 1440]
    assert len(store.readings.read_stamped("P1.temperature", *DAY)) == 1440
