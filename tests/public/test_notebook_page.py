"""docs/how-to/notebook.md, cell by cell, as a reader runs it: what it prints is what the page shows."""

from __future__ import annotations

import re
import shutil
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from .conftest import ROOT

PAGE = ROOT / "docs" / "how-to" / "notebook.md"
CELL = re.compile(
    r"^```python\n(?P<code>.*?)^```$(\n\n^```text\n(?P<shown>.*?)^```$)?", re.DOTALL | re.MULTILINE
)


def test_every_cell_prints_what_the_page_shows(
    stillroom_package: ModuleType, demo_history: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(demo_history, tmp_path / "data")
    monkeypatch.chdir(tmp_path)
    names: dict[str, Any] = {}
    cells = list(CELL.finditer(PAGE.read_text("utf-8")))
    assert len(cells) > 8
    for cell in cells:
        printed = StringIO()
        with redirect_stdout(printed):
            exec(compile(cell["code"], PAGE.name, "exec"), names)  # noqa: S102 (the page's own cells)
        if cell["shown"] is not None:
            assert lines(printed.getvalue()) == lines(cell["shown"]), cell["code"]


def lines(text: str) -> list[str]:
    """Lines without the blanks at their ends, which an editor takes away."""
    return [line.rstrip() for line in text.splitlines()]
