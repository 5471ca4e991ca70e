"""`stillroom begin` from an empty folder, as a person types it."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger import config
from logger.store import Store

from ..command_line import run_here

# In the order of the questions; an empty line accepts what is proposed.
TYPED = """Measuring room 2
Example works
Europe/Vienna
6 4 3
Gear bay

19.5
20.5
0.5
machine specification, annex B
Table

2.1 1.4 1.0
MG-0511
{address}
READ?




{certificate}Greta Holm




"""
NONE = "\n\n"


def begin(folder: Path, typed: str, *options: str) -> tuple[int, str, str]:
    result = run_here("begin", "--no-start", *options, cwd=folder, typed=typed)
    return result.returncode, result.stdout, result.stderr


def test_eight_questions_put_a_first_setup_in_force(probe: str, elsewhere: Path) -> None:
    """Four files, version 1, and what is still missing; the probe was tried on the way."""
    code, out, err = begin(elsewhere, TYPED.format(address=probe, certificate=NONE))
    assert code == 0, out + err
    assert [f"{n} of 8" in out for n in range(1, 9)] == [True] * 8
    assert "received: TEMP 20.05 C; HUM 47.0 %; N 17" in out
    assert sorted(p.name for p in (elsewhere / "room").iterdir()) == [
        "alarms.toml",
        "limits.toml",
        "probes.toml",
        "room.toml",
    ]
    assert "still missing           certificate of P1 temperature" in out
    assert "stable for the first time" in out
    with Store.open(elsewhere / "stillroom-data") as store:
        (version,) = store.setups.versions()
        assert (version.version, version.who, version.approver) == (1, "Greta Holm", "Greta Holm")
        assert not store.simulated
    assert not (elsewhere / "room.draft.json").exists()


def test_an_answer_that_cannot_be_used_is_asked_for_again(probe: str, elsewhere: Path) -> None:
    """What was right stays: only the wrong answer is asked again."""
    typed = TYPED.format(address=probe, certificate=NONE).replace("6 4 3\n", "six\n6 x 4 x 3\n")
    code, out, err = begin(elsewhere, typed)
    assert code == 0, out + err
    assert "enter numbers such as 6 4 3. You entered “six”." in err
    assert config.load(elsewhere / "room").setup.room.name == "Measuring room 2"


def test_what_was_refused_is_not_proposed_again(probe: str, elsewhere: Path) -> None:
    """Enter at the second try takes the proposal of the question, where it took the wrong answer for ever."""
    typed = TYPED.format(address=probe, certificate=NONE).replace("Gear bay\n\n", "Gear bay\nlong\n\n", 1)
    code, out, err = begin(elsewhere, typed)
    assert code == 0, out + err
    assert "enter a number such as 4. You entered “long”." in err
    assert config.load(elsewhere / "room").setup.zone("gear-bay").settling_s == 4 * 3600


def test_a_probe_that_does_not_answer_is_told_before_anything_is_in_force(elsewhere: Path) -> None:
    """Answers are kept; the next start goes on with them."""
    typed = TYPED.format(address="socket://127.0.0.1:9", certificate=NONE)
    code, _, err = begin(elsewhere, typed)
    assert code == 2
    assert "Check host and port, the cable, and that no other program holds the connection." in err
    assert "Stopped; nothing is in force. The answers are kept in room.draft.json" in err
    assert [p.name for p in elsewhere.iterdir()] == ["room.draft.json"]
    assert "Going on with the answers of room.draft.json" in begin(elsewhere, "")[1]


def test_a_probe_that_does_not_answer_is_told_before_the_next_field(elsewhere: Path) -> None:
    """It came after the whole block; and a network address was asked for its bits per second."""
    typed = TYPED.format(address="socket://127.0.0.1:9", certificate=NONE)
    _, out, err = begin(elsewhere, typed.partition("READ?\n")[0] + "READ?\n")
    assert "Check host and port" in err
    assert "Seconds between readings" not in out
    assert "Bits per second" not in out


def test_a_serial_port_is_asked_for_its_bits_per_second(elsewhere: Path) -> None:
    typed = TYPED.format(address="/dev/no-such-port", certificate=NONE)
    _, out, err = begin(elsewhere, typed.partition("READ?\n")[0] + "READ?\n2400\n")
    assert "Bits per second (of a serial line; 8 data bits, no parity)" in out
    assert "Check the name of the port, its rights" in err


def test_what_is_there_already_is_left_alone(elsewhere: Path) -> None:
    (elsewhere / "room").mkdir()
    (elsewhere / "room" / "room.toml").write_text("# mine\n", "utf-8")
    code, _, err = begin(elsewhere, "")
    assert code == 2
    assert "room is there already and stays as it is" in err
    assert (elsewhere / "room" / "room.toml").read_text("utf-8") == "# mine\n"


@pytest.fixture
def logger_file(elsewhere: Path) -> Path:
    """A day of two loggers, with a decimal comma and days that only a person can order."""
    rows = [
        f"{3 + m // 144:02d}.10.2026 {m // 6 % 24:02d}:{m % 6 * 10:02d};20,{m % 10}0;20,0{m % 7};4{m % 9},0"
        for m in range(200)
    ]
    file = elsewhere / "bench.csv"
    file.write_text("Zeit;Node 1 (°C);Node 2 (°C);Node 2 (%RH)\n" + "\n".join(rows) + "\n", "utf-8")
    return file


@pytest.mark.slow
def test_a_room_begins_from_a_file_and_asks_what_it_cannot_know(logger_file: Path, elsewhere: Path) -> None:
    """Probes, channels, positions and profile are proposed; in the end the readings are stored."""
    typed = (
        "Measuring room 2\nExample works\nEurope/Vienna\n6 4 3\nGear bay\n\n19.5\n20.5\n\nhouse instruction\n"
        + "\n\n\n" * 2  # names of positions, media and places as proposed
        + "\n1\n"  # the zone of the times, as proposed; the order of the dates
        + "\n\n\n"  # no certificates yet
        + "Greta Holm\n\n\n\n\n"
    )
    code, out, err = begin(elsewhere, typed, "--from", "bench.csv")
    assert code == 0, out + err
    assert "Node-1 temperature, Node-2 temperature, Node-2 relative humidity" in out
    assert "bench.csv: 600 readings imported." in out
    setup = config.load(elsewhere / "room").setup
    assert set(setup.channels) == {"Node-1.temperature", "Node-2.temperature", "Node-2.relative_humidity"}
    assert (elsewhere / "room" / "profiles" / "bench.toml").is_file()
    first_ns = 1_790_978_400 * 10**9  # 2026-10-03T00:00:00+02:00, by `date -d`
    with Store.open(elsewhere / "stillroom-data") as store:
        assert store.readings.extent(["Node-1.temperature"]) == (first_ns, first_ns + 199 * 600 * 10**9)
