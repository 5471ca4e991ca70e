"""The demo's earlier weeks: what logger/simulation/earlier_weeks.py plants is what is found."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from logger.simulation.demo_studies import studies
from logger.simulation.earlier_weeks import FROM_NS, TO_NS, WEEKS, earlier_weeks
from logger.studies.questions import QUESTIONS
from tests.command_line import Run, run_installed

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The data folder of the demo with all its weeks."""
    data = tmp_path_factory.mktemp("weeks") / "data"
    result = run_installed("demo", "--history-only", "--data", data)
    assert result.returncode == 0, result.stderr
    return data


@pytest.fixture(scope="module")
def answers(stillroom: Run, folder: Path) -> dict[str, dict[str, Any]]:
    """Question -> answer, as the demo asks them."""
    data = folder
    spoken = [stillroom(*words, "--json") for words in studies(Path(data))]
    assert [item.stderr for item in spoken if item.returncode] == []
    bodies = [json.loads(item.stdout) for item in spoken]
    cases = stillroom("case", "list", "--zone", "machine-bay", "--to", "2026-10-12", "--data", data, "--json")
    rows = json.loads(cases.stdout)
    rows = rows["cases"] if isinstance(rows, dict) else rows
    return {body["question"]: body for body in bodies} | {"cases": {"rows": rows}}


def figure(answer: dict[str, Any], name: str) -> dict[str, Any]:
    result: dict[str, Any] = next(item for item in answer["figures"] if item["name"] == name)
    return result


def holds(item: dict[str, Any], planted: float) -> bool:
    return bool(item["shown"] and item["low"] <= planted <= item["high"])


def test_the_weeks_are_the_same_each_time() -> None:
    """24 weeks of minutes, from one seed."""
    first, second = earlier_weeks(), earlier_weeks()
    assert len(first.at_s) * 60 == WEEKS * 7 * 86_400 == (TO_NS - FROM_NS) // 10**9
    assert all((first.columns[name] == second.columns[name]).all() for name in first.columns)


def test_each_planted_cause_is_found(answers: dict[str, dict[str, Any]]) -> None:
    """Cycle 14 min ±0.06 K; sun film −0.15 K with the weather taken out; doors +0.20 K that decay in 12 min.

    The probe (45 s) and the means of a minute take 5 % of the doors' peak and of the cycle's amplitude.
    """
    cycles, change, events = (answers[name] for name in ("cycles", "change", "events"))
    assert figure(cycles, "period of cycle 1")["value"] == pytest.approx(14.0, rel=0.01)
    assert figure(cycles, "amplitude of cycle 1")["value"] == pytest.approx(0.06, rel=0.1)
    assert holds(figure(change, "shift of the daily mean"), -0.15)
    assert figure(events, "peak")["value"] == pytest.approx(0.20, rel=0.06)
    assert figure(events, "decay")["value"] == pytest.approx(12, rel=0.12)


def test_what_to_mend_first_is_the_set_back(answers: dict[str, dict[str, Any]]) -> None:
    """The set-back is by far the largest: the day and the week come first, in K and µm; then outdoors."""
    causes = answers["causes"]
    assert causes["headline"].startswith(
        "Start with what follows the day and the week (set-back, working hours, sun): without it, "
    )
    assert "µm on 1000 mm of steel" in causes["headline"]
    assert figure(causes, "outdoors")["shown"]
    assert figure(causes, "doors")["shown"]
    assert figure(causes, "day and week")["value"] > figure(causes, "outdoors")["value"]


def test_when_to_measure_and_when_to_start(answers: dict[str, dict[str, Any]]) -> None:
    """Jobs lie in the working days, and the returns of Monday have a bound."""
    starts = answers["plan"]["tables"]["jobs"]["start"]
    assert all(start[:3] in ("Mon", "Tue", "Wed", "Thu", "Fri") for start in starts)
    assert min(answers["plan"]["tables"]["jobs"]["promise"]) > 85
    assert answers["hours"]["figures"][0]["shown"]
    assert len(answers["return"]["tables"]["returns"]["hours"]) == 12


def test_no_figure_is_printed_without_an_interval_or_a_reason(
    stillroom: Run, answers: dict[str, dict[str, Any]], folder: Path
) -> None:
    """All questions, on the demo: in JSON, in the words of the command, and on the page of the report."""
    place = ("--zone", "machine-bay", "--data", folder, "--json")
    inside = ("--from", "2026-10-13", "--to", "2026-10-20")
    others = (
        ("study", "step", "--from", "2026-10-19", "--to", "2026-10-20", "--step", "2026-10-19T03:38", *place),
        ("study", "step", "--channel", "P2.temperature", "--follows", "P1.temperature", *inside, *place),
        ("study", "site", "--volume", "P2.temperature", "--permanent", "P1.temperature", *inside, *place),
        ("study", "map", *inside, *place),
    )
    bodies = [json.loads(stillroom(*words).stdout) for words in others]
    bodies += [body for question, body in answers.items() if question != "cases"]
    assert {body["question"] for body in bodies} == set(QUESTIONS)
    bare = [
        (body["question"], item["name"])
        for body in bodies
        for item in body["figures"]
        if item["shown"] and not item["no_interval"] and None in (item["low"], item["high"])
    ]
    assert bare == []
    for body in bodies:
        for item in body["figures"]:
            if item["shown"] and item["low"] is None:
                assert f"no interval: {item['no_interval']}" in item["text"]
            elif not item["shown"]:
                assert item["why_not"] in item["text"]


def test_every_earlier_case_was_closed(answers: dict[str, dict[str, Any]]) -> None:
    """A room that is looked after has no open case of before."""
    rows = answers["cases"]["rows"]
    assert len(rows) > 10
    assert [row for row in rows if row.get("number") and row.get("state") not in ("closed", None)] == []
