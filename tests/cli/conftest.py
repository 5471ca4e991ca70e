"""Asking the demo's history by command, and reading the answer."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest


@pytest.fixture(scope="session")
def ask(stillroom: Any, demo_history: Path) -> Callable[..., tuple[int, Any]]:
    """(exit code, answer in JSON) of a command on the demo's history."""

    def run(*arguments: object) -> tuple[int, Any]:
        result = stillroom(*arguments, "--data", demo_history, "--json")
        assert result.stdout, result.stderr
        return result.returncode, json.loads(result.stdout)

    return run
