"""Ten years of journal: what they take on the disk, and how long they take to verify and to back up.

`STILLROOM_BATCH_MIN` is the time between two batches in minutes: 1 in the running service, 30 here, because
each batch is a durable commit. What is printed for an entry holds for both.
"""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from logger.model import Row
from logger.store import Store
from logger.store.archive.journal_months import LEAST
from logger.store.backup.backup import backup

from .conftest import DAY, OCTOBER

YEARS, MIB = 10, 1 << 20


def size_of(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def grown(folder: Path, years: int, step_ns: int) -> Store:
    """A batch each step, sealed at the end of each month as the service does."""
    store = Store.open(folder, create=True, simulated=True)
    sealed_ns = OCTOBER
    for at_ns in range(OCTOBER, OCTOBER + years * 365 * DAY, step_ns):
        store.append("poll", [Row("P1.temperature", at_ns, at_ns, 20.0 + at_ns // step_ns % 90 / 100)])
        if at_ns - sealed_ns > 32 * DAY:
            store.seal(at_ns)
            sealed_ns = at_ns
    store.seal(OCTOBER + (years * 365 + 40) * DAY)
    return store


@pytest.mark.long
def test_ten_years_of_journal_stay_small(folder: Path, tmp_path: Path) -> None:
    """All of it is verified, every backup holds it, and only the newest months of it are in the database."""
    minutes = float(os.environ.get("STILLROOM_BATCH_MIN", "30"))
    share = tmp_path / "share"
    share.mkdir()
    store = grown(folder, YEARS, int(minutes * 60e9))
    with store:
        entries = store.journal.head()[0]
        began_s = time.perf_counter()
        assert store.verify().intact
        verified_s, began_s = time.perf_counter() - began_s, time.perf_counter()
        assert backup(store, share, "test", OCTOBER + YEARS * 366 * DAY).intact
        backed_up_s, began_s = time.perf_counter() - began_s, time.perf_counter()
        assert backup(store, share, "test", OCTOBER + YEARS * 367 * DAY).copied == 0
        again_s = time.perf_counter() - began_s
        with store.read() as conn:
            hot = int(conn.exec_driver_sql("SELECT count(*) FROM journal WHERE kind = 'batch'").scalar_one())
        journal_mib = size_of(folder / "journal") / MIB
        snapshot_mib = max(p.stat().st_size for p in share.rglob("stillroom.db")) / MIB
    assert hot <= LEAST + 3 * entries // (12 * YEARS)
    print(
        f"{YEARS} years, a batch each {minutes:g} min: {entries:,} entries; journal/ {journal_mib:.1f} MiB "
        f"({journal_mib * MIB / entries:.0f} B an entry), database in a backup {snapshot_mib:.2f} MiB; "
        f"verified in {verified_s:.1f} s, backed up in {backed_up_s:.1f} s, again in {again_s:.1f} s"
    )
