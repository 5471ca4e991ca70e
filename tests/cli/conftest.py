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
        done = stillroom(*arguments, "--data", demo_history, "--json")
        assert done.stdout, done.stderr
        return done.returncode, json.loads(done.stdout)

    return run
