"""`stillroom study`: answers with intervals, stored under their digest, as text, JSON, CSV and Parquet."""

from __future__ import annotations

import csv
import hashlib
import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from logger.record.proof import verify_record
from logger.store import Store
from logger.studies.report_issue import issued_reports
from tests.command_line import ROOT, Run

CYCLES = ("study", "cycles", "--zone", "machine-bay")
HUNTING = (*CYCLES, "--from", "2026-10-21T12:00", "--to", "2026-10-23T12:00")


def answer_of(stillroom: Run, room: Path, *words: str | Path) -> dict[str, Any]:
    result = stillroom(*words, "--data", room, "--json")
    assert result.returncode == 0, result.stderr
    answer: dict[str, Any] = json.loads(result.stdout)
    return answer


def figures_of(answer: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {item["name"]: item for item in answer["figures"]}


def test_the_hunting_valve_of_the_demo_is_found(stillroom: Run, room: Path) -> None:
    """Planted in the demo's second week (logger/simulation/history.py): a valve that hunts with 12 min."""
    answer = answer_of(stillroom, room, *HUNTING)
    period = figures_of(answer)["period of cycle 1"]
    assert period["shown"]
    assert period["low"] <= 12.5 <= period["high"] or period["value"] == pytest.approx(12, rel=0.05)
    assert answer["simulated"]
    assert answer["data"][0].startswith("P1.temperature: 48.0 h used")


def test_the_same_question_has_the_same_digest_and_is_stored_once(stillroom: Run, room: Path) -> None:
    """RecordedRequest twice: one row; another interval: another digest."""
    first, second = answer_of(stillroom, room, *HUNTING), answer_of(stillroom, room, *HUNTING)
    assert first == second
    other = answer_of(stillroom, room, *CYCLES, "--from", "2026-10-13", "--to", "2026-10-21")
    assert other["digest"] != first["digest"]
    with Store.open(room) as store:
        stored = [row.digest for row in store.studies.newest("machine-bay")]
        result = store.studies.get(first["digest"][:12])
    assert stored.count(first["digest"]) == 1
    assert result is not None
    assert json.loads(result.body) == first


def test_an_answer_that_is_asked_for_again_leads_again(stillroom: Run, room: Path) -> None:
    """Pages and reports show the newest answer: that of the question asked last, computed now or long ago."""
    first = answer_of(stillroom, room, *HUNTING)
    other = answer_of(stillroom, room, *CYCLES, "--from", "2026-10-13", "--to", "2026-10-21")
    for asked_last in (other, first):
        with Store.open(room) as store:  # as if a day had passed
            for row in store.studies.newest("machine-bay"):
                store.studies.put(replace(row, at_ns=row.at_ns - 86_400 * 10**9))
        words = HUNTING if asked_last is first else (*CYCLES, "--from", "2026-10-13", "--to", "2026-10-21")
        assert answer_of(stillroom, room, *words) == asked_last
        with Store.open(room, read_only=True) as store:
            newest = [row for row in store.studies.newest("machine-bay") if row.question == "cycles"]
        assert newest[0].digest == asked_last["digest"]


def test_a_mark_leaves_time_out_and_changes_the_digest(stillroom: Run, demo_copy: Path) -> None:
    """Time marked as not to be used does not count, and the answer says how many hours that are."""
    before = answer_of(stillroom, demo_copy, *HUNTING)
    span = ("--from", "2026-10-22T08:00", "--to", "2026-10-22T09:30")
    why = ("--why", "door wedged open", "--who", "Greta Holm")
    result = stillroom("mark", "time", "--zone", "machine-bay", *span, *why, "--data", demo_copy)
    assert result.returncode == 0, result.stderr
    after = answer_of(stillroom, demo_copy, *HUNTING)
    assert after["digest"] != before["digest"]
    assert after["data"] == [
        "P1.temperature: 46.5 h used, 0.0 h without readings, left out: 1.5 h marked as not to be used."
    ]


def test_results_are_written_as_csv_and_as_parquet(stillroom: Run, room: Path, tmp_path: Path) -> None:
    """Both forms hold the same rows; the simulated mark travels along."""
    answer = answer_of(stillroom, room, *HUNTING, "--out", str(tmp_path / "csv"))
    answer_of(stillroom, room, *HUNTING, "--out", str(tmp_path / "parquet"), "--parquet")
    first, *rest = (tmp_path / "csv" / "mean-day.csv").read_text().splitlines()
    assert first == f"# study {answer['digest']} SIMULATED DATA"
    rows = list(csv.DictReader(rest))
    table = pq.read_table(tmp_path / "parquet" / "mean-day.parquet")
    assert table.num_rows == len(rows) == 24
    assert table.schema.metadata[b"simulated"] == b"true"
    assert [float(row["mean"]) for row in rows] == pytest.approx(table.column("mean").to_pylist())
    assert json.loads((tmp_path / "csv" / "study.json").read_text()) == answer


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (("--channel", "P9.temperature"), "There is no channel 'P9.temperature'."),
        (("--zone", "attic"), "There is no zone 'attic'."),
        (("--from", "2026-09-01", "--to", "2026-09-10"), "has no reading that counts in this interval"),
        (("--from", "2026-10-14", "--to", "2026-10-13"), "is not before --to"),
    ],
)
def test_bad_input_is_refused_in_a_sentence(
    stillroom: Run, room: Path, words: tuple[str, ...], expected: str
) -> None:
    """What to enter instead; nothing is stored."""
    result = stillroom("study", "cycles", *words, "--data", room)
    assert result.returncode == 2, result.stdout
    assert expected in result.stderr
    assert "Traceback" not in result.stderr


def test_too_short_a_record_says_what_to_record(stillroom: Run, room: Path) -> None:
    """One day: neither cycle nor day nor week, each with what it needs."""
    answer = answer_of(stillroom, room, *CYCLES, "--from", "2026-10-13", "--to", "2026-10-14")
    assert [item["shown"] for item in answer["figures"]] == [False, False, False]
    assert all("Record" in item["needed"] for item in answer["figures"])


DOORS = ("study", "events", "--zone", "machine-bay", "--channel", "P1.temperature")
SITE = ("study", "site", "--zone", "machine-bay", "--volume", "P2.temperature")


def test_doors_come_from_options_and_from_a_file(stillroom: Run, room: Path, tmp_path: Path) -> None:
    """Ten invented doors: the same answer from either; a line of words at the top of the file is skipped."""
    times = [f"2026-10-{13 + i}T{8 + i:02d}:1{i}" for i in range(9)]
    file = tmp_path / "doors.csv"
    file.write_text("time,what\n" + "".join(f"{at},door\n" for at in times), "utf-8")
    first = answer_of(stillroom, room, *DOORS, *(word for at in times for word in ("--event", at)))
    other = answer_of(stillroom, room, *DOORS, "--events", file)
    assert first["digest"] == other["digest"]
    assert "9 events used" in first["remarks"][0] or "of 9 events used" in first["remarks"][0]
    assert figures_of(first)["peak"]["low"] is not None


@pytest.mark.slow
def test_other_questions_answer_or_say_what_they_need(stillroom: Run, room: Path) -> None:
    """Two weeks of the demo: a place for the probe, no hours of the week yet,
    and too few days for a change.
    """
    site = answer_of(stillroom, room, *SITE, "--length-mm", "1000", "--material", "steel")
    rms = site["figures"][0]
    assert rms["shown"]
    assert figures_of(site)["on the length"]["value"] == pytest.approx(11.5 * rms["value"])
    hours = answer_of(stillroom, room, "study", "hours", "--zone", "machine-bay")
    assert hours["figures"][0]["why_not"] == "2 whole weeks with verdicts."
    plan = answer_of(stillroom, room, "study", "plan", "--zone", "machine-bay", "--job", "Ring gear=3")
    assert plan["figures"][0]["why_not"] == "2 weeks with verdicts."
    change = answer_of(
        stillroom, room, "study", "change", "--zone", "machine-bay", "--at", "2026-10-15T12:00"
    )
    assert "whole days before" in change["figures"][0]["why_not"]
    mapping = answer_of(stillroom, room, "study", "map", "--zone", "machine-bay", "--from", "2026-10-13")
    assert mapping["tables"]["positions"]["position"] == ["P1.temperature", "P2.temperature"]
    assert any("not on the volume" in line for line in mapping["remarks"])
    words = (
        "study",
        "return",
        "--zone",
        "machine-bay",
        "--return",
        "2026-10-19T06:51",
        "--return",
        "2026-10-20",
    )
    back = answer_of(stillroom, room, *words)
    assert (
        "returns recorded" in back["figures"][0]["why_not"]
        or "return recorded" in back["figures"][0]["why_not"]
    )
    assert len(back["tables"]["returns"]["hours"]) == 1
    assert "1 return when the zone was stable already: left out." in back["data"]
    causes = answer_of(stillroom, room, "study", "causes", "--zone", "machine-bay")
    assert causes["figures"][0]["why_not"] == "2 weeks recorded."


@pytest.mark.slow
def test_the_stopped_air_handling_of_the_demo_is_a_step(stillroom: Run, room: Path) -> None:
    """Planted (logger/simulation/history.py): fans stop on Monday at 03:38;
    the record says how the room follows.
    """
    span = ("--from", "2026-10-19", "--to", "2026-10-19T06:50", "--step", "2026-10-19T03:38")
    answer = answer_of(stillroom, room, "study", "step", "--zone", "machine-bay", *span)
    figure = answer["figures"][0]
    assert figure["shown"] or figure["needed"]
    assert len(answer["tables"]["steps"]["utc_s"]) == 1


@pytest.mark.slow
@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ((*DOORS, "--event", "noon"), "--event"),
        (DOORS, "--event: enter one or more times"),
        ((*DOORS, "--events", "no-such-file.csv"), "expected a CSV file"),
        ((*SITE, "--permanent", "P2.temperature"), "is in the volume and among the candidates"),
        (("study", "hours", "--hours", "30"), "--hours: expected a whole number from 1 to 24"),
        (("study", "change", "--at", "2020-01-01"), "--at: the time lies outside the interval, 2026-"),
        (("study", "events", "--event", "2020-01-01", "--event", "2020-01-02"), "all 2 times lie outside"),
        (("study", "step", "--step", "2020-01-01"), "--step: the time lies outside the interval"),
        (("study", "cycles", "--from", "2031-01-01", "--to", "2031-02-01"), "which is still to come"),
        (("study", "causes", "--length-mm", "nan"), "--length-mm: expected a number, found nan"),
        (
            ("study", "causes", "--channel", "P1.temperature", "--outdoors", "P1.temperature"),
            "is the channel of the question",
        ),
        (("study", "causes", "--outdoors", "P1.relative_humidity"), "is no temperature"),
        (("study", "map", "--state", "empty"), "--state is that of a campaign"),
        (("study", "map", "--campaign", "map-9"), "There is no campaign 'map-9', and no other."),
        (
            ("study", "return", "--return", "2026-10-19T03:00", "--outdoors-C", "nan"),
            "--outdoors-C: expected",
        ),
        (
            ("study", "return", "--return", "2026-10-19T03:00", "--departure-K", "-3"),
            "--departure-K: expected a number above 0, found -3",
        ),
        (("study", "map", "--before", "yesterday"), "--before: expected START/END"),
        (("study", "map", "--position", "P9.temperature"), "There is no channel"),
        (("study", "plan", "--job", "Ring gear"), "--job: expected a name and whole hours from 1 to 24"),
        (("study", "plan"), "--job: enter one or more jobs"),
        (("study", "plan", "--job", "A=2", "--job", "A=3"), "each name once"),
        (("study", "causes", "--people", "2026-10-19T08:00"), "--people: expected START/END"),
        (
            ("study", "step", "--channel", "P1.temperature", "--follows", "P1.temperature"),
            "cannot follow itself",
        ),
        ((*SITE, "--length-mm", "-3"), "--length-mm: expected a number above 0"),
        ((*SITE, "--length-mm", "1e308"), "expected a number above 0 and up to 1000000, found 1e+308"),
    ],
)
def test_options_that_do_not_fit_are_refused(
    stillroom: Run, room: Path, words: tuple[str, ...], expected: str
) -> None:
    """What to enter instead."""
    result = stillroom(*words, "--data", room)
    assert result.returncode == 2, result.stdout
    assert expected in result.stderr
    assert "Traceback" not in result.stderr


@pytest.mark.slow
def test_a_line_of_events_that_is_no_time_is_named(stillroom: Run, room: Path, tmp_path: Path) -> None:
    """The file, the line and what stands there, not an option that nobody entered."""
    file = tmp_path / "doors.csv"
    file.write_text("time\n2026-10-13T08:00\nhello\n", "utf-8")
    result = stillroom(*DOORS, "--events", file, "--data", room)
    assert result.returncode == 2
    assert f"--events {file}: expected times in the first column" in result.stderr
    assert "line 3 has 'hello'. Nothing was computed." in result.stderr


def test_the_command_line_starts_without_scipy() -> None:
    """scipy takes half a second to load and is asked for by studies alone."""
    code = "import sys, logger.cli.program; sys.exit('scipy' in sys.modules or 'numpy' in sys.modules)"
    result = subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False)
    assert result.returncode == 0


def test_the_report_holds_every_answer_and_its_data(stillroom: Run, room: Path, tmp_path: Path) -> None:
    """A PDF of equal bytes for equal studies, with the studies attached; without a study it is refused."""
    answer = answer_of(stillroom, room, *HUNTING)
    files = [tmp_path / "a.pdf", tmp_path / "b.pdf"]
    for file in files:
        result = stillroom("study", "report", "--zone", "machine-bay", "--out", file, "--data", room)
        assert result.returncode == 0, result.stderr
    first, second = (file.read_bytes() for file in files)
    assert first == second
    assert first.startswith(b"%PDF-1.7")
    assert b"studies.json" in first
    none = stillroom("study", "report", "--zone", "plate-bench", "--out", tmp_path / "c.pdf", "--data", room)
    assert none.returncode == 2
    assert "has no stored study yet" in none.stderr
    assert not (tmp_path / "c.pdf").exists()
    assert answer["digest"]


@pytest.mark.slow
def test_an_issued_report_is_numbered_signed_and_verified(
    stillroom: Run, demo_copy: Path, tmp_path: Path
) -> None:
    """Two issues of one answer: each its number; an altered or missing file is named by verify."""
    answer = answer_of(stillroom, demo_copy, *HUNTING)
    report = (
        "study",
        "report",
        "--zone",
        "machine-bay",
        "--issue",
        "--who",
        "Greta Holm",
        "--data",
        demo_copy,
    )
    for number in (1, 2):
        result = stillroom(*report, "--out", tmp_path / f"{number}.pdf")
        assert result.returncode == 0, result.stderr
        assert f"Study report {number:06d}." in result.stdout
    with Store.open(demo_copy, read_only=True) as store:
        first, second = issued_reports(store, "machine-bay")
        assert verify_record(store, verdicts=False).faults == ()
    assert (first.who, dict(first.answers)) == ("Greta Holm", {"cycles": answer["digest"]})
    assert first.pdf.read_bytes() == (tmp_path / "1.pdf").read_bytes()
    assert json.loads(first.pdf.with_suffix(".json").read_text()) == [answer]
    listed = first.pdf.with_suffix(".sha256")
    assert f"{hashlib.sha256(first.pdf.read_bytes()).hexdigest()}  {first.pdf.name}" in listed.read_text()
    second.pdf.write_bytes(second.pdf.read_bytes() + b" ")
    first.pdf.with_suffix(".json").unlink()
    with Store.open(demo_copy, read_only=True) as store:
        faults = verify_record(store, verdicts=False).faults
    assert [fault for fault in faults if "studies/000002/" in fault and "not as it was issued" in fault]
    assert [fault for fault in faults if "studies/000001/" in fault and fault.endswith("as it was issued")]
