"""All that a file tells, stored at once: whole months as sealed files, the rest in the hot tier."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from threading import Lock
from unittest.mock import patch

import numpy as np
import pytest

from logger.errors import StoreError
from logger.model import Row
from logger.series import ImportedReadings
from logger.store import Store
from logger.store.archive import bulk_load as intake
from logger.store.archive.archive import Archive
from logger.store.archive.months import month_span
from logger.store.archive.parquet import ParquetReader
from logger.store.hot.readings import HotTier
from logger.store.rows import TEXTS, Columns, Texts

from .conftest import DAY, IN_DECEMBER, MINUTE, NOVEMBER, OCTOBER, edit, hot_rows

SEPTEMBER, _ = month_span(2026, 9)
CHANNELS = ("P1.temperature", "P1.relative_humidity")


def series_of(
    channel: str = CHANNELS[0], start_ns: int = SEPTEMBER + 29 * DAY, days: int = 64, every_ns: int = MINUTE
) -> ImportedReadings:
    """From the last day of September to the first ones of December, with a fault every 1000 readings."""
    taken_ns = start_ns + np.arange(days * DAY // every_ns, dtype=np.int64) * every_ns
    value = np.round(20 + np.arange(len(taken_ns)) % 97 / 100, 2)
    raw = np.full(len(taken_ns), "", object)
    value[::1000], raw[::1000] = np.nan, "Err"
    return ImportedReadings(channel, taken_ns, value, raw, IN_DECEMBER, "import:made")


def is_stored(store: Store, first: ImportedReadings) -> bool:
    """Whether the store gives exactly what was told of that channel."""
    rows = store.readings.columns(first.channel, 0, 2 * IN_DECEMBER)
    return bool(
        np.array_equal(rows.taken_ns, first.taken_ns)
        and np.array_equal(rows.value, first.value, equal_nan=True)
        and [rows.raw[at] for at in range(len(rows))] == list(first.raw)
    )


def files(folder: Path) -> list[str]:
    """What stands in the archive."""
    return sorted(path.name for path in (folder / "archive").rglob("*") if path.is_file())


def test_months_that_are_over_are_sealed_at_once(store: Store) -> None:
    """October and November have files; the day of September is too little, December is not over."""
    series = [series_of(channel) for channel in CHANNELS]
    cursor = store.readings.changed_since(0)[1]

    store.load_series("import-made", series, IN_DECEMBER)

    assert [(seal.from_ns, seal.rows) for seal in store.archive.seals()] == [
        (OCTOBER, 2 * 31 * 1440),
        (NOVEMBER, 2 * 30 * 1440),
    ]
    assert hot_rows(store) == 2 * 3 * 1440
    assert all(is_stored(store, item) for item in series)
    report = store.verify()
    assert (report.faults, report.readings) == ((), 2 * 64 * 1440)
    changed, end = store.readings.changed_since(cursor)
    assert changed == dict.fromkeys(CHANNELS, SEPTEMBER + 29 * DAY)
    assert store.readings.changed_since(end) == ({}, end)
    assert store.readings.read_new(cursor, CHANNELS) is None


@pytest.mark.parametrize("name", ["seq", "taken_ns", "value", "status", "late", "raw", "source"])
def test_a_file_that_does_not_read_back_is_removed(store: Store, folder: Path, name: str) -> None:
    """One reading in one column is enough; nothing is sealed and nothing stands in the hot tier."""
    read = ParquetReader.columns

    def changed(reader: ParquetReader, groups: Sequence[int]) -> Columns:
        columns = read(reader, groups)
        column = getattr(columns, name)
        altered = (
            Texts.of(["x", *[column[n] for n in range(1, len(column))]]) if name in TEXTS else column.copy()
        )
        if name not in TEXTS:
            altered[5] = not altered[5] if name == "late" else altered[5] + 1
        return replace(columns, **{name: altered})

    with (
        patch.object(ParquetReader, "columns", changed),
        pytest.raises(StoreError, match="did not read back as it was written, and was removed"),
    ):
        store.load_series("import-made", [series_of(days=40)], IN_DECEMBER)
    assert (store.archive.seals(), hot_rows(store), files(folder)) == ([], 0, [])
    store.load_series("import-made", [series_of(days=40)], IN_DECEMBER)
    assert store.verify().faults == ()


@pytest.mark.slow
def test_it_is_the_same_record_as_by_the_hot_tier(store: Store, tmp_path: Path) -> None:
    """Readings, newest ones and charts do not tell which way they were stored; both may be sealed further."""
    series = [series_of(channel, every_ns=10 * MINUTE) for channel in CHANNELS]
    with Store.open(tmp_path / "hot", create=True) as other, patch.object(intake, "LEAST", 10**9):
        other.load_series("import-made", series, IN_DECEMBER)
        assert hot_rows(other) == 2 * 64 * 144
    with patch.object(intake, "LEAST", 2_000):
        store.load_series("import-made", series, IN_DECEMBER)
    assert hot_rows(store) == 2 * 3 * 144
    with Store.open(tmp_path / "hot") as other:
        for item in (store, other):
            item.append("poll", [Row(CHANNELS[0], IN_DECEMBER, IN_DECEMBER, 20.5)])
            item.seal(IN_DECEMBER)
            assert item.verify().faults == ()
        assert store.readings.newest() == other.readings.newest()
        assert store.readings.extent() == other.readings.extent()
        for channel in CHANNELS:
            words = (channel, SEPTEMBER, IN_DECEMBER, 300)
            ours, theirs = store.overviews.envelope(*words), other.overviews.envelope(*words)
            assert np.array_equal(ours.low, theirs.low, equal_nan=True)
            assert np.array_equal(ours.n, theirs.n)


@pytest.mark.slow
def test_a_seal_never_hides_what_is_hot(store: Store) -> None:
    """Where the hot tier has readings of that month and channel, they and the new ones stay together."""
    store.append("poll", [Row(CHANNELS[0], OCTOBER + 7, OCTOBER + 7, 19.5)])

    store.load_series("import-made", [series_of(channel) for channel in CHANNELS], IN_DECEMBER)

    assert [(seal.from_ns, seal.rows) for seal in store.archive.seals()] == [
        (OCTOBER, 31 * 1440),
        (NOVEMBER, 2 * 30 * 1440),
    ]
    assert len(store.readings.read(CHANNELS[0], 0, 2 * IN_DECEMBER)) == 64 * 1440 + 1
    assert store.verify().faults == ()
    store.seal(IN_DECEMBER)
    assert hot_rows(store) == 2 * 2 * 1440  # of December
    assert len(store.readings.read(CHANNELS[0], 0, 2 * IN_DECEMBER)) == 64 * 1440 + 1
    assert store.verify().faults == ()


@pytest.mark.slow
@pytest.mark.parametrize("writer", ["poll", "import-made"])
def test_readings_that_come_in_between_are_not_hidden(store: Store, writer: str) -> None:
    """A probe's late reading of that month, or one under the same numbers, while the file is written."""
    original: Callable[..., None] = Archive.compare
    once = Lock()  # several files are compared at a time

    def compare(self: Archive, *args: object) -> None:
        if once.acquire(blocking=False):
            store.append(writer, [Row(CHANNELS[0], NOVEMBER + 7, NOVEMBER + 7, 19.5)])
        original(self, *args)

    with patch.object(Archive, "compare", compare):
        store.load_series("import-made", [series_of()], IN_DECEMBER)

    assert store.archive.seals() == []
    assert files(store.folder) == []
    assert len(store.readings.read(CHANNELS[0], 0, 2 * IN_DECEMBER)) == 64 * 1440 + 1
    assert store.verify().faults == ()


class Interrupted(Exception):
    """Stands for the process ending at this point."""


def _interrupt(*_args: object) -> None:
    raise Interrupted


@pytest.mark.slow
@pytest.mark.parametrize(
    "point",
    [(Archive, "compare"), (Archive, "record_seal"), (HotTier, "chain_batch"), (HotTier, "append_columns")],
)
def test_nothing_of_an_interrupted_import_stays(folder: Path, point: tuple[type, str]) -> None:
    """Its files are no evidence of anything: before and after the next start the record is as it was."""
    with Store.open(folder, create=True) as store:
        with (
            patch.object(*point, _interrupt),
            patch.object(Archive, "remove_unfinished"),
            pytest.raises(Interrupted),
        ):
            store.load_series("import-made", [series_of()], IN_DECEMBER)
        assert any(name.endswith(".parquet") for name in files(folder))
        assert store.verify().faults == ()

    with Store.open(folder) as store:
        assert files(folder) == []
        assert store.readings.channels() == []
        store.load_series("import-made", [series_of()], IN_DECEMBER)
        assert is_stored(store, series_of())
        assert store.verify().faults == ()


def test_a_seal_outlives_the_note_of_what_was_begun(folder: Path) -> None:
    """Killed between the transaction and tidying up: the files are sealed, and stay."""
    with Store.open(folder, create=True) as store, patch.object(Archive, "remove_unfinished"):
        store.load_series("import-made", [series_of()], IN_DECEMBER)
        assert "begun.json" in files(folder)

    with Store.open(folder) as store:
        assert files(folder) == ["readings-0001.parquet"] * 2
        assert is_stored(store, series_of())
        assert store.verify().faults == ()


@pytest.mark.slow
@pytest.mark.parametrize("note", [b"[", b"{}", b'["../other.txt"]', b"\xff\x00"])
def test_a_file_of_unknown_origin_stays_as_evidence(folder: Path, note: bytes) -> None:
    """Only what the note names in the archive is removed; what it cannot explain is named."""
    with (
        Store.open(folder, create=True) as store,
        patch.object(Archive, "record_seal", _interrupt),
        patch.object(Archive, "remove_unfinished"),
        pytest.raises(Interrupted),
    ):
        store.load_series("import-made", [series_of()], IN_DECEMBER)
    (folder / "archive" / "begun.json").write_bytes(note)
    other = folder / "other.txt"
    other.write_text("not ours")

    with Store.open(folder) as store:
        assert files(folder) == ["readings-0001.parquet"] * 2
        report = store.verify().faults
        assert len(report) == 2
        assert all("is in the archive without a seal" in fault for fault in report)
    assert other.read_text() == "not ours"


def test_a_full_disk_stops_it_whole(store: Store) -> None:
    """The space that was taken is given back, and nothing of the import is there."""

    def full(_path: Path) -> None:
        raise OSError(28, os.strerror(28))

    with (
        patch("logger.store.archive.archive.sync_file", full),
        pytest.raises(StoreError, match="could not be written"),
    ):
        store.load_series("import-made", [series_of()], IN_DECEMBER)

    assert files(store.folder) == []
    assert (store.readings.channels(), store.verify().faults) == ([], ())


def test_changes_are_found(store: Store, folder: Path) -> None:
    """A byte of the file, and a digest that leads to it."""
    store.load_series("import-made", [series_of()], IN_DECEMBER)
    path = folder / store.archive.seals()[0].file
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    sealed = store.archive.seals()[0].file
    assert any("altered" in fault and sealed in fault for fault in store.verify().faults)
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    assert store.verify().faults == ()

    edit(folder, "UPDATE batch SET first_seq = first_seq + 1 WHERE number = (SELECT min(number) FROM batch)")
    assert any("altered, the journal says" in fault for fault in store.verify().faults)


# The child says of every file that it was told is stored.
CHILD = """
import sys
from pathlib import Path
from threading import Lock
from tests.store.test_store_intake import IN_DECEMBER, series_of
from logger.store import Store; from logger.store.archive import bulk_load as intake
intake.LEAST = 400
with Store.open(Path(sys.argv[1])) as store:
    for at in range(10_000):
        name = f"{sys.argv[2]}-{at}"
        series = [series_of(f"P{name}.{kind}", days=62, every_ns=3600 * 10**9) for kind in "tr"]
        store.load_series(f"import-{name}", series, IN_DECEMBER)
        print(f"P{name}", flush=True)
"""


@pytest.mark.slow
@pytest.mark.parametrize(
    "folders", [pytest.param(1, id="short"), pytest.param(40, id="long", marks=pytest.mark.long)]
)
def test_killed_at_any_moment(tmp_path: Path, folders: int) -> None:
    """After every kill each file is there whole or not at all, and those that were told stored are."""
    chance = random.Random(folders)
    for number in range(folders):  # a verification takes longer, the more there is
        folder = tmp_path / f"data-{number}"
        with Store.open(folder, create=True, simulated=True):
            pass
        _killed(folder, chance, rounds=5)


def _killed(folder: Path, chance: random.Random, rounds: int) -> None:
    acknowledged: set[str] = set()
    for round_ in range(rounds):
        command = [sys.executable, "-c", CHILD, str(folder), str(round_)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
            assert child.stdout is not None
            acknowledged.add(child.stdout.readline().strip())
            time.sleep(chance.uniform(0.0, 0.3))
            child.kill()
            acknowledged |= {line.strip() for line in child.stdout if line.endswith("\n")}
        with Store.open(folder) as reopened:
            report = reopened.verify()
            assert report.faults == ()
            assert report.readings % (2 * 62 * 24) == 0
            channels = {f"{name}.{kind}" for name in acknowledged for kind in "tr"}
            assert channels <= set(reopened.readings.channels())
            assert "begun.json" not in files(folder)
            seals = len(reopened.archive.seals())
    assert "" not in acknowledged
    assert seals >= 2 * rounds
