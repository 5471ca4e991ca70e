"""A copy of the demo's history for studies, which store their answers in it: one for all tests of a file."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest


@pytest.fixture(scope="module")
def room(demo_history: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder of its own with the history."""
    return Path(shutil.copytree(demo_history, tmp_path_factory.mktemp("studies") / "data"))
