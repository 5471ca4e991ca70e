"""From a logger's file to its readings without a configuration: what is drafted, what must be entered."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from logger.cli.program import program_for
from logger.config import load
from logger.errors import Refused
from logger.store import Store

NODES = 10


@pytest.fixture
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder without configuration and record, with a file of 20 channels in it."""
    heads = ",".join(f"Node {n} Temp (°C),Node {n} RH (%)" for n in range(1, NODES + 1))
    rows = [
        f"2026-10-{13 + m // 144:02d} {m // 6 % 24:02d}:{m % 6 * 10:02d}:00,"
        + ",".join(f"{20 + n / 10:.2f},{45 + n:.1f}" for n in range(1, NODES + 1))
        for m in range(200)
    ]
    (tmp_path / "nodes.csv").write_text(f"Time,{heads}\n" + "\n".join(rows) + "\n", "utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*line: str) -> Result:
    return CliRunner().invoke(program_for(line), [*line])


def test_a_file_is_described_without_a_configuration(elsewhere: Path) -> None:
    outcome = run("import", "nodes.csv", "--describe")
    assert outcome.exit_code == 0, outcome.output
    assert 'heading = "Node 1 Temp (°C)"' in outcome.stdout
    assert "# Open: In which time zone" in outcome.stdout
    assert [p.name for p in elsewhere.iterdir()] == ["nodes.csv"]


def test_twenty_channels_take_two_commands_and_one_edited_line(elsewhere: Path) -> None:
    """Draft, enter the zone, import: 20 channels hold all 200 readings at their instants (summer time)."""
    assert run("import", "nodes.csv", "--draft", "config").exit_code == 0
    profile = elsewhere / "config" / "profiles" / "nodes.toml"
    profile.write_text(
        profile.read_text("utf-8").replace("\n[time]", '\n[time]\nzone = "Europe/Vienna"'), "utf-8"
    )
    outcome = run("import", "nodes.csv", "--data", "data", "--who", "Greta Holm")
    assert outcome.exit_code == 0, outcome.output
    setup = load(elsewhere / "config").setup
    assert len(setup.channels) == 2 * NODES
    assert "sampling_interval_s = 600.0" in (elsewhere / "config" / "probes.toml").read_text("utf-8")
    assert not setup.room.simulated
    first = 1_791_842_400 * 10**9  # 2026-10-13T00:00:00+02:00, by `date -d`
    with Store.open(elsewhere / "data") as store:
        for n in range(1, NODES + 1):
            result = store.readings.read_stamped(f"Node-{n}.temperature", first, first + 10**15)
            assert (len(result.taken_ns), int(result.taken_ns[0])) == (200, first)
            assert set(result.value.tolist()) == {round(20 + n / 10, 2)}
            humidity = store.readings.read_stamped(f"Node-{n}.relative_humidity", first, first + 10**15)
            assert len(humidity.taken_ns) == 200


def test_a_draft_certifies_nothing_and_overwrites_nothing(elsewhere: Path) -> None:
    """No limits, no certificate that could be believed; a folder that is there stays as it is."""
    assert run("import", "nodes.csv", "--draft", "config").exit_code == 0
    setup = load(elsewhere / "config").setup
    assert (len(setup.rules), len(setup.certificates)) == (0, 0)
    assert len(list((elsewhere / "config" / "certificates").glob("*.draft"))) == 2 * NODES
    again = run("import", "nodes.csv", "--draft", "config")
    assert isinstance(again.exception, Refused)
    assert "is there already" in str(again.exception)


def test_a_folder_is_imported_file_by_file(elsewhere: Path) -> None:
    """What is refused is named and fails the command; the files beside it are in the record, and once."""
    test_twenty_channels_take_two_commands_and_one_edited_line(elsewhere)
    folder = elsewhere / "in"
    folder.mkdir()
    rows = (elsewhere / "nodes.csv").read_text("utf-8")
    (folder / "nodes-1.csv").write_text("no table\n")
    (folder / "nodes-2.csv").write_text(
        rows.replace("2026-10-13", "2026-10-11").replace("2026-10-14", "2026-10-12")
    )
    outcome = run("import", "in", "--data", "data", "--who", "Greta Holm")
    assert "nodes-1.csv: " in outcome.stdout
    assert "nodes-2.csv: 4000 readings stored, 0 there already" in outcome.stdout
    assert "1 of 2 files in in were not imported" in str(outcome.exception)
    (folder / "nodes-1.csv").unlink()
    assert run("import", "in", "--data", "data", "--who", "Greta Holm").exit_code == 0
