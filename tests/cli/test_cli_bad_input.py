"""Bad input: exit 2, a message that names what was wanted and where to mend it, no traceback, no change."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

BAY = ("--zone", "machine-bay")
DAY = ("--from", "2026-10-19", "--to", "2026-10-20")
CASES: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "a zone that does not exist": (
        ("check", "--zone", "bay", *DAY),
        ("There is no zone 'bay'", "machine-bay", "plate-bench"),
    ),
    "an interval in the future": (
        ("check", *BAY, "--from", "2190-01-01", "--to", "2190-01-02"),
        ("--to 2190-01-02 00:00 +01:00 is in the future",),
    ),
    "an interval before the record": (
        ("check", *BAY, "--from", "2020-01-01", "--to", "2020-01-02"),
        ("is before the readings of zone", "from 2026-10-12 00:00"),
    ),
    "from after to": (
        ("verdicts", *BAY, "--from", "2026-10-20", "--to", "2026-10-19"),
        ("--from 2026-10-20 00:00 +02:00 is not before --to 2026-10-19 00:00 +02:00.",),
    ),
    "an empty interval": (
        ("verdicts", *BAY, "--from", "2026-10-20", "--to", "2026-10-20"),
        ("is not before",),
    ),
    "a time that is none": (
        ("check", *BAY, "--from", "yesterday", "--to", "2026-10-19"),
        ("--from: expected a local time", "found 'yesterday'"),
    ),
    "an hour that the clock repeats": (
        ("check", *BAY, "--from", "2026-10-25T02:30", "--to", "2026-10-25T04:00"),
        ("occurs twice in Europe/Vienna", "+02:00 or +01:00"),
    ),
    "an hour that does not exist": (
        ("check", *BAY, "--from", "2026-03-29T02:30", "--to", "2026-10-25T04:00"),
        ("does not exist in Europe/Vienna",),
    ),
    "a required option left out": (("check", *BAY, "--from", "2026-10-20"), ("Give --zone", "--to")),
    "a command that does not exist": (("chekc",), ("No such command 'chekc'",)),
    "an alarm that does not exist": (
        ("alarm", "acknowledge", "bay-heat", "--comment", "seen"),
        ("There is no alarm", "'bay-heat'"),
    ),
    "an inspection list of an unknown zone": (
        ("inspection", "list", "--zone", "x"),
        ("There is no zone 'x'",),
    ),
    "a file that is not there": (
        ("import", "no-such-file.csv", "--profile", "machine-bay"),
        ("no-such-file.csv",),
    ),
    "an activity that no rule is for": (
        ("check", *BAY, *DAY, "--activity", "gauge bloks"),
        ("activity 'gauge bloks'", "general limits"),
    ),
    "a file that is not there, and no profile named": (("import", "no-such-file.csv"), ("There is no file",)),
    "a profile that does not exist": (
        ("import", "sample_logs/machine-bay.csv", "--profile", "bay"),
        ("There is no profile 'bay'", "machine-bay, plate-bench"),
    ),
    "a file that is no table": (
        ("import", "LICENSE", "--profile", "machine-bay"),
        ("LICENSE",),
    ),
    "a configuration folder that is not there": (
        ("check", *BAY, *DAY, "--config", "no-such-folder"),
        ("There is no configuration folder no-such-folder", "stillroom config export"),
    ),
}


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES)
def test_bad_input_is_refused_with_a_message_that_helps(
    stillroom: Any, demo_history: Path, case: str
) -> None:
    arguments, words = CASES[case]
    more = () if case == "a command that does not exist" else ("--data", demo_history)
    result = stillroom(*arguments, *more)
    assert result.returncode == 2, result.stderr
    assert result.stdout == ""
    assert "Traceback" not in result.stderr
    assert all(word in result.stderr for word in words), result.stderr


@pytest.mark.parametrize(
    "command", [("verify",), ("check", *BAY, *DAY), ("alarm", "list"), ("export", "--out", "x")]
)
def test_a_data_folder_that_is_not_there_is_named(
    stillroom: Any, tmp_path: Path, command: tuple[str, ...]
) -> None:
    missing = tmp_path / "nowhere"
    result = stillroom(*command, "--data", missing)
    assert result.returncode == 2
    assert str(missing) in result.stderr
    assert "--data" in result.stderr
    assert not missing.exists()


def test_a_folder_that_holds_something_else_is_left_alone(stillroom: Any, tmp_path: Path) -> None:
    (tmp_path / "holiday.jpg").write_bytes(b"\xff\xd8")
    result = stillroom("check", *BAY, *DAY, "--data", tmp_path)
    assert result.returncode == 3
    assert str(tmp_path) in result.stderr
    assert "Traceback" not in result.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["holiday.jpg"]


def test_a_real_room_cannot_enter_the_store_of_the_demo(
    stillroom: Any, demo_history: Path, tmp_path: Path
) -> None:
    config = tmp_path / "config"
    assert stillroom("config", "export", "--data", demo_history, "--out", config).returncode == 0
    room = config / "room.toml"
    room.write_text(
        room.read_text(encoding="utf-8").replace("simulated = true", "simulated = false"), "utf-8"
    )
    result = stillroom(
        "config", "apply", "--config", config, "--data", demo_history, "--why", "now it is real"
    )
    assert result.returncode in {2, 3}
    assert "simulated" in result.stderr


@pytest.mark.slow
def test_a_folder_that_may_not_be_written_is_said_without_a_traceback(
    stillroom: Any, demo_history: Path, tmp_path: Path
) -> None:
    file = tmp_path / "a file"
    file.write_text("no folder")
    result = stillroom("record", "issue", *BAY, *DAY, "--out", file, "--data", demo_history)
    assert result.returncode == 2
    assert str(file) in result.stderr
    assert "Traceback" not in result.stderr


def test_a_refused_import_does_not_leave_a_data_folder_behind(stillroom: Any, tmp_path: Path) -> None:
    result = stillroom("import", "LICENSE", "--profile", "machine-bay", "--data", tmp_path / "data")
    assert result.returncode == 2, result.stderr
    assert list(tmp_path.iterdir()) == []


def test_the_demo_does_not_run_with_the_configuration_of_a_real_room(stillroom: Any, tmp_path: Path) -> None:
    config = tmp_path / "config"
    assert stillroom("config", "export", "--data", tmp_path / "none", "--out", config).returncode == 0
    room = (config / "room.toml").read_text(encoding="utf-8").replace("simulated = true", "")
    (config / "room.toml").write_text(room, encoding="utf-8")
    result = stillroom("demo", "--history-only", "--config", config, "--data", tmp_path / "data")
    assert result.returncode == 2
    assert "describes a real room" in result.stderr
    assert not (tmp_path / "data").exists()
