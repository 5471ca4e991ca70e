"""`verify`, `export`, `import` and `config` through the real command line."""

from __future__ import annotations

import csv
import hashlib
import json
import sqlite3
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from ..store.conftest import edit

SAMPLES = Path(__file__).resolve().parents[2] / "sample_logs"


def test_an_untouched_record_is_intact(ask: Any) -> None:
    """sample_logs/README.md: together 262 380 rows."""
    code, answer = ask("verify")
    assert (code, answer["intact"], answer["faults"]) == (0, True, [])
    assert answer["readings"] == 262_380
    assert len(answer["head"]["sha256"]) == 64


def test_a_changed_byte_of_the_archive_is_found_and_named(stillroom: Any, demo_copy: Path) -> None:
    file = next(demo_copy.rglob("*.parquet"))
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1
    file.chmod(0o600)
    file.write_bytes(content)
    result = stillroom("verify", "--data", demo_copy)
    assert result.returncode == 10
    assert result.stdout.startswith("Verification FAILED:")
    assert file.name in result.stdout


def test_a_changed_journal_entry_is_found_and_named(stillroom: Any, demo_copy: Path) -> None:
    edit(demo_copy, "UPDATE journal SET who = 'somebody else' WHERE number = 2")
    result = stillroom("verify", "--data", demo_copy, "--json")
    assert result.returncode == 10
    assert any("journal entry 2" in fault for fault in json.loads(result.stdout)["faults"])


@pytest.mark.slow
def test_an_edited_verdict_is_found_by_judging_again(stillroom: Any, demo_copy: Path) -> None:
    """Verdicts are made from verified evidence and stand outside the chain: an edit is named with its day."""
    assert stillroom("verify", "--data", demo_copy).returncode == 0
    with sqlite3.connect(demo_copy / "stillroom.db") as db:
        broken = "SELECT day, body FROM piece WHERE zone = 'machine-bay' AND body LIKE '%nonconforming%'"
        day, body = db.execute(broken).fetchone()
        edited = body.replace("nonconforming", "conforming")
        db.execute("UPDATE piece SET body = ? WHERE zone = 'machine-bay' AND day = ?", (edited, day))
    db.close()
    text = str(date(1970, 1, 1) + timedelta(days=day))

    assert stillroom("verify", "--no-verdicts", "--data", demo_copy).returncode == 0
    result = stillroom("verify", "--data", demo_copy, "--json")
    assert result.returncode == 10
    (fault,) = json.loads(result.stdout)["faults"]
    assert fault.startswith(f"verdicts of zone machine-bay, {text}:")


def test_a_damaged_file_is_broken_and_no_traceback(stillroom: Any, demo_copy: Path) -> None:
    (demo_copy / "stillroom.db").write_bytes(b"this is no database" * 300)
    result = stillroom("verify", "--data", demo_copy)
    assert result.returncode == 10
    assert "stillroom.db" in result.stdout
    assert "Traceback" not in result.stderr


@pytest.mark.slow
def test_an_export_holds_what_the_logger_wrote(ask: Any, tmp_path: Path) -> None:
    """The exported indications of P1 are those of the logger's own file, read here with csv alone."""
    code, answer = ask("export", "--out", tmp_path / "out")
    assert (code, answer["readings"]) == (0, 262_380)
    with (SAMPLES / "machine-bay.csv").open(encoding="utf-8", newline="") as lines:
        written = [float(row[1]) for row in list(csv.reader(lines))[1:]]
    with (tmp_path / "out" / "readings" / "P1.temperature.csv").open(encoding="utf-8", newline="") as lines:
        exported = list(csv.DictReader(lines))
    assert [float(row["value"]) for row in exported] == written
    assert {row["unit"] for row in exported} == {"degC"}


def test_the_manifest_of_an_export_agrees_with_its_files(ask: Any, tmp_path: Path) -> None:
    ask("export", "--out", tmp_path / "out", "--from", "2026-10-19", "--to", "2026-10-20")
    manifest = json.loads((tmp_path / "out" / "manifest.json").read_text("utf-8"))
    for name, digest in manifest.items():
        assert hashlib.sha256((tmp_path / "out" / name).read_bytes()).hexdigest() == digest
    day = (tmp_path / "out" / "readings" / "P1.temperature.csv").read_text("utf-8").splitlines()
    assert len(day) == 1 + 1440
    assert "SIMULATED" in (tmp_path / "out" / "README.txt").read_text("utf-8")


def test_an_export_never_writes_over_anything(stillroom: Any, demo_history: Path, tmp_path: Path) -> None:
    (tmp_path / "kept.txt").write_text("mine")
    result = stillroom("export", "--out", tmp_path, "--data", demo_history)
    assert result.returncode == 2
    assert [p.name for p in tmp_path.iterdir()] == ["kept.txt"]


def test_importing_twice_is_importing_once(stillroom: Any, demo_copy: Path) -> None:
    result = stillroom("import", SAMPLES / "machine-bay.csv", "--data", demo_copy, "--json")
    assert result.returncode == 0
    assert [(r["already"], r["stored"]) for r in json.loads(result.stdout)] == [(True, 0)]


def test_a_dry_run_says_what_would_be_stored_and_stores_nothing(stillroom: Any, tmp_path: Path) -> None:
    data, config = tmp_path / "data", SAMPLES.parent / "config"
    common = ("--data", data, "--config", config, "--json")
    answer = json.loads(stillroom("import", SAMPLES / "barometer.txt", "--dry-run", *common).stdout)
    assert [(r["rows"], r["stored"], r["dry_run"]) for r in answer] == [(20_220, 20_220, True)]
    assert not data.exists()


def test_one_refused_file_leaves_nothing_of_the_others(stillroom: Any, tmp_path: Path) -> None:
    torn = tmp_path / "plate-bench-torn.csv"
    torn.write_bytes(b"Zeit;P4\r\nnever;in its life\r\n")
    data, config = tmp_path / "data", SAMPLES.parent / "config"
    assert stillroom("config", "apply", "--begin", "--data", data, "--config", config).returncode == 0
    result = stillroom("import", SAMPLES / "barometer.txt", torn, "--data", data, "--config", config)
    assert result.returncode == 2
    assert "plate-bench-torn.csv" in result.stderr
    assert json.loads(stillroom("verify", "--data", data, "--json").stdout)["readings"] == 0


def test_the_example_configuration_is_sound(stillroom: Any) -> None:
    result = stillroom("config", "check", "--json")
    assert result.returncode == 0
    assert len(json.loads(result.stdout)["digest"]) == 64


def test_all_faults_of_all_files_come_at_once(stillroom: Any, tmp_path: Path) -> None:
    config = tmp_path / "config"
    assert stillroom("config", "export", "--out", config, "--data", tmp_path / "none").returncode == 0
    limits, room = config / "limits.toml", config / "room.toml"
    limits.write_text(limits.read_text("utf-8").replace("upper_degC = 20.5", "uper_degC = 20.5", 1), "utf-8")
    room.write_text(room.read_text("utf-8").replace("Europe/Vienna", "Europe/Wien", 1), "utf-8")
    result = stillroom("config", "check", "--config", config)
    assert result.returncode == 2
    assert all(word in result.stderr for word in ("limits.toml", "uper_degC", "room.toml", "Europe/Wien"))
    assert "Traceback" not in result.stderr


@pytest.mark.slow
def test_a_setup_is_applied_with_its_reason_and_written_back(
    stillroom: Any, demo_copy: Path, tmp_path: Path
) -> None:
    config = tmp_path / "config"
    common = ("--data", demo_copy)
    stillroom("config", "export", "--out", config, *common)
    limits = config / "limits.toml"
    limits.write_text(limits.read_text("utf-8").replace("upper_degC = 20.5", "upper_degC = 20.6", 1), "utf-8")
    shown = stillroom("config", "apply", "--dry-run", "--config", config, *common)
    assert "+upper_degC = 20.6" in shown.stdout
    assert stillroom("config", "apply", "--config", config, *common).returncode == 2, (
        "a change needs its reason"
    )
    why = ("--why", "new specification", "--who", "Greta Holm")
    answer = json.loads(stillroom("config", "apply", "--config", config, *why, *common, "--json").stdout)
    assert (answer["version"], answer["state"]) == (2, "waiting")
    assert answer["changes"] == [
        {"thing": "rule machine-bay.temperature", "what": "upper 20.5 → 20.6", "from": None}
    ]
    own = stillroom("config", "approve", 2, "--who", "greta holm", *common)
    assert own.returncode == 2, "another person approves it"
    approved = stillroom("config", "approve", 2, "--who", "Ines Faber", *common)
    assert approved.returncode == 0, approved.stderr
    listed = json.loads(stillroom("config", "list", *common, "--json").stdout)
    assert [(v["version"], v["state"], v["author"], v["approver"]) for v in listed][1] == (
        2, "in force", "Greta Holm", "Ines Faber",
    )  # fmt: skip
    for version, limit in ((1, "20.5"), (2, "20.6")):
        out = tmp_path / f"v{version}"
        assert stillroom("config", "export", "--out", out, "--version", version, *common).returncode == 0
        assert f"upper_degC = {limit}" in (out / "limits.toml").read_text("utf-8")


@pytest.mark.slow
def test_an_approver_sees_which_verdicts_change(stillroom: Any, demo_copy: Path, tmp_path: Path) -> None:
    """A later due day reaches back: I-2606 was not shown because P6 was overdue (sample_logs)."""
    config, common = tmp_path / "config", ("--data", demo_copy)
    stillroom("config", "export", "--out", config, *common)
    for paper in (config / "certificates").glob("AG-0416-*.toml"):
        text = paper.read_text("utf-8").replace("due_on = 2026-10-21", "due_on = 2027-10-21")
        paper.write_text(text, "utf-8")
    seen = json.loads(stillroom("config", "apply", "--dry-run", "--config", config, *common, "--json").stdout)
    assert [c["thing"] for c in seen["changes"]] == [
        "certificate AG-0416-H of P6.relative_humidity",
        "certificate AG-0416-T of P6.temperature",
    ]
    assert [(v["what"], v["was"].split(" (")[0]) for v in seen["verdicts"]] == [
        ("inspection I-2606", "not shown")
    ]
    becomes = seen["verdicts"][0]["becomes"].split(" (")[0]
    stillroom(
        "config", "apply", "--config", config, "--why", "extended by the laboratory", "--who", "A", *common
    )
    approved = stillroom("config", "approve", 2, "--who", "B", *common)
    assert "inspection I-2606" in approved.stdout
    rows = json.loads(stillroom("inspection", "list", *common, "--json").stdout)
    assert {row["key"]: row["verdict"] for row in rows}["I-2606"] == becomes != "not shown"


@pytest.mark.slow
def test_an_older_limit_still_judges_its_time(stillroom: Any, demo_copy: Path, tmp_path: Path) -> None:
    """By command: a far stricter band approved today leaves October as it was judged."""
    config, common = tmp_path / "config", ("--data", demo_copy)
    october = ("--zone", "machine-bay", "--from", "2026-10-13", "--to", "2026-10-23", "--json")
    before = stillroom("verdicts", *october, *common).stdout
    stillroom("config", "export", "--out", config, *common)
    limits = config / "limits.toml"
    limits.write_text(limits.read_text("utf-8").replace("upper_degC = 20.5", "upper_degC = 19.9", 1), "utf-8")
    why = ("--why", "gauge blocks of grade K", "--who", "Greta Holm")
    assert stillroom("config", "apply", "--config", config, *why, *common).returncode == 0
    assert stillroom("config", "approve", 2, "--who", "Ines Faber", *common).returncode == 0
    assert stillroom("verdicts", *october, *common).stdout == before
    out = tmp_path / "then"
    result = stillroom("config", "export", "--out", out, "--at", "2026-10-20", *common)
    assert result.returncode == 2, "nothing was in force before the first approval"
    exported = tmp_path / "export"
    assert stillroom("export", "--out", exported, *common).returncode == 0
    assert "upper_degC = 20.5" in (exported / "setup/earlier/1/limits.toml").read_text("utf-8")
    assert "upper_degC = 19.9" in (exported / "setup/limits.toml").read_text("utf-8")
    answer = json.loads((exported / "setup/versions.json").read_text("utf-8"))
    assert [(v["version"], v["author"], v["approver"]) for v in answer][1] == (2, "Greta Holm", "Ines Faber")


@pytest.mark.slow
def test_a_refused_proposal_is_closed(stillroom: Any, demo_copy: Path, tmp_path: Path) -> None:
    config, common = tmp_path / "config", ("--data", demo_copy)
    stillroom("config", "export", "--out", config, *common)
    limits = config / "limits.toml"
    limits.write_text(limits.read_text("utf-8").replace("upper_degC = 20.5", "upper_degC = 20.6", 1), "utf-8")
    stillroom("config", "apply", "--config", config, "--why", "wider", "--who", "A", *common)
    assert stillroom("config", "refuse", 2, "--who", "B", *common).returncode == 2, "a refusal has a reason"
    assert stillroom("config", "refuse", 2, "--why", "no", "--who", "B", *common).returncode == 0
    result = stillroom("config", "approve", 2, "--who", "B", *common)
    assert (result.returncode, "refused already" in result.stderr) == (2, True)
    states = [v["state"] for v in json.loads(stillroom("config", "list", *common, "--json").stdout)]
    assert states == ["in force", "refused"]


def test_what_is_in_force_already_makes_no_new_version(ask: Any) -> None:
    code, answer = ask("config", "apply", "--config", SAMPLES.parent / "config")
    assert (code, answer["version"], answer["changed"]) == (0, 1, False)


@pytest.mark.parametrize("version", [0, 7])
def test_a_version_that_never_was_is_refused(
    stillroom: Any, demo_history: Path, tmp_path: Path, version: int
) -> None:
    result = stillroom(
        "config", "export", "--out", tmp_path / "x", "--version", version, "--data", demo_history
    )
    assert result.returncode == 2
    assert str(version) in result.stderr
    assert not (tmp_path / "x").exists()
