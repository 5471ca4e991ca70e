"""A record begins where a person says so: a disk that is not mounted at a start is no new room."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from logger.config import example_folder
from logger.store import Store

from ..command_line import Run

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_logs" / "machine-bay.csv"


def missing(_: Path) -> None:
    """The folder of the disk is not there."""


def empty(folder: Path) -> None:
    """The disk's mount point is there, with nothing mounted."""
    folder.mkdir()


def left_over(folder: Path) -> None:
    """As `empty`, but the service that ran while the disk went away left its heartbeat there."""
    folder.mkdir()
    (folder / "heartbeat").write_text("{}")


def contents(folder: Path) -> list[str] | None:
    """What lies in a folder; None where there is none."""
    return sorted(p.name for p in folder.iterdir()) if folder.exists() else None


@pytest.mark.parametrize("begun", [missing, empty, left_over])
@pytest.mark.parametrize(
    "words", [("run",), ("config", "apply"), ("import", "--watch", str(ROOT / "sample_logs"))]
)
def test_no_record_is_begun_unasked(
    stillroom: Run, tmp_path: Path, begun: Callable[[Path], None], words: tuple[str, ...]
) -> None:
    """The folder is named with what to do in each case, and stays as it is."""
    data = tmp_path / "disk"
    begun(data)
    before = contents(data)

    result = stillroom(*words, "--config", example_folder(), "--data", data, "--who", "Greta Holm")

    assert result.returncode == 2
    assert str(data) in result.stderr
    for way in ("mounted", "stillroom restore", "--begin"):
        assert way in result.stderr
    assert contents(data) == before


def test_a_record_is_begun_once(stillroom: Run, tmp_path: Path) -> None:
    """Else --begin would stay in the unit, and a disk that is away would be a new room after all."""
    data = tmp_path / "data"
    with Store.open(data, create=True, simulated=True):
        pass
    for command in (("run",), ("config", "apply")):
        result = stillroom(*command, "--begin", "--config", example_folder(), "--data", data)
        assert result.returncode == 2
        assert f"{data} holds a record already" in result.stderr
        assert "without --begin" in result.stderr


def test_config_apply_begins_the_record_of_a_service(stillroom: Run, tmp_path: Path) -> None:
    """As the head of systemd/stillroom.service has it, on a disk with a new file system."""
    data = tmp_path / "disk"
    (data / "lost+found").mkdir(parents=True)
    words = ("config", "apply", "--config", example_folder(), "--data", data, "--who", "Greta Holm")
    assert stillroom(*words).returncode == 2
    result = stillroom(*words, "--begin")
    assert result.returncode == 0, result.stderr
    with Store.open(data) as store:
        assert [version.version for version in store.setups.versions()] == [1]


@pytest.mark.slow
def test_an_import_that_begins_a_record_says_so(stillroom: Run, tmp_path: Path) -> None:
    """A person who mistyped the folder sees it at once."""
    data = tmp_path / "data"
    words = ("import", SAMPLE, "--config", example_folder(), "--data", data, "--who", "Greta Holm")
    first = stillroom(*words)
    assert first.returncode == 0, first.stderr
    assert f"A new record was begun in {data}" in first.stderr
    assert "new record" not in stillroom(*words).stderr
