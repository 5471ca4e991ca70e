"""The demo's history, open, with what judges it; and programs that know nothing of us."""

from __future__ import annotations

import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from logger.config import load_texts
from logger.instants import parse
from logger.model import Setup
from logger.record.issuance import IssuedRecord, issue
from logger.store import Store
from logger.verdicts.verdicts import Verdicts
from tests.programs import program

VIENNA = ZoneInfo("Europe/Vienna")
DAY = (parse("2026-10-19", VIENNA), parse("2026-10-20", VIENNA))


@dataclass(frozen=True)
class Room:
    """The demo's history, open, with what judges it."""

    store: Store
    setup: Setup
    now_ns: int

    @property
    def verdicts(self) -> Verdicts:
        return Verdicts(self.store, self.setup)

    def issue(self, out: Path, zone: str = "machine-bay", **more: Any) -> IssuedRecord:
        parts = (self.store, self.verdicts, self.setup, zone)
        return issue(*parts, *DAY, out, "Greta Holm", self.now_ns, **more)


def opened(store: Store) -> Room:
    """What judges an open store, now."""
    newest = store.setups.versions()[-1]
    return Room(store, load_texts(newest.texts, version=newest.version).setup, time.time_ns())


@pytest.fixture
def room(demo_copy: Path) -> Iterator[Room]:
    with Store.open(demo_copy) as store:
        yield opened(store)


def tool(name: str, *arguments: object, cwd: Path | None = None) -> tuple[int, str]:
    """Exit code and output of a program that knows nothing of us; skipped where it is not installed."""
    command = [program(name), *map(str, arguments)]
    result = subprocess.run(command, capture_output=True, text=True, check=False, cwd=cwd)
    return result.returncode, result.stdout + result.stderr
