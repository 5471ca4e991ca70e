"""A record held against its backups: a rollback is found, and the altered row is named."""

from __future__ import annotations

import shutil
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from logger.errors import Refused
from logger.store import Store
from logger.store.backup.backup import backup
from logger.store.backup.compare import verify_record
from logger.store.hot.address import holds_record

from .conftest import DAY, IN_DECEMBER, NOVEMBER, OCTOBER, edit, polled

PROBES = ("P1.temperature", "P2.temperature")


@pytest.fixture
def share(folder: Path, tmp_path: Path) -> Path:
    """A record with sealed and hot rows, backed up once."""
    target = tmp_path / "share"
    target.mkdir()
    with Store.open(folder, create=True) as store:
        store.append("poll", polled(OCTOBER, 90, PROBES, step_ns=DAY // 20))
        store.seal(IN_DECEMBER)
        store.append("poll", polled(NOVEMBER, 30, PROBES))
        assert backup(store, target, "Greta Holm", IN_DECEMBER).intact
    return target


def faults(folder: Path, share: Path) -> tuple[str, ...]:
    with Store.open(folder, read_only=True) as store:
        return verify_record(store, (), share).faults


def test_an_untouched_record_agrees_with_its_backups(folder: Path, share: Path) -> None:
    """Also after more was stored, sealed and journalled since."""
    with Store.open(folder) as store:
        store.append("poll", polled(NOVEMBER + DAY, 30, PROBES))
        store.seal(IN_DECEMBER + 40 * DAY)

    assert faults(folder, share) == ()


def test_a_digit_changed_in_the_database_is_named_with_its_row(folder: Path, share: Path) -> None:
    """The acceptance of S2: batch, channel, instant, and what it was in the backup."""
    edit(folder, "UPDATE reading SET value = 19.37 WHERE seq = 200")

    batch, row = faults(folder, share)

    assert batch.startswith("batch ")
    assert row == (
        "reading 200 of writer poll (P2.temperature, 2026-11-01T00:09:00Z): in backup "
        "000001-20261206T000000Z value was 20.09, is 19.37"
    )


def test_a_digit_changed_in_a_sealed_month_is_named_with_its_row(folder: Path, share: Path) -> None:
    """Two months back: file, channel, day, the row, and where the whole file still is."""
    path = next(folder.rglob("*.parquet"))
    table = pq.read_table(path, partitioning=None)
    values = table.column("value").to_pylist()
    values[7] = 19.37
    table = table.set_column(table.schema.get_field_index("value"), "value", pa.array(values))
    with pq.ParquetWriter(path, table.schema) as writer:
        writer.write_table(table.slice(0, 90))
        writer.write_table(table.slice(90))

    day, whole, row = faults(folder, share)

    assert day.endswith("channel P1.temperature, day 2026-10-01: altered")
    assert "is whole in backup 000001-" in whole
    assert row.startswith("reading 15 of writer poll (P1.temperature, 2026-10-01T08:24:00Z)")
    assert row.endswith("value was 20.07, is 19.37")


def test_a_deleted_row_is_named(folder: Path, share: Path) -> None:
    edit(folder, "DELETE FROM reading WHERE seq = 200")

    fault_list = faults(folder, share)

    assert fault_list[-1].startswith(
        "reading 200 of writer poll (P2.temperature, 2026-11-01T00:09:00Z): is in backup"
    )
    assert fault_list[-1].endswith("and is missing here")


def test_a_rolled_back_record_is_found_by_its_backups(folder: Path, share: Path, tmp_path: Path) -> None:
    """Intact in itself, and older than what was backed up."""
    shutil.copytree(folder, tmp_path / "older")
    with Store.open(folder) as store:
        store.journal.append("act", "Radek Sova", {"zone": "machine-bay"})
        head = backup(store, share, "Greta Holm", IN_DECEMBER + DAY).head

    with Store.open(tmp_path / "older", read_only=True) as older:
        assert older.verify().intact
    (cut,) = faults(tmp_path / "older", share)

    assert cut.startswith(f"journal entry {head[0]}: missing, though it left this machine as head")


def test_a_record_that_went_on_another_way_is_found_by_its_backups(
    folder: Path, share: Path, tmp_path: Path
) -> None:
    """Put back to an older state and used since: longer than the backup knows it, but another chain."""
    shutil.copytree(folder, tmp_path / "older")
    with Store.open(folder) as store:
        store.journal.append("act", "Radek Sova", {"zone": "machine-bay"})
        head = backup(store, share, "Greta Holm", IN_DECEMBER + DAY).head
    with Store.open(tmp_path / "older") as older:
        for _ in range(3):
            older.journal.append("act", "Radek Sova", {"zone": "plate-bench"})

    (other,) = faults(tmp_path / "older", share)

    assert other.startswith(f"journal entry {head[0]}: is not the head that left this machine")


def test_other_folders_are_refused(folder: Path, share: Path, tmp_path: Path) -> None:
    with Store.open(tmp_path / "other", create=True) as other:
        with pytest.raises(Refused, match="backups of another record"):
            verify_record(other, (), share)
        with pytest.raises(Refused, match="not a backup folder"):
            verify_record(other, (), tmp_path)
    assert holds_record(folder)
