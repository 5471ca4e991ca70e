"""The self-test itself: it passes, it says what it did, and it notices when a constant is another one."""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from logger import __version__
from logger.selftest import as_text, report_files, selftest
from logger.selftest.case import CaseGroup, Result, run
from logger.selftest.report import Report
from tests.command_line import ROOT
from tests.selftest import mutation

FORK = pytest.mark.skipif(not hasattr(__import__("os"), "fork"), reason="mutants need fork")


@pytest.fixture(scope="module")
def report() -> Report:
    return selftest(1_790_000_000 * 10**9)


def test_every_case_passes_and_names_its_source(report: Report) -> None:
    assert [(r.name, r.expected, r.found, r.error) for r in report.failed] == []
    assert len(report.results) > 700
    assert all(r.source and r.group and r.name for r in report.results)


@pytest.mark.slow
def test_the_report_names_program_machine_and_libraries(report: Report) -> None:
    facts = json.loads(report_files(report)["validation.json"])
    assert (facts["version"], facts["passed"], facts["failed"]) == (__version__, True, 0)
    assert facts["python"] == sys.version.split()[0]
    assert set(facts["libraries"]) >= {"numpy", "pyarrow", "cryptography"}
    assert f"{len(report.results)} cases, all passed" in as_text(facts)


def test_the_digest_of_the_report_covers_every_result(report: Report) -> None:
    """SHA-256 of the canonical text without date and duration, taken here anew."""
    facts = report.facts()
    body = {name: value for name, value in facts.items() if name not in ("at", "took_s", "sha256")}
    text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert hashlib.sha256(text.encode()).hexdigest() == facts["sha256"]


@pytest.mark.slow
def test_two_runs_of_one_program_have_one_digest(report: Report) -> None:
    """Whenever they run, and however long they take; another result gives another digest."""
    again = selftest(report.at_ns + 86_400 * 10**9)
    assert again.at_ns != report.at_ns
    assert again.facts()["sha256"] == report.facts()["sha256"]
    other = replace(again, results=(replace(again.results[0], found="other"), *again.results[1:]))
    assert other.facts()["sha256"] != report.facts()["sha256"]


def test_a_case_that_differs_or_raises_does_not_pass() -> None:
    group = CaseGroup("made")
    results = [
        run(group.case("too far", 1.0, lambda: 1.01, 0.001)),
        run(group.case("no number", 1.0, lambda: float("nan"), 9.0)),
        run(group.case("another word", "stable", lambda: "not stable")),
        run(group.case("too few", (1, 2), lambda: (1,))),
        run(group.case("true is not one", 1, lambda: True)),
        run(group.case("raises", 1.0, lambda: 1 / 0)),
    ]
    assert not any(result.passed for result in results)
    assert results[-1].error == "ZeroDivisionError: division by zero"
    assert run(group.case("near enough", 1.0, lambda: 1.001, 0.0011)).passed


def test_a_report_with_a_failure_says_so_first(report: Report) -> None:
    wrong = Result("humidity", "made to fail", "nowhere", 1.0, 2.0, 0.0, False)
    text = as_text(Report("1", 0, 0.0, "x", "3", (), (*report.results, wrong)).facts())
    assert "1 DID NOT PASS" in text
    assert text.index("made to fail") < text.index("passed ")


@pytest.mark.slow
def test_the_command_exits_with_0_and_writes_the_report(
    stillroom: Callable[..., subprocess.CompletedProcess[str]], tmp_path: Path
) -> None:
    outcome = stillroom("selftest", "--out", tmp_path / "v", "--json")
    assert outcome.returncode == 0, outcome.stderr
    assert json.loads(outcome.stdout)["passed"] is True
    assert {p.name for p in (tmp_path / "v").iterdir()} == {
        "validation.txt",
        "validation.json",
        "validation.pdf",
    }
    again = stillroom("selftest", "--out", tmp_path / "v")
    assert (again.returncode, "is there already" in again.stderr) == (2, True)


@pytest.mark.slow
def test_the_command_exits_with_10_where_a_constant_is_another_one(tmp_path: Path) -> None:
    """A copy of the package in which saturation has one digit changed; the same program otherwise."""
    import shutil

    for package in ("logger", "dashboard"):
        ignored = shutil.ignore_patterns("__pycache__")
        shutil.copytree(ROOT / package, tmp_path / package, ignore=ignored)
    path = tmp_path / "logger/core/physics/saturation.py"
    text = path.read_text("utf-8")
    assert text.count("6.5459673") == 1
    path.write_text(text.replace("6.5459673", "6.5459674"), encoding="utf-8")
    line = [sys.executable, "-m", "logger.cli", "selftest"]
    outcome = subprocess.run(line, capture_output=True, text=True, cwd=tmp_path, timeout=600, check=False)
    assert outcome.returncode == 10, outcome.stderr
    assert re.search(r"FAILED saturation pressure: hyland-wexler over water", outcome.stdout)


@pytest.mark.slow
@FORK
def test_a_sample_of_mutants_is_found() -> None:
    """Twenty, the same each time, in a process that has imported nothing of ours."""
    line = [sys.executable, "-m", "tests.selftest.mutation", "--sample", "20"]
    outcome = subprocess.run(line, capture_output=True, text=True, cwd=ROOT, timeout=6000, check=False)
    assert outcome.returncode == 0, outcome.stdout + outcome.stderr


@pytest.mark.long
@FORK
def test_every_mutant_is_found() -> None:
    line = [sys.executable, "-m", "tests.selftest.mutation"]
    outcome = subprocess.run(line, capture_output=True, text=True, cwd=ROOT, timeout=3600, check=False)
    print(outcome.stdout)
    assert outcome.returncode == 0, outcome.stdout + outcome.stderr


def test_reasons_excuse_mutants_that_exist() -> None:
    """A list of equivalents that outlives its lines would hide new ones."""
    there = {m.name for m in mutation.every()}
    assert sorted(set(mutation.equivalents()) - there) == []
