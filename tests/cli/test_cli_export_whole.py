"""Export of everything by command, and a new record begun from it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest


@pytest.mark.slow
def test_everything_goes_out_and_comes_back(stillroom: Any, demo_history: Path, tmp_path: Path) -> None:
    out, new = tmp_path / "out", tmp_path / "new"
    result = stillroom("export", "--out", out, "--format", "parquet", "--data", demo_history, "--json")
    assert result.returncode == 0, result.stderr
    assert json.loads(result.stdout)["readings"] == 262_380

    back = stillroom("restore", "--from", out, "--data", new, "--json")
    assert back.returncode == 0, back.stderr
    assert json.loads(back.stdout)["readings"] == 262_380
    originals = {path.name: path.read_bytes() for path in (demo_history / "originals").iterdir()}
    assert {path.name: path.read_bytes() for path in (new / "originals").iterdir()} == originals


def test_a_part_of_it_is_not_exported_as_a_whole(stillroom: Any, demo_history: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    common = ("--format", "parquet", "--data", demo_history)
    result = stillroom("export", "--out", out, "--from", "2026-10-19", *common)
    assert result.returncode == 2
    assert "whole record" in result.stderr
    assert not out.exists()
