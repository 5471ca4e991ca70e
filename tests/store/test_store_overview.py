"""Overviews against plain numpy on every reading: no extreme is lost, whatever the window."""

from __future__ import annotations

import random
import shutil
from pathlib import Path

import numpy as np
import pytest

from logger.instants import NS
from logger.model import Row
from logger.store import Store
from logger.store.archive.cells import Envelope

from .conftest import DAY, MINUTE, NOVEMBER, OCTOBER

P1 = "P1.temperature"
DAYS = 120


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four months at 10 min, two of them sealed in two files each, with gaps, a spike and hot rows."""
    folder = tmp_path_factory.mktemp("overview") / "data"
    rng = np.random.default_rng(5)
    with Store.open(folder, create=True) as store:
        taken = OCTOBER + np.arange(DAYS * 144) * 10 * MINUTE + rng.integers(0, 9, DAYS * 144) * NS
        value = np.round(20 + np.sin(taken / DAY) / 3 + rng.normal(0, 0.02, len(taken)), 2)
        value[5000] += 2
        rows = [
            Row(P1, t, t, None if at % 97 == 0 else v, "timeout" if at % 97 == 0 else "ok")
            for at, (t, v) in enumerate(zip(taken.tolist(), value.tolist(), strict=True))
            if not 7000 < at < 7500
        ]
        store.append("poll", rows[: len(rows) // 2])
        store.seal(NOVEMBER + 31 * DAY)
        store.append("poll", [row for row in rows[len(rows) // 2 :]])
        store.append("import-late", [Row(P1, OCTOBER + 5 * DAY + 7, OCTOBER, 31.0, late=True)])
        store.seal(NOVEMBER + 33 * DAY)
    return folder


def plainly(store: Store, envelope: Envelope, from_ns: int, to_ns: int) -> None:
    """Every bin against the readings themselves, and no reading outside all bins."""
    readings = store.readings.read(P1, from_ns, to_ns)
    valid = np.isfinite(readings.value)
    taken, value = readings.taken_ns[valid], readings.value[valid]
    assert int(envelope.n.sum()) == len(value)
    for at in range(len(envelope)):
        inside = value[(taken >= envelope.start_ns[at]) & (taken < envelope.end_ns[at])]
        assert (envelope.low[at], envelope.high[at], envelope.n[at]) == (
            inside.min(),
            inside.max(),
            len(inside),
        )
        assert envelope.mean[at] == pytest.approx(inside.mean(), rel=1e-12)


@pytest.mark.slow
def test_any_window_is_that_of_the_readings(record: Path) -> None:
    """Windows from minutes to all, at odd instants, in few bins and many."""
    chance = random.Random(3)
    with Store.open(record) as store:
        for _ in range(60):
            length = int(DAY * 10 ** chance.uniform(-2, 2.2))
            from_ns = OCTOBER - 2 * DAY + chance.randrange(DAYS * DAY)
            bins = chance.choice([1, 3, 40, 700])
            envelope = store.overviews.envelope(P1, from_ns, from_ns + length, bins)
            assert len(envelope) <= bins
            plainly(store, envelope, from_ns, from_ns + length)


def test_a_spike_of_one_reading_is_on_the_chart_of_everything(record: Path) -> None:
    """Averages would hide it."""
    with Store.open(record) as store:
        envelope = store.overviews.envelope(P1, OCTOBER, OCTOBER + 400 * DAY, 100)
        assert envelope.high.max() == 31.0
        assert np.sort(envelope.high)[-2] > 21.5


def test_new_rows_and_new_seals_are_seen(record: Path, tmp_path: Path) -> None:
    """What is remembered in one process follows what others store and seal."""
    folder = Path(shutil.copytree(record, tmp_path / "data"))
    span = (OCTOBER, OCTOBER + 2 * DAYS * DAY)
    with Store.open(folder) as store, Store.open(folder) as other:
        before = store.overviews.envelope(P1, *span, 30)
        other.append("poll", [Row(P1, OCTOBER + DAYS * DAY + NS, OCTOBER, 40.0)])
        assert store.overviews.envelope(P1, *span, 30).high.max() == 40.0
        other.seal(OCTOBER + 400 * DAY)
        after = store.overviews.envelope(P1, *span, 30)
        assert (after.high.max(), after.n.sum()) == (40.0, before.n.sum() + 1)
        plainly(store, after, *span)


def test_the_cache_can_be_deleted_or_broken_and_is_no_part_of_the_record(
    record: Path, tmp_path: Path
) -> None:
    folder = Path(shutil.copytree(record, tmp_path / "data"))
    span = (OCTOBER, OCTOBER + DAYS * DAY)
    with Store.open(folder) as store:
        expected = store.overviews.envelope(P1, *span, 10)
    for harm in (shutil.rmtree, lambda path: next(path.rglob("900.arrow")).write_bytes(b"torn")):
        harm(folder / "overview")
        with Store.open(folder) as store:
            again = store.overviews.envelope(P1, *span, 10)
            assert again.high.tolist() == expected.high.tolist()
            assert store.verify().faults == ()
    shutil.rmtree(folder / "overview")
    with Store.open(folder, read_only=True) as store:
        assert store.overviews.envelope(P1, *span, 10).low.tolist() == expected.low.tolist()
    assert not (folder / "overview").exists()


def test_what_never_was_is_empty(record: Path) -> None:
    with Store.open(record, read_only=True) as store:
        assert len(store.overviews.envelope("P9.temperature", OCTOBER, NOVEMBER, 10)) == 0
        assert len(store.overviews.envelope(P1, OCTOBER - 9 * DAY, OCTOBER - DAY, 10)) == 0
