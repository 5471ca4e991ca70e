"""Many intervals at once equal each asked alone; lists come in whole or not at all."""

from __future__ import annotations

import csv
import json
import random
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest

from logger.acts import inspections as actions
from logger.config import in_force
from logger.errors import Refused
from logger.inspections.assess import Question, assess, question_of
from logger.inspections.batch import assess_many, outcomes
from logger.inspections.lists import read_list
from logger.instants import NS
from logger.model import Inspection
from logger.store import Store
from logger.verdicts.verdicts import Verdicts

NOW = 1_795_000_000 * NS  # 2026-11-18, after the invented history
HEAD = ["key", "zone", "from", "to", "title", "material", "length_mm", "tolerance_um"]


@pytest.fixture(scope="module")
def verdicts(demo_history: Path) -> Iterator[Verdicts]:
    with Store.open(demo_history) as store:
        yield Verdicts(store, in_force(store.setups.versions()).setup)


def intervals(verdicts: Verdicts, n: int) -> list[Inspection]:
    """Intervals of 5 min to 6 h anywhere in the record, many of them with a length."""
    draw = random.Random(5)
    first, last = verdicts.store.readings.extent() or (0, 0)
    result = []
    for i in range(n):
        begin = draw.randrange(first // NS + 7200, last // NS - 6 * 3600) * NS
        end = begin + draw.randrange(300, 6 * 3600) * NS
        zone = draw.choice(["machine-bay", "plate-bench"])
        length = draw.choice([None, 120.0, 500.0])
        result.append(Inspection(f"L{i:04}", zone, begin, end, "", "", "steel", length, 20.0))
    return result


@pytest.mark.slow
@pytest.mark.parametrize(
    "number", [pytest.param(120, id="short"), pytest.param(1000, id="long", marks=pytest.mark.long)]
)
def test_a_list_is_answered_as_each_alone(verdicts: Verdicts, number: int) -> None:
    """Many intervals: every digest and every µm as asked alone (40 of them); the time is printed."""
    queries = [question_of(job, NOW) for job in intervals(verdicts, number)]
    began = time.perf_counter()
    answers = assess_many(verdicts, queries, NOW)
    print(f"{number} intervals in {time.perf_counter() - began:.1f} s")
    assert [a.place for a in answers] == list(range(number))
    for a in random.Random(6).sample(answers, 40):
        alone = assess(verdicts, queries[a.place], NOW)
        assert a.assessment is not None
        assert a.assessment.to_dict() == alone.to_dict()


@pytest.mark.slow
def test_outcomes_are_those_of_the_whole_answers(verdicts: Verdicts) -> None:
    """What impact lists are made of: the same verdict, reason and temperatures, to the last digit."""
    queries = [question_of(job, NOW) for job in intervals(verdicts, 60)]
    queries.append(Question("attic", 1, 2))
    for answer, short in zip(
        assess_many(verdicts, queries, NOW), outcomes(verdicts, queries, NOW), strict=True
    ):
        assert answer.refused == short.refused
        if answer.assessment is None:
            assert short.outcome is None
            continue
        whole, outcome = answer.assessment, short.outcome
        assert outcome is not None
        assert (whole.check.verdict, whole.check.reason) == (outcome.verdict, outcome.reason)
        assert (whole.tracks is None) == (outcome.tracks is None)
        if whole.tracks is not None and outcome.tracks is not None:
            np.testing.assert_array_equal(whole.tracks.part.value, outcome.tracks.part.value)
            np.testing.assert_array_equal(whole.tracks.scale.value, outcome.tracks.scale.value)
            assert whole.tracks.part.how == outcome.tracks.part.how


@pytest.mark.slow
def test_rows_of_a_table_are_those_of_the_whole_answers(verdicts: Verdicts) -> None:
    """What a record prints of many inspections: the same check with its digest, and the same µm."""
    queries = [*(question_of(job, NOW) for job in intervals(verdicts, 30)), Question("attic", 1, 2)]
    whole, rows = assess_many(verdicts, queries, NOW), assess_many(verdicts, queries, NOW, in_table=True)
    assert [a.refused for a in rows] == [a.refused for a in whole]
    both = [(a.assessment, b.assessment) for a, b in zip(whole, rows, strict=True) if a.assessment]
    assert len(both) == 30
    for answer, short in both:
        assert answer is not None
        assert short is not None
        assert short.check.to_dict() == answer.check.to_dict()
        assert short.check.digest == answer.to_dict()["digest"]
        assert short.thermal == answer.thermal
    assert any(answer.thermal for answer, _ in both if answer)


def test_a_faulty_interval_is_answered_with_its_fault(verdicts: Verdicts) -> None:
    good = question_of(intervals(verdicts, 1)[0], NOW)
    answers = assess_many(verdicts, [good, Question("attic", 1, 2), Question("machine-bay", 1, 2)], NOW)
    assert answers[0].assessment is not None
    assert [bool(a.refused) for a in answers] == [False, True, True]
    assert "attic" in answers[1].refused


def row(job: Inspection) -> list[Any]:
    from logger.instants import rfc3339

    ends = rfc3339(job.from_ns), rfc3339(job.to_ns or 0)
    return [job.key, job.zone, *ends, "Ring", job.material, job.length_mm or "", job.tolerance_um]


@pytest.mark.slow
def test_csv_and_workbook_say_the_same(
    stillroom: Any, demo_copy: Path, verdicts: Verdicts, tmp_path: Path
) -> None:
    """The same list twice: `check --list` judges it, `import` registers it once, and lists equal answers."""
    jobs = intervals(verdicts, 6)
    with (tmp_path / "jobs.csv").open("w", encoding="utf-8", newline="") as lines:
        csv.writer(lines, delimiter=";").writerows([HEAD, *map(row, jobs)])
    book = openpyxl.Workbook()
    for cells in [HEAD, *map(row, jobs)]:
        book.active.append(cells)
    book.save(tmp_path / "jobs.xlsx")
    answers = [
        json.loads(stillroom("check", "--list", tmp_path / name, "--data", demo_copy, "--json").stdout)
        for name in ("jobs.csv", "jobs.xlsx")
    ]
    assert answers[0] == answers[1]
    assert [r["key"] for r in answers[0]] == [j.key for j in jobs]
    result = stillroom("inspection", "import", tmp_path / "jobs.xlsx", "--data", demo_copy, "--json")
    assert {r["key"]: r["digest"] for r in json.loads(result.stdout)} == {
        r["key"]: r["digest"] for r in answers[0]
    }
    again = stillroom("inspection", "import", tmp_path / "jobs.csv", "--data", demo_copy)
    assert again.returncode == 2
    assert "Nothing was registered" in again.stderr


def test_every_fault_of_a_list_is_told(tmp_path: Path) -> None:
    from zoneinfo import ZoneInfo

    file = tmp_path / "jobs.csv"
    file.write_text(
        "key,zone,from,to,length_mm\nA,bay,2026-10-01,2026-10-02,ten\n\nA,bay,soon,2026-10-02,\n"
        "B,bay,2026-10-01,2026-10-02,\nB,bay,2026-10-01,2026-10-02,\n",
        "utf-8",
    )
    with pytest.raises(Refused) as refused:
        read_list(file, ZoneInfo("UTC"))
    assert all(word in str(refused.value) for word in ("row 2", "'ten'", "row 4", "'soon'", "row 6", "row 5"))
    file.write_text("zone;start\nbay;1\n", "utf-8")
    with pytest.raises(Refused, match="columns key, from, to"):
        read_list(file, ZoneInfo("UTC"))


def test_all_or_none_are_registered(demo_copy: Path) -> None:
    with Store.open(demo_copy) as store:
        setup = in_force(store.setups.versions()).setup
        good = Inspection("N1", "machine-bay", NOW - 2 * NS, NOW - NS, "x")
        bad = Inspection("N2", "attic", NOW - 2 * NS, NOW - NS, "x")
        with pytest.raises(Refused):
            actions.add_inspections(store, setup, [good, bad], "Greta Holm")
        assert "N1" not in {j.key for j in actions.inspections(store)}
