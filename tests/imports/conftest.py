"""A room with one probe, a real store, a store in memory for many trials, and files made in place."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from logger.config import example_folder, load
from logger.imports import ImportResult, Profile, import_file
from logger.imports.profile import Column
from logger.model import Row, Setup
from logger.series import STATUS, ImportedReadings, Readings
from logger.store.rows import columns_of_series

NOW_NS = 1_900_000_000_000_000_000

Bring = Callable[..., ImportResult]


class MemoryRegister:
    """The register of imported files, in lists."""

    def __init__(self) -> None:
        self.files: dict[str, SimpleNamespace] = {}

    def find(self, sha256: str) -> SimpleNamespace | None:
        return self.files.get(sha256)

    def all(self) -> list[SimpleNamespace]:
        return list(self.files.values())

    def record(
        self, sha256: str, name: str, content: bytes, summary: Mapping[str, Any], *, who: str, at_ns: int
    ) -> None:
        self.files[sha256] = SimpleNamespace(name=name, summary=summary)


class MemoryReadings:
    """Readings of the rows of such a store."""

    def __init__(self, rows: list[Row]) -> None:
        self.rows = rows

    def read_stamped(self, channel: str, from_ns: int, to_ns: int) -> Readings:
        mine = [r for r in self.rows if r.channel == channel and from_ns <= r.taken_ns < to_ns]
        mine.sort(key=lambda r: r.taken_ns)
        return Readings(
            np.array([r.taken_ns for r in mine], np.int64),
            np.array([np.nan if r.value is None else r.value for r in mine], np.float64),
            np.array([STATUS.index(r.status) for r in mine], np.uint8),
            np.array([r.late for r in mine], np.bool_),
        )


class MemoryStore:
    """What an import needs of the store, in lists: for properties that want a hundred fresh stores."""

    simulated = True

    def __init__(self) -> None:
        self.rows: list[Row] = []
        self.imports = MemoryRegister()
        self.readings = MemoryReadings(self.rows)

    def importing(self) -> AbstractContextManager[None]:
        return nullcontext()

    def load_series(self, writer: str, series: Sequence[ImportedReadings], now_ns: int) -> None:
        for item in series:
            self.rows += columns_of_series(writer, item).rows()

    def stored_rows(self) -> list[tuple[str, int, str]]:
        """What is in it, whatever the order of arrival."""
        return sorted((r.channel, r.taken_ns, repr(r.value)) for r in self.rows)


@pytest.fixture(scope="session")
def setup() -> Setup:
    """The setup of the example in config/."""
    return load(example_folder()).setup


@pytest.fixture(scope="session")
def memory() -> type[MemoryStore]:
    """The store in memory."""
    return MemoryStore


@pytest.fixture(scope="session")
def plain() -> Profile:
    """Time and temperature of P1, nothing declared but the channel, the unit and UTC."""
    return Profile("plain", ("time",), (Column("temperature", "P1.temperature", "degC"),), zone="UTC")


@pytest.fixture
def bring(tmp_path: Path, setup: Setup, plain: Profile) -> Bring:
    """Writes a file and imports it: bring(text, store, zone="UTC") with any key of a profile."""

    def call(
        content: str | bytes, store: Any, name: str = "made.csv", dry_run: bool = False, **declared: Any
    ) -> ImportResult:
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        profile = dataclasses.replace(plain, **declared)
        return import_file(path, profile, store, setup, "Greta Holm", NOW_NS, dry_run)

    return call
