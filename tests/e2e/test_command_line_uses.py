"""The four uses, one after the other, through the real command line, and that their answers agree."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from datetime import datetime
from pathlib import Path
from typing import Any

BAY, MONDAY = ("--zone", "machine-bay"), ("--from", "2026-10-19", "--to", "2026-10-20")


def seconds(period: dict[str, Any]) -> float:
    return (datetime.fromisoformat(period["to"]) - datetime.fromisoformat(period["from"])).total_seconds()


def test_the_four_uses_agree_with_each_other(installed: Any, demo_copy: Path, tmp_path: Path) -> None:
    def ask(*arguments: object) -> Any:
        result = installed(*arguments, "--data", demo_copy, "--json")
        assert result.returncode in {0, 10, 11}, result.stderr
        return json.loads(result.stdout)

    # Is the room fit? No service runs on this copy, so no alarm waits for anybody.
    assert ask("alarm", "list") == []
    # Did it support this inspection?
    jobs = {job["key"]: job for job in ask("inspection", "list")}
    checked = ask("check", *BAY, "--from", jobs["I-2603"]["from"], "--to", jobs["I-2603"]["to"])
    assert checked["verdict"] == jobs["I-2603"]["verdict"] == "not stable"
    # What happened? Every minute of an excursion is a minute that was not stable.
    periods = ask("verdicts", *BAY, *MONDAY)
    broken = [p for p in periods if p["reason"] == "nonconforming"]
    excursions = ask("excursion", "list", *BAY, *MONDAY)
    assert len(excursions) == 3
    for run in excursions:
        assert any(p["from"] <= run["from"] and run["to"] <= p["to"] for p in broken)
    # Prove it: the record says the same, and issuing it is part of the record.
    issued = ask("record", "issue", *BAY, *MONDAY, "--out", tmp_path / "out", "--who", "Greta Holm")
    facts = json.loads(next((tmp_path / "out").glob("*.json")).read_text("utf-8"))
    spent = Counter[str]()
    for period in periods:
        spent[period["reason"]] += round(seconds(period))
    assert {row["reason"]: row["seconds"] for row in facts["shares"]} == dict(spent)
    assert {row["key"]: row["verdict"] for row in facts["inspections"]} == {
        key: jobs[key]["verdict"] for key in ("I-2603", "I-2604")
    }
    for name, digest in issued["files"].items():
        assert hashlib.sha256((tmp_path / "out" / name).read_bytes()).hexdigest() == digest
    assert ask("verify")["intact"]
