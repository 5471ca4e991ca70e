"""Backup and restore by command, on the demo's history."""

from __future__ import annotations

import json
import re
import sqlite3
from pathlib import Path
from typing import Any

import pytest


@pytest.fixture
def share(tmp_path: Path) -> Path:
    folder = tmp_path / "share"
    folder.mkdir()
    return folder


@pytest.mark.slow
def test_a_lost_record_comes_back(stillroom: Any, demo_copy: Path, share: Path, tmp_path: Path) -> None:
    """The acceptance of S5: back up, lose the folder, restore elsewhere, verify."""
    result = stillroom("backup", "--to", share, "--data", demo_copy, "--who", "Greta Holm", "--json")
    assert result.returncode == 0, result.stderr
    answer = json.loads(result.stdout)
    assert (answer["intact"], answer["readings"]) == (True, 262_380)

    new = tmp_path / "new"
    back = stillroom("restore", "--from", share, "--data", new)
    assert back.returncode == 0, back.stderr
    assert "intact" in back.stdout
    assert "later readings are not in it" in back.stdout
    head = f"{answer['head']['number']}:{answer['head']['sha256']}"
    assert stillroom("verify", "--data", new, "--head", head, "--backup", share).returncode == 0
    again = stillroom("restore", "--from", share, "--data", new)
    assert (again.returncode, "is not empty" in again.stderr) == (2, True)


def test_backups_are_listed(stillroom: Any, demo_copy: Path, share: Path) -> None:
    stillroom("backup", "--to", share, "--data", demo_copy)
    (row,) = json.loads(stillroom("backup", "--to", share, "--list", "--json").stdout)
    assert row["state"] == "good"
    assert row["newest_reading"].startswith("2026-10-25T22:5")
    assert stillroom("backup", "--to", share.parent, "--list").returncode == 2


@pytest.mark.slow
def test_times_of_backups_are_those_of_the_room_or_say_that_they_are_utc(
    stillroom: Any, demo_copy: Path, share: Path, tmp_path: Path
) -> None:
    """The room is in Vienna: its newest reading of 22:5x UTC is one of 23:5x there, in winter."""
    stillroom("backup", "--to", share, "--data", demo_copy)
    of_room = stillroom("backup", "--to", share, "--list", "--data", demo_copy).stdout
    assert re.search(r"2026-10-25 23:5\d \+01:00", of_room)
    nowhere = stillroom("backup", "--to", share, "--list", "--data", tmp_path / "nowhere").stdout
    assert re.search(r"2026-10-25 22:5\d UTC", nowhere)
    back = stillroom("restore", "--from", share, "--data", tmp_path / "new").stdout
    assert re.search(r"readings, up to 2026-10-25 23:5\d \+01:00; later", back)
    assert re.search(r"taken \S+ \d\d:\d\d \+0[12]:00, into", back)


@pytest.mark.slow
def test_a_flipped_byte_of_a_backup_is_found_by_each_command(
    stillroom: Any, demo_copy: Path, share: Path, tmp_path: Path
) -> None:
    """The list, the comparison and the restore name the file, each with the exit code for "not intact"."""
    stillroom("backup", "--to", share, "--data", demo_copy)
    path = max((share / "files").glob("*/*"), key=lambda path: path.stat().st_size)
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(bytes(content))

    listed = stillroom("backup", "--to", share, "--list", "--json")
    assert (listed.returncode, json.loads(listed.stdout)[0]["state"]) == (10, "damaged")
    compared = stillroom("verify", "--data", demo_copy, "--backup", share)
    assert (compared.returncode, "altered" in compared.stdout) == (10, True)
    back = stillroom("restore", "--from", share, "--data", tmp_path / "new", "--json")
    assert (back.returncode, json.loads(back.stdout)["intact"]) == (10, False)
    assert "Traceback" not in back.stderr


@pytest.mark.slow
def test_an_altered_file_is_named_with_where_it_still_is(
    stillroom: Any, demo_copy: Path, share: Path
) -> None:
    stillroom("backup", "--to", share, "--data", demo_copy)
    file = next(demo_copy.rglob("*.parquet"))
    file.write_bytes(file.read_bytes()[:-1])
    result = stillroom("verify", "--data", demo_copy, "--backup", share)
    assert result.returncode == 10
    assert f"{file.name}: altered" in result.stdout
    assert "is whole in backup 000001-" in result.stdout


def test_a_backup_without_a_place_says_what_is_wanted(stillroom: Any, demo_copy: Path) -> None:
    result = stillroom("backup", "--data", demo_copy)
    assert result.returncode == 2
    assert "service.toml" in result.stderr
    away = stillroom("backup", "--to", demo_copy.parent / "away", "--data", demo_copy)
    assert away.returncode == 2
    with sqlite3.connect(demo_copy / "stillroom.db") as db:
        newest = db.execute("SELECT what FROM journal ORDER BY number DESC LIMIT 1").fetchone()[0]
    db.close()
    assert json.loads(newest)["event"] == "backup-failed"


@pytest.mark.parametrize("head", ["12", "12:abc", "x:" + 64 * "0"])
def test_a_head_that_is_none_is_refused(stillroom: Any, demo_history: Path, head: str) -> None:
    result = stillroom("verify", "--data", demo_history, "--head", head)
    assert result.returncode == 2
    assert "NUMBER:SHA256" in result.stderr
