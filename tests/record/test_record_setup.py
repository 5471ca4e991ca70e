"""A record says which setup judged it: who approved it, what was corrected, and limits by their time."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Any

import pytest

from logger.acts import setup as approval
from logger.config import in_force
from logger.instants import parse
from logger.record.issuance import issue
from logger.record.words import page
from logger.store import Store
from logger.verdicts.verdicts import Verdicts


def issued(store: Store, out: Path) -> Any:
    """The facts of a record of Tuesday the 20th."""
    from zoneinfo import ZoneInfo

    zone = ZoneInfo("Europe/Vienna")
    setup = in_force(store.setups.versions()).setup
    day = (parse("2026-10-20", zone), parse("2026-10-21", zone))
    verdicts = Verdicts(store, setup)
    issue(store, verdicts, setup, "machine-bay", *day, out, "Greta Holm", time.time_ns())
    return json.loads(next(out.glob("*.json")).read_text("utf-8"))


@pytest.mark.slow
def test_a_corrected_entry_error_is_said_in_each_record_that_it_touches(
    demo_copy: Path, tmp_path: Path
) -> None:
    """A plain change begins at its approval and is not in a record of October; a correction reaches back."""
    now_ns = time.time_ns()
    with Store.open(demo_copy) as store:
        texts = dict(store.setups.versions()[0].texts)

        def put(old: str, new: str, file: str, *, correction: bool) -> None:
            texts[file] = texts[file].replace(old, new, 1)
            number = approval.propose(store, texts, "Greta", f"{new} it is", now_ns, correction=correction)
            approval.approve(store, number, "Ines", "", now_ns)

        put("single_person = false", "single_person = true", "room.toml", correction=False)
        put("span_1h_K = 0.5", "span_1h_K = 0.4", "limits.toml", correction=False)
        plain = issued(store, tmp_path / "plain")
        put("upper_degC = 20.5", "upper_degC = 20.6", "limits.toml", correction=True)
        touched = issued(store, tmp_path / "touched")

    def upper(facts: Any, rule: str) -> list[float]:
        return [row["upper"] for row in facts["limits"] if row["rule"] == rule]

    assert upper(plain, "machine-bay.span-1h") == [0.5], "October stays under its own limit"
    assert plain["setup"]["corrections"] == []
    assert plain["setup"]["single_person"]
    assert upper(touched, "machine-bay.temperature") == [20.6]
    (entry,) = touched["setup"]["corrections"]
    assert (entry["version"], entry["author"], entry["approver"]) == (4, "Greta", "Ines")
    assert [v["version"] for v in touched["setup"]["versions"]] == [1, 2, 3, 4]
    assert touched["zone"]["hours_of_use"] == "Mon-Fri 06:00-22:00; Sat 07:00-12:00"
    assert sum(row["share_in_use"] for row in touched["shares"]) > 0.999


@pytest.mark.slow
def test_a_channel_that_never_had_a_certificate_is_said_and_stops_no_record(
    demo_copy: Path, tmp_path: Path
) -> None:
    """P3 stands in the bay without any certificate: the record is issued, and its pages and JSON say so."""
    now_ns = time.time_ns()
    with Store.open(demo_copy) as store:
        first = store.setups.versions()[0].texts
        texts = {name: text for name, text in first.items() if not _of_p3(name, text)}
        assert len(texts) < len(first)
        number = approval.propose(store, texts, "Greta", "no paper of P3", now_ns, correction=True)
        approval.approve(store, number, "Ines", "", now_ns)
        facts = issued(store, tmp_path / "out")
        paper = page({**facts, "issue": facts["issue"]})
    (probe,) = [p for p in facts["probes"] if p["probe"] == "P3"]
    assert probe["certificates"] == []
    assert "P3.temperature" in probe["without_certificate"]
    assert all(p["without_certificate"] == [] for p in facts["probes"] if p["probe"] != "P3")
    (section,) = [s for s in paper["sections"] if s["title"] == "Probes, certificates and corrections"]
    assert [row[1] for row in section["rows"] if isinstance(row, list) and row[0] == "P3.temperature"] == [
        "no certificate"
    ]


def _of_p3(name: str, text: str) -> bool:
    return name.startswith("certificates/") and '"P3.' in text
