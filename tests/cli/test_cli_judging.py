"""`check`, `verdicts`, `excursion list` and `inspection list` through the real command line.

What must come out is stated in sample_logs/README.md and in the column `expected` of
sample_logs/inspections.csv, both written with the history and not by the judge.
"""

from __future__ import annotations

import csv
import re
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

SAMPLES = Path(__file__).resolve().parents[2] / "sample_logs"
with (SAMPLES / "inspections.csv").open(encoding="utf-8", newline="") as _lines:
    INSPECTIONS = {row["key"]: row for row in csv.DictReader(_lines)}
EXIT_OF = {"stable": 0, "not stable": 10, "not shown": 11}
# Key -> (reason, rule, probe, a word of the explanation) that must be among the reasons of the interval.
WHY = {
    "I-2603": ("nonconforming", "machine-bay.temperature", "P2", ""),
    "I-2604": ("settling", "machine-bay.temperature", "", "settle"),
    "I-2605": ("indeterminate", "machine-bay.temperature", "P1", "no reading"),
    "I-2606": ("indeterminate", "plate-bench.temperature", "P6", "overdue"),
}
INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z")
CHECK_KEYS = {
    *("verdict", "from", "to", "zone", "pre_window_s", "decision_rule", "reasons", "statistics"),
    *("digest", "setup", "software"),
}
REASON_KEYS = {"reason", "rule", "probe", "from", "to", "worst", "limit", "U", "unit", "proven", "basis"}
REASONS = {"nonconforming", "marked", "settling", "indeterminate", "guard band", "conforming"}


def check(ask: Any, key: str, *more: object) -> tuple[int, Any]:
    job = INSPECTIONS[key]
    code, answer = ask("check", "--zone", job["zone"], "--from", job["from"], "--to", job["to"], *more)
    return code, answer


@pytest.mark.slow
@pytest.mark.parametrize("key", INSPECTIONS)
def test_each_sample_inspection_has_the_verdict_that_was_planted(ask: Any, key: str) -> None:
    code, answer = check(ask, key)
    assert answer["verdict"] == INSPECTIONS[key]["expected"]
    assert code == EXIT_OF[answer["verdict"]]


@pytest.mark.parametrize("key", WHY)
def test_a_verdict_comes_with_its_reason(ask: Any, key: str) -> None:
    reason, rule, probe, word = WHY[key]
    _, answer = check(ask, key)
    inside = [r for r in answer["reasons"] if not r["pre_window"]]
    assert any(
        (r["reason"], r["rule"], r["probe"]) == (reason, rule, probe) and word in r["why"] for r in inside
    ), inside


def test_the_answer_of_check_has_the_agreed_shape(ask: Any) -> None:
    _, answer = check(ask, "I-2603")
    assert set(answer) >= CHECK_KEYS
    assert all(set(r) >= REASON_KEYS for r in answer["reasons"])
    assert all(INSTANT.fullmatch(r[end]) for r in (answer, *answer["reasons"]) for end in ("from", "to"))
    assert {r["reason"] for r in answer["reasons"]} <= REASONS
    for row in answer["statistics"].values():
        assert {"min", "max", "mean", "span", "share_conforming"} <= set(row)


def test_the_worst_value_of_the_excursion_is_the_one_that_was_planted(ask: Any) -> None:
    """sample_logs/README.md: column top P2 up to 20.97 degC, bridge table P1 to 20.83 degC, corrected."""
    _, answer = ask(
        "check", "--zone", "machine-bay", "--from", "2026-10-19T04:00", "--to", "2026-10-19T09:00"
    )
    worst = max(
        r["worst"] for r in answer["reasons"] if r["rule"] == "machine-bay.temperature" and r["worst"]
    )
    assert worst == pytest.approx(20.97, abs=0.005)
    assert answer["statistics"]["P1.temperature"]["max"] == pytest.approx(20.83, abs=0.005)


def test_room_time_offset_and_utc_name_the_same_interval(ask: Any) -> None:
    spellings = [
        ("2026-10-13T13:00", "2026-10-13T15:30"),
        ("2026-10-13T13:00:00+02:00", "2026-10-13T15:30:00+02:00"),
        ("2026-10-13T11:00:00Z", "2026-10-13T13:30:00Z"),
    ]
    answers = [ask("check", "--zone", "machine-bay", "--from", a, "--to", b)[1] for a, b in spellings]
    assert answers[0] == answers[1] == answers[2]


def test_the_pre_window_is_the_rules_alone(ask: Any) -> None:
    """The 1 h span was broken in the 2 h before I-2604; with no pre-window, settling alone is left."""
    _, answer = check(ask, "I-2604", "--pre-window-s", 0)
    assert {r["reason"] for r in answer["reasons"]} == {"settling"}
    assert answer["pre_window_s"] == 0


def test_verdicts_cover_the_day_of_25_hours_without_a_hole(ask: Any) -> None:
    code, answer = ask("verdicts", "--zone", "machine-bay", "--from", "2026-10-25", "--to", "2026-10-26")
    assert code == 0
    assert answer[0]["from"] == "2026-10-24T22:00:00Z"
    assert answer[-1]["to"] == "2026-10-25T23:00:00Z"
    assert all(a["to"] == b["from"] for a, b in pairwise(answer))
    spent = [datetime.fromisoformat(p["to"]) - datetime.fromisoformat(p["from"]) for p in answer]
    assert sum(s.total_seconds() for s in spent) == 25 * 3600


def test_time_before_the_record_and_the_minute_that_runs_are_not_shown(ask: Any) -> None:
    """sample_logs/README.md: the record begins at 2026-10-11T22:00Z."""
    clock = datetime.now(UTC)
    now, just_now = (f"{t:%Y-%m-%dT%H:%M:%S}Z" for t in (clock, clock - timedelta(seconds=1)))
    for start in ("2026-10-10T00:00:00Z", just_now):
        _, answer = ask("verdicts", "--zone", "machine-bay", "--from", start, "--to", now)
        assert (answer[0]["from"], answer[-1]["to"]) == (start, now)
        assert all(a["to"] == b["from"] for a, b in pairwise(answer))
        ends = (answer[0], answer[-1])
        assert {(p["verdict"], p["reason"]) for p in ends} == {("not shown", "indeterminate")}
    assert answer[-1]["provisional"]


def test_verdicts_have_the_agreed_shape(ask: Any) -> None:
    _, answer = ask("verdicts", "--zone", "machine-bay", "--from", "2026-10-19", "--to", "2026-10-20")
    keys = {"zone", "from", "to", "verdict", "reason", "rule", "probe", "provisional"}
    assert all(set(p) == keys and p["reason"] in REASONS for p in answer)
    assert {p["verdict"] for p in answer} == {"stable", "not stable", "not shown"}
    assert not any(p["provisional"] for p in answer)


def test_the_excursion_of_monday_is_listed_with_its_worst_value(ask: Any) -> None:
    _, answer = ask("excursion", "list", "--zone", "machine-bay")
    worst = max((e for e in answer if e["rule"] == "machine-bay.temperature"), key=lambda e: e["worst"])
    assert worst["worst"] == pytest.approx(20.97, abs=0.005)
    assert worst["proven"]
    assert worst["from"] == "2026-10-19T02:57:00Z"
    assert {"P1", "P2"} == set(worst["probes"])


def test_inspections_are_listed_with_their_verdicts(ask: Any) -> None:
    _, answer = ask("inspection", "list")
    assert {row["key"]: row["verdict"] for row in answer} == {
        key: row["expected"] for key, row in INSPECTIONS.items()
    }


def test_a_person_reads_inspections_in_the_time_of_the_room(stillroom: Any, demo_history: Path) -> None:
    """Times with their offset, and of the µm which is the error and which its U."""
    lines = stillroom("inspection", "list", "--data", demo_history).stdout.splitlines()
    (heads,) = (line for line in lines if "verdict" in line)
    (row,) = (line for line in lines if "I-2603" in line)
    assert "error ± U, µm" in heads
    assert "2026-10-19 06:00 +02:00  2026-10-19 07:00 +02:00" in row
    assert re.search(r"−?\d+\.\d\d ± \d+\.\d\d", row)
    assert not any(re.search(r"\dT\d\d:\d\d:\d\dZ", line) for line in lines)


def test_a_person_reads_a_sentence_first(stillroom: Any, demo_history: Path) -> None:
    arguments = ("--zone", "machine-bay", "--from", "2026-10-19T06:00", "--to", "2026-10-19T07:00")
    result = stillroom("check", *arguments, "--data", demo_history)
    first, second, message, fourth, heads, *rest = result.stdout.splitlines()
    assert first == "Machine bay, 2026-10-19 06:00 +02:00 to 07:00: not stable (nonconforming)."
    assert (second, fourth, heads.split()[0]) == ("", "", "reason")
    value = re.match(
        r"  Temperature ([\d.]+) ± [\d.]+ °C at P2, [\d.]+ K above 20.5 °C; 2026-10-19 06:00", message
    )
    assert value is not None
    assert float(value[1]) == pytest.approx(20.97, abs=0.005)  # sample_logs/README.md
    assert rest[0].split()[:3] == ["nonconforming", "temperature", "P2"]  # the name of the rule, not its key


def test_the_register_names_what_is_overdue(ask: Any) -> None:
    """sample_logs/README.md: the certificate of P6 was due on 2026-10-21."""
    code, answer = ask("probe", "list", "--at", "2026-10-22")
    assert code == 0
    rows = {row["channel"]: row for row in answer}
    assert len(rows) == 13
    overdue = rows["P6.temperature"]
    assert (overdue["status"], overdue["due"], overdue["days_left"]) == ("overdue", "2026-10-21", -1)
    assert (overdue["serial"], overdue["position"], overdue["complete"]) == ("AG-0416", "Bench air", False)
    assert rows["P1.temperature"]["complete"]
    assert rows["P1.temperature"]["certificate"]["errors"] == [0.02, 0.01, 0.03, 0.04]
    _, before = ask("probe", "list", "--at", "2026-10-21T23:00")
    assert {row["channel"]: row["status"] for row in before}["P6.temperature"] == "due"


def test_excursions_say_whether_they_ask_for_a_decision(ask: Any) -> None:
    """The Monday excursion reaches into the hours of use, from 06:00 local on; both say it."""
    _, answer = ask("excursion", "list", "--zone", "machine-bay")
    assert [row["asks_disposition"] for row in answer] != []
    assert all(isinstance(row["asks_disposition"], bool) for row in answer)
    worst = max((row for row in answer if row["rule"] == "machine-bay.temperature"), key=lambda r: r["worst"])
    assert worst["asks_disposition"]
