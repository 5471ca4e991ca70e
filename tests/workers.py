"""What is dear to make is made once for all workers of a run (pytest-xdist); each takes a copy."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest

DEADLINE_S = 900.0  # of the worker that makes it, on a busy machine


def copy_of_shared(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], None]) -> Path:
    """A folder of this worker's own with what `make` put into the one that the first worker gave it."""
    return Path(shutil.copytree(shared_folder(factory, name, make), factory.mktemp(name), dirs_exist_ok=True))


def shared_folder(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], None]) -> Path:
    """The one folder of all workers, as `make` left it: to be copied, never used itself."""
    shared = _common_folder(factory) / f"shared-{name}"
    making, failed = shared.with_suffix(".making"), shared.with_suffix(".failed")
    try:
        shared.with_suffix(".begun").mkdir()  # stays, so that no later worker makes it again
    except FileExistsError:
        _wait_for(shared, failed)
    else:
        try:
            making.mkdir()
            make(making)
        except BaseException:
            failed.touch()
            raise
        making.replace(shared)
    return shared


def _common_folder(factory: pytest.TempPathFactory) -> Path:
    """Folder of this run and no other: a worker's own one lies in it."""
    own = factory.getbasetemp()
    return own.parent if "PYTEST_XDIST_WORKER" in os.environ else own


def _wait_for(shared: Path, failed: Path) -> None:
    until_s = time.monotonic() + DEADLINE_S
    while not shared.exists():
        assert not failed.exists(), f"{shared.name} could not be made: another worker shows why"
        assert time.monotonic() < until_s, f"{shared.name} was not made within {DEADLINE_S:g} s"
        time.sleep(0.1)
