"""Files are for their owner alone from the first byte on, whatever the umask."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from logger.config import example_folder, load
from logger.instants import NS
from logger.service.health import health
from logger.store import Store

pytestmark = pytest.mark.skipif(os.name == "nt", reason="Windows has no such bits")


def _open(folder: Path) -> list[str]:
    """What others could read or write."""
    return [str(p) for p in (folder, *folder.rglob("*")) if p.lstat().st_mode & 0o077]


@pytest.mark.slow
def test_what_the_program_writes_is_its_owners_alone(tmp_path: Path) -> None:
    """Data folder, backup and export under a umask that would let everybody read and write."""
    tool = f"umask 000; exec {sys.executable} -m logger.cli"
    data, config = f"--data {tmp_path / 'data'}", f"--config {example_folder()}"
    (tmp_path / "kept").mkdir(mode=0o700)  # a share that is mounted: the program does not make it
    for words in (
        f"config apply --begin {config} {data} --why first",
        f"backup --to {tmp_path / 'kept'} {data}",
        f"export --out {tmp_path / 'out'} {data}",
    ):
        result = subprocess.run(
            ["sh", "-c", f"{tool} {words}"], capture_output=True, text=True, check=False, timeout=300
        )
        assert result.returncode == 0, result.stderr
    for name in ("data", "kept", "out"):
        assert (tmp_path / name).is_dir()
        assert _open(tmp_path / name) == []


def test_a_folder_that_others_can_read_is_told_on_health(tmp_path: Path) -> None:
    """A record begun by other means is private, too; opened to others, Health says so and what to do."""
    before = os.umask(0)
    try:
        with Store.open(tmp_path / "data", create=True, simulated=True) as store:
            setup = load(example_folder()).setup
            assert not [p for p in _open(tmp_path / "data") if not p.endswith((".lock", "-shm"))]
            figures = {f.what: f for f in health(store, setup, 1_792_432_800 * NS)}
            assert figures["data folder readable by"].fault == ""
            store.folder.chmod(0o755)
            figures = {f.what: f for f in health(store, setup, 1_792_432_800 * NS)}
            assert "chmod -R go-rwx" in figures["data folder readable by"].fault
    finally:
        os.umask(before)
