"""Issues of a record: numbered, immutable, complete, with the same bytes from the same facts."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import shutil
import sqlite3
import tomllib
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from logger.errors import Refused
from logger.record.issuance import render_files
from logger.store import Store

from ..store.conftest import unguarded
from .conftest import Room, opened, tool

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def monday(demo_history: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Files of one record of Monday, for tests that only read them."""
    data = shutil.copytree(demo_history, tmp_path_factory.mktemp("record") / "data")
    out = data.parent / "out"
    with Store.open(data) as store:
        opened(store).issue(out)
    return out


def facts_of(folder: Path) -> Any:
    return json.loads(next(folder.glob("*.json")).read_text("utf-8"))


def by_hand(indication: float) -> float:
    """An indication of P1 corrected by its certificate, read with tomllib alone."""
    points = tomllib.loads((ROOT / "config" / "certificates" / "AG-0411-T.toml").read_text("utf-8"))["points"]
    below = max((p for p in points if p["indication"] <= indication), key=lambda p: p["indication"])
    above = min((p for p in points if p["indication"] > indication), key=lambda p: p["indication"])
    share = (indication - below["indication"]) / (above["indication"] - below["indication"])
    low, high = (p["reference"] - p["indication"] for p in (below, above))
    return float(indication + low + share * (high - low))


@pytest.mark.slow
def test_largest_and_least_are_those_of_the_loggers_file(monday: Path) -> None:
    """The file is read here with csv alone, and corrected by hand."""
    with (ROOT / "sample_logs" / "machine-bay.csv").open(encoding="utf-8", newline="") as lines:
        rows = list(csv.reader(lines))[1:]
    day = [float(r[1]) for r in rows if "2026-10-18T22:00:00Z" <= r[0] < "2026-10-19T22:00:00Z"]
    row = next(s for s in facts_of(monday)["statistics"] if s["channel"] == "P1.temperature")
    assert row["readings"] == len(day) == 1440
    assert row["min"] == pytest.approx(by_hand(min(day)), abs=2e-6)
    assert row["max"] == pytest.approx(by_hand(max(day)), abs=2e-6)


def test_periods_cover_the_interval_and_shares_are_their_sums(monday: Path) -> None:
    facts = facts_of(monday)
    assert (facts["periods"][0]["from"], facts["periods"][-1]["to"]) == (facts["from"], facts["to"])
    assert sum(row["seconds"] for row in facts["shares"]) == 86_400
    assert sum(row["share"] for row in facts["shares"]) == pytest.approx(1.0)


def test_it_says_all_that_a_record_must_say(monday: Path) -> None:
    facts = facts_of(monday)
    assert {
        "room",
        "zone",
        "decision_rule",
        "limits",
        "probes",
        "excursions",
        "gaps",
        "marks",
        "alarms",
    } <= set(facts)
    assert {row["rule"] for row in facts["limits"]} >= {
        "machine-bay.temperature",
        "machine-bay.gradient",
    }
    assert all(row["basis"] for row in facts["limits"])
    numbers = {c["number"] for p in facts["probes"] for c in p["certificates"]}
    assert {"AG-0411-T", "AG-0412-T", "AG-0413-T", "AG-0501-P"} <= numbers
    assert {row["key"]: row["verdict"] for row in facts["inspections"]} == {
        "I-2603": "not stable",
        "I-2604": "not stable",
    }
    assert len(facts["head"]["sha256"]) == len(facts["digest"]) == len(facts["setup"]["digest"]) == 64


def test_readings_are_complete_and_described(monday: Path) -> None:
    content = next(monday.glob("*-readings.csv")).read_bytes()
    rows = list(csv.DictReader(io.StringIO(content.decode())))
    described = next(monday.glob("*-readings.txt")).read_text("utf-8")
    assert len(rows) == 7 * 1440 == facts_of(monday)["readings"]["rows"]
    assert hashlib.sha256(content).hexdigest() == facts_of(monday)["readings"]["sha256"]
    assert [line.split()[0] for line in described.splitlines()] == list(rows[0])
    assert {r["mark"] for r in rows} == {"SIMULATED: no measured data"}
    assert {r["quality"] for r in rows} <= {"pass", "suspect", "fail", "missing", "not evaluated", "conflict"}
    assert "pass" in {r["quality"] for r in rows}
    assert {r["decision"] for r in rows} == {""}
    p1 = next(r for r in rows if r["channel"] == "P1.temperature")
    assert float(p1["corrected"]) - float(p1["value"]) == pytest.approx(-0.01, abs=0.002)


def test_paper_says_what_the_json_says(monday: Path) -> None:
    text = tool("pdftotext", "-layout", next(monday.glob("*.pdf")), "-")[1]
    words = " ".join(text.split())
    for expected in ("Machine bay was stable for", "Almtal Gearworks", "SIMULATED", "I-2604", "Reviewed by"):
        assert expected in words
    assert facts_of(monday)["head"]["sha256"] in text


def test_the_pdf_is_whole_tagged_and_carries_the_readings(monday: Path) -> None:
    pdf = next(monday.glob("*.pdf"))
    assert "No syntax or stream encoding errors found" in tool("qpdf", "--check", pdf)[1]
    assert {"readings.csv", "record.json"} <= set(tool("qpdf", "--list-attachments", pdf)[1].split())
    assert b"pdfaid" in pdf.read_bytes()
    assert b"pdfuaid" in pdf.read_bytes()


def test_the_same_facts_give_the_same_bytes(monday: Path) -> None:
    facts, readings = facts_of(monday), next(monday.glob("*-readings.csv")).read_bytes()
    empty = '<svg xmlns="http://www.w3.org/2000/svg" width="10" height="10"></svg>'
    names = ["chart.svg", "ruler.svg", *(f"strip-{n:03d}.svg" for n in range(len(facts["days"])))]
    drawn = dict.fromkeys(names, empty)
    first, second = render_files(facts, drawn, readings), render_files(facts, drawn, readings)
    assert first == second
    assert first[next(n for n in first if n.endswith(".json"))] == next(monday.glob("*.json")).read_bytes()


@pytest.mark.slow
def test_an_issue_is_kept_numbered_and_journalled(room: Room, tmp_path: Path) -> None:
    first, second = room.issue(tmp_path / "a"), room.issue(tmp_path / "b", "plate-bench")
    assert (first.number, second.number) == (1, 2)
    for name, digest in first.files.items():
        assert hashlib.sha256((first.folder / name).read_bytes()).hexdigest() == digest
        assert (tmp_path / "a" / name).read_bytes() == (first.folder / name).read_bytes()
    entries = [e for e in room.store.journal.entries(kind="record")]
    assert [e.what["record"] for e in entries] == [1, 2]
    assert entries[0].what["files"] == dict(first.files)
    assert room.store.verify().intact


@pytest.mark.slow
def test_a_new_issue_names_the_old_one_and_why_and_the_old_one_stays(room: Room, tmp_path: Path) -> None:
    first = room.issue(tmp_path / "a")
    second = room.issue(tmp_path / "b", replaces=1, why="late readings of P2")
    facts = facts_of(tmp_path / "b")
    assert (facts["issue"]["replaces"], facts["issue"]["why"]) == (1, "late readings of P2")
    assert second.number == 2
    assert all((first.folder / name).exists() for name in first.files)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("more", "words"),
    [({"replaces": 1, "why": ""}, "must say why"), ({"replaces": 9, "why": "late"}, "no record 9")],
    ids=["without a reason", "of one that never was"],
)
def test_a_wrong_replacement_is_refused(room: Room, tmp_path: Path, more: dict[str, Any], words: str) -> None:
    room.issue(tmp_path / "a")
    with pytest.raises(Refused, match=words):
        room.issue(tmp_path / "b", **more)
    assert [e.what["record"] for e in room.store.journal.entries(kind="record")] == [1]


@pytest.mark.slow
def test_a_file_in_the_way_is_never_written_over(room: Room, tmp_path: Path) -> None:
    record = room.issue(tmp_path / "a")
    pdf = next(name for name in record.files if name.endswith(".pdf"))
    blocked = tmp_path / "b"
    blocked.mkdir()
    (blocked / pdf.replace("000001", "000002")).write_text("mine")
    with pytest.raises(Refused, match="is there already; nothing was issued"):
        room.issue(blocked)
    assert room.issue(tmp_path / "c").number == 2
    assert [p.read_text() for p in blocked.iterdir()] == ["mine"]


@pytest.mark.slow
def test_a_run_that_was_cut_off_leaves_no_half_issue(room: Room, tmp_path: Path) -> None:
    leftover = room.store.folder / "records" / "000001"
    leftover.mkdir(parents=True)
    (leftover / "half.pdf").write_bytes(b"%PDF")
    record = room.issue(tmp_path / "a")
    assert sorted(p.name for p in record.folder.iterdir()) == sorted(record.files)


@pytest.mark.slow
def test_a_changed_byte_of_an_issue_and_a_removed_one_are_found(room: Room, tmp_path: Path) -> None:
    """What was handed out must be what is kept: each file by the digest in its journal entry."""
    first, second = (room.issue(tmp_path / name) for name in ("a", "b"))
    assert room.store.verify().faults == ()

    paper = next(first.folder.glob("*.pdf"))
    content = bytearray(paper.read_bytes())
    content[len(content) // 2] ^= 1
    paper.write_bytes(content)
    shutil.rmtree(second.folder)

    faults = room.store.verify().faults
    assert faults[0] == f"file records/000001/{paper.name}: missing, or not as it was issued"
    assert len(faults) == 1 + len(second.files)
    assert all(fault.startswith("file records/000002/") for fault in faults[1:])


ALTERED = {
    "who": "'Radek Sova'",
    "why": "'late'",
    "from_ns": "from_ns + 1",
    "to_ns": "to_ns - 1",
    "at_ns": "at_ns + 1",
    "folder": "'records/000002'",
    "sha256": "replace(sha256, 'a', 'b')",
    "body": "replace(body, 'digest', 'digests')",
    "body ": "'{'",  # no JSON at all
}


@pytest.mark.slow
def test_an_altered_field_of_an_issue_is_found(room: Room, tmp_path: Path) -> None:
    room.issue(tmp_path / "a")
    result = {}
    for column, value in ALTERED.items():
        with closing(sqlite3.connect(room.store.folder / "stillroom.db", isolation_level=None)) as editor:
            with unguarded(editor):
                editor.execute("CREATE TEMP TABLE kept AS SELECT * FROM issue")
                editor.execute(f"UPDATE issue SET {column.strip()} = {value}")  # noqa: S608 (of the table above)
            result[column] = room.store.verify().faults
            with unguarded(editor):
                editor.execute("DELETE FROM issue")
                editor.execute("INSERT INTO issue SELECT * FROM kept")
    assert room.store.verify().faults == ()
    expected = ("record 1: its row is missing, altered, or without its journal entry",)
    assert result == dict.fromkeys(ALTERED, expected)
