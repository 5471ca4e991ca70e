"""A setup that is in force, though it could not be entered any more, says so wherever it is used."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from dashboard.data.queries import Queries
from dashboard.data.source import Source
from dashboard.pages import limits
from logger.api import create_api
from logger.config import example_folder, in_force, read_texts
from logger.instants import NS
from logger.model import Row
from logger.model.roles import Scope
from logger.people import Tokens
from logger.record.facts import record_facts
from logger.record.interval import Interval
from logger.record.words import _approval_rows
from logger.store import Store
from logger.verdicts.verdicts import Verdicts

BEGIN_NS = 1_792_483_200 * NS  # 2026-10-20T08:00Z
WHERE = ("--zone", "machine-bay", "--from", "2026-10-20T08:00Z", "--to", "2026-10-20T09:00Z")
SAYS = ("Setup version 1 is in force, though it would no longer be accepted", "leans 60° from plumb")


@pytest.fixture
def older(tmp_path: Path) -> Path:
    """A record whose setup an earlier version of the program accepted: a pair that leans is no vertical."""
    texts = read_texts(example_folder())
    old, new = "gradient_pair_K_per_m = 0.25", "gradient_vertical_K_per_m = 0.5"
    assert old in texts["limits.toml"]
    texts["limits.toml"] = texts["limits.toml"].replace(old, new)
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        store.setups.put(texts, "Greta Holm", "first", "Ines Faber", BEGIN_NS)
        taken = [BEGIN_NS + minute * 60 * NS for minute in range(60)]
        store.append("import", [Row("P1.temperature", t, t, 20.0, source="loggers") for t in taken])
    return tmp_path / "data"


def test_a_check_says_that_the_setup_in_force_could_not_be_entered(stillroom: Any, older: Path) -> None:
    """In words and as data, beside the answer; the digest covers the answer alone."""
    text = stillroom("check", *WHERE, "--data", older).stdout
    assert all(words in text for words in SAYS)
    (note,) = json.loads(stillroom("check", *WHERE, "--data", older, "--json").stdout)["setup_notices"]
    assert all(words in note for words in SAYS)


def test_every_interval_of_a_list_says_it(stillroom: Any, older: Path, tmp_path: Path) -> None:
    """Once below the lines, and beside each row of the data."""
    jobs = tmp_path / "jobs.csv"
    jobs.write_text("zone,from,to\nmachine-bay,2026-10-20T08:00Z,2026-10-20T08:30Z\n", "utf-8")
    text = stillroom("check", "--list", jobs, "--data", older).stdout
    assert all(words in text for words in SAYS)
    (row,) = json.loads(stillroom("check", "--list", jobs, "--data", older, "--json").stdout)
    assert all(words in row["setup_notices"][0] for words in SAYS)


def test_a_machine_that_asks_for_a_verdict_gets_it_too(older: Path) -> None:
    """Over HTTP, by the same field as on the command line."""
    now_ns = BEGIN_NS + 7200 * NS
    with Store.open(older) as store:
        token = Tokens(store).add("cmm", {Scope.VERDICTS}, "test")[1]
        client = create_api(store, lambda: now_ns).test_client()
        answer = client.get(
            "/api/v1/zones/machine-bay/verdict",
            query_string={"from": "2026-10-20T08:00:00Z", "to": "2026-10-20T09:00:00Z"},
            headers={"Authorization": f"Bearer {token}"},
        ).get_json()
    assert all(words in answer["setup_notices"][0] for words in SAYS)


def test_a_record_that_is_issued_says_it(older: Path) -> None:
    """In its data and in the first table of its pages."""
    span = Interval("machine-bay", BEGIN_NS, BEGIN_NS + 3600 * NS, BEGIN_NS + 7200 * NS)
    with Store.open(older) as store:
        setup = in_force(store.setups.versions()).setup
        facts = record_facts(store, Verdicts(store, setup), setup, span)
    assert all(words in facts["setup"]["notices"][0] for words in SAYS)
    rows = _approval_rows(facts["setup"], BEGIN_NS, ZoneInfo("Europe/Vienna"))
    assert [text for name, text in rows if name == "Setup in force"] == facts["setup"]["notices"]


def test_the_check_of_a_configuration_names_what_is_in_force_beside_it(stillroom: Any, older: Path) -> None:
    """The folder is sound; the record beside it is not by the same rules."""
    words = ("config", "check", "--config", example_folder(), "--data", older)
    result = stillroom(*words)
    assert result.returncode == 0
    assert all(words in result.stdout for words in SAYS)
    assert len(json.loads(stillroom(*words, "--json").stdout)["in_force"]) == 1


def test_page_limits_says_it(older: Path) -> None:
    source = Source(older)
    try:
        page = str(limits.layout(Queries(source), ""))
    finally:
        source.store.close()
    assert all(words in page for words in SAYS)


@pytest.mark.slow
def test_the_service_says_it_when_it_starts(older: Path) -> None:
    """One line a fault in its log; it runs all the same."""
    command = [sys.executable, "-m", "logger.cli", "run", "--data", str(older), "--who", "Greta Holm"]
    service = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    deadline = threading.Timer(120, service.kill)  # of a machine that hangs
    deadline.start()
    try:
        assert service.stdout is not None
        lines = []
        for line in service.stdout:
            lines.append(line)
            if SAYS[0] in line:
                break
        assert service.poll() is None, lines
    finally:
        deadline.cancel()
        service.terminate()
        service.communicate(timeout=600)
    assert all(words in lines[-1] for words in SAYS)


def test_a_setup_that_could_be_entered_today_says_nothing(stillroom: Any, tmp_path: Path) -> None:
    """Neither in the check of a configuration nor as data."""
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        store.setups.put(read_texts(example_folder()), "Greta Holm", "first", "Ines Faber", BEGIN_NS)
    words = ("config", "check", "--config", example_folder(), "--data", tmp_path / "data", "--json")
    assert json.loads(stillroom(*words).stdout)["in_force"] == []
