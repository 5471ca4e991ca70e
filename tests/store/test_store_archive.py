"""Months that leave the hot tier: lossless, once, whatever is interrupted."""

from __future__ import annotations

import math
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from logger.errors import StoreDamaged, StoreError
from logger.model import Row
from logger.series import STATUS
from logger.store import Store, lock
from logger.store.archive import archive
from logger.store.archive.archive import Archive
from logger.store.rows import are_equal

from .conftest import DAY, IN_DECEMBER, MINUTE, NOVEMBER, OCTOBER, edit, hot_rows, polled

HOUR = 60 * MINUTE
PROBES = ("P1.temperature", "P1.relative_humidity")
ROOM = {"room.toml": '[room]\nkey = "east"\n'}


def shown(store: Store, channel: str = "P1.temperature") -> list[tuple[int, str, int, bool]]:
    readings = store.readings.read(channel, -(2**63), 2**63 - 1)
    return list(
        zip(
            readings.taken_ns.tolist(),
            map(repr, readings.value.tolist()),
            readings.status.tolist(),
            readings.late.tolist(),
            strict=True,
        )
    )


def everything_shown(store: Store) -> tuple[object, ...]:
    """What is read of a store in every way."""
    readings = store.readings
    newest = readings.newest(), readings.newest(ok=True)
    return shown(store), *newest, readings.extent(), readings.arrived_after(-1)


def test_a_sealed_month_reads_as_before(store: Store) -> None:
    """Two months and a running one: complete months move, every answer stays."""
    store.setups.put(ROOM, "Greta Holm", "first", "Greta Holm", OCTOBER)
    store.append("poll", polled(OCTOBER - DAY, 300, PROBES, step_ns=DAY // 4))
    before = everything_shown(store)

    seals = store.seal(NOVEMBER + 2 * DAY)

    assert [seal.file for seal in seals] == [
        "archive/room=east/year=2026/month=09/readings-0001.parquet",
        "archive/room=east/year=2026/month=10/readings-0001.parquet",
    ]
    assert hot_rows(store) == 600 - sum(seal.rows for seal in seals)
    assert everything_shown(store) == before
    assert store.archive.seals() == seals
    assert store.seal(NOVEMBER + 2 * DAY) == []
    assert store.verify().faults == ()


def test_a_month_is_sealed_two_days_after_its_end_and_not_before(store: Store) -> None:
    """A day for late data, and one for the time zones."""
    store.append("poll", polled(OCTOBER, 3))

    assert store.seal(NOVEMBER + 2 * DAY - 1) == []
    assert len(store.seal(NOVEMBER + 2 * DAY)) == 1


def test_a_large_hot_tier_is_sealed_by_days(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Fast probes fill it long before the month is over; what follows makes further files of the month."""
    monkeypatch.setattr(archive, "LARGE", 100)
    store.append("poll", polled(OCTOBER, 300, PROBES, step_ns=HOUR))  # 12.5 days
    before = shown(store)

    (first,) = store.seal(OCTOBER + 7 * DAY + 5 * HOUR)
    late = [Row("P1.temperature", OCTOBER + DAY + 1, OCTOBER + 8 * DAY, 25.0, late=True)]
    store.append("import-x", late)
    (second,) = store.seal(OCTOBER + 12 * DAY)
    assert store.seal(OCTOBER + 12 * DAY) == []  # no longer large
    (third,) = store.seal(NOVEMBER + 2 * DAY)

    assert (first.to_ns, second.to_ns, third.to_ns) == (OCTOBER + 5 * DAY, OCTOBER + 10 * DAY, NOVEMBER)
    assert (first.rows, second.rows) == (5 * 24 * len(PROBES), 5 * 24 * len(PROBES) + 1)
    assert [row for row in shown(store) if row[1] != "25.0"] == before
    assert len(shown(store)) == len(before) + 1
    assert store.verify().faults == ()


def test_everything_sealed_leaves_an_empty_hot_tier(store: Store) -> None:
    """With no hot row left, the newest rows come from the files, and cursors go on rising."""
    store.append(
        "poll", [*polled(OCTOBER, 5), Row("P1.temperature", OCTOBER + DAY, OCTOBER + DAY, None, "timeout")]
    )
    newest, ok = store.readings.newest(), store.readings.newest(ok=True)
    _, cursor = store.readings.arrived_after(-1)

    store.seal(IN_DECEMBER)
    assert (hot_rows(store), store.readings.newest(), store.readings.newest(ok=True)) == (0, newest, ok)
    store.append("poll", polled(IN_DECEMBER, 1))

    rows, _ = store.readings.arrived_after(cursor)
    assert [row.taken_ns for _, row in rows] == [IN_DECEMBER]
    assert store.append("poll", polled(IN_DECEMBER, 1)).first == 8


def test_what_was_sealed_before_anybody_asked_is_still_a_change(store: Store) -> None:
    """Pieces become dirty by rows that arrived and were sealed since."""
    store.append("poll", polled(NOVEMBER, 1))
    _, cursor = store.readings.arrived_after(-1)
    store.append("import-x", polled(OCTOBER, 5, PROBES))

    store.seal(NOVEMBER + 2 * DAY)

    changed, end = store.readings.changed_since(cursor)
    assert changed == dict.fromkeys(PROBES, OCTOBER)
    assert store.readings.changed_since(end) == ({}, end)


def test_late_data_makes_a_further_file(store: Store) -> None:
    """A sealed file never changes; both are merged on reading, equal instants in order of writers."""
    store.append("poll", polled(OCTOBER, 3, step_ns=2 * MINUTE))
    (first,) = store.seal(IN_DECEMBER)
    content = (store.folder / first.file).read_bytes()
    store.append("import-x", [Row("P1.temperature", OCTOBER + MINUTE, IN_DECEMBER, 30.0, late=True)])
    store.append("import-x", [Row("P1.temperature", OCTOBER + 2 * MINUTE, IN_DECEMBER, 40.0, late=True)])
    before = shown(store)

    (second,) = store.seal(IN_DECEMBER)

    assert second.file.endswith("month=10/readings-0002.parquet")
    assert (store.folder / first.file).read_bytes() == content
    assert shown(store) == before
    assert [value for _, value, _, _ in before] == ["20.0", "30.0", "40.0", "20.01", "20.02"]
    assert store.verify().faults == ()


def test_rooms_have_folders_of_their_own(store: Store) -> None:
    """Who keeps two rooms in one store says which channel belongs where."""
    store.append("poll", polled(OCTOBER, 3, PROBES))

    seals = store.seal(IN_DECEMBER, {PROBES[1]: "room B/2"})

    assert [(seal.room, seal.rows) for seal in seals] == [("room B/2", 3), ("unnamed", 3)]
    assert seals[0].file.startswith("archive/room=room%20B%2F2/")
    assert store.verify().faults == ()


def test_a_stranger_reads_the_archive_in_two_lines(store: Store) -> None:
    """pandas alone, no code of ours."""
    store.setups.put(ROOM, "Greta Holm", "first", "Greta Holm", OCTOBER)
    store.append("poll", polled(OCTOBER, 50, PROBES))
    store.seal(IN_DECEMBER)

    frame = pd.read_parquet(store.folder / "archive")

    part = frame[frame.channel == "P1.temperature"]
    assert part.taken.iloc[1] == pd.Timestamp("2026-10-01T00:01:00Z")
    assert part.value.tolist() == [round(20 + i / 100, 2) for i in range(50)]
    assert set(frame.room) == {"east"}


def test_files_with_short_pages_of_columns_that_may_be_empty_read_alike(store: Store) -> None:
    """So the first sealed files were written; now only the value may be empty, and a page is a month."""
    store.append(
        "bus-a", [*polled(OCTOBER, 20_000), Row("P1.temperature", NOVEMBER - 1, NOVEMBER, None, "timeout")]
    )
    (seal,) = store.seal(IN_DECEMBER)
    now = pq.ParquetFile(store.folder / seal.file)
    assert [c.max_definition_level for c in now.schema if c.name != "value"] == [0] * 14
    table = now.read()
    before = pa.BufferOutputStream()
    optional = pa.schema([field.with_nullable(True) for field in table.schema])
    pq.write_table(table.cast(optional), before, compression="zstd", data_page_size=1000)
    first = before.getvalue().to_pybytes()
    assert pq.ParquetFile(pa.BufferReader(first)).schema[0].max_definition_level == 1
    assert are_equal(store.archive.rows_in(seal.file, first), store.archive.rows_in(seal.file))


@pytest.mark.slow
def test_a_sealed_reading_is_small(store: Store) -> None:
    """At most 3 bytes a reading for jittered 60 s polls of 0.01 resolution, whole milliseconds."""
    random = np.random.default_rng(4)
    n = 40_000
    taken_ms = OCTOBER // 1_000_000 + np.arange(n) * 60_000 + random.integers(0, 12, n)
    received_ms = taken_ms + 40 + random.integers(0, 8, n)
    value = np.round(20 + np.cumsum(random.normal(0, 0.004, n)), 2)
    fields = zip(taken_ms.tolist(), received_ms.tolist(), value.tolist(), strict=True)
    rows = [
        Row("c", t * 10**6, r * 10**6, v, boot="b", monotonic_ns=t * 10**6 - OCTOBER) for t, r, v in fields
    ]
    store.append("poll", rows)

    (seal,) = store.seal(IN_DECEMBER)

    content = pq.ParquetFile(store.folder / seal.file).metadata
    assert content.num_rows == seal.rows == 40_000
    assert seal.size_bytes / seal.rows <= 3.0


INSTANTS = st.integers(OCTOBER - 3 * DAY, NOVEMBER + 3 * DAY) | st.sampled_from(
    [OCTOBER, NOVEMBER - 1, NOVEMBER]
)
VALUES = (
    st.none() | st.floats(allow_nan=True, allow_infinity=True) | st.sampled_from([20.0, 20.01, -0.0, 5e-324])
)


@st.composite
def stored_rows(draw: st.DrawFn) -> Row:
    value = draw(VALUES)
    bad = value is None or not math.isfinite(value)
    return Row(
        channel=draw(st.sampled_from(["a", "b", "µ"])),
        taken_ns=draw(INSTANTS),
        received_ns=draw(st.integers(-(2**62), 2**62)),
        value=value,
        status=draw(st.sampled_from(STATUS[1:])) if bad else "ok",  # type: ignore[arg-type]
        raw=draw(st.text(st.characters(codec="utf-8"), max_size=8)),
        source=draw(st.sampled_from(["poll", "import:x"])),
        late=draw(st.booleans()),
        boot=draw(st.sampled_from(["", "boot"])),
        monotonic_ns=draw(st.integers(-(2**62), 2**62)),
    )


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new store to copy: making one takes longer than everything that an example does."""
    folder = tmp_path_factory.mktemp("template") / "data"
    Store.open(folder, create=True).close()
    return folder


BATCHES = st.lists(st.tuples(st.sampled_from(["poll", "x"]), st.lists(stored_rows(), max_size=6)), max_size=4)
AS_DRAWN = settings(phases=[Phase.explicit, Phase.reuse, Phase.generate], database=None)


@pytest.mark.slow
@settings(AS_DRAWN, max_examples=12)
@given(batches=BATCHES, seal_after=st.integers(0, 4))
def test_nothing_is_lost_by_sealing(
    template: Path, batches: list[tuple[str, list[Row]]], seal_after: int
) -> None:
    """Any rows, sealed at any time in between: every field comes back, in the order of the record."""
    _seal_and_compare(template, batches, seal_after)


@pytest.mark.long
@settings(AS_DRAWN, max_examples=400)
@given(batches=BATCHES, seal_after=st.integers(0, 4))
def test_nothing_is_lost_by_sealing_long(
    template: Path, batches: list[tuple[str, list[Row]]], seal_after: int
) -> None:
    """Many more of them."""
    _seal_and_compare(template, batches, seal_after)


def _seal_and_compare(template: Path, batches: list[tuple[str, list[Row]]], seal_after: int) -> None:
    with tempfile.TemporaryDirectory() as scratch, Store.open(_copied(template, scratch)) as store:
        for at, (writer, rows) in enumerate(batches):
            store.append(writer, rows)
            if at == seal_after:
                store.seal(IN_DECEMBER)
        hot = _rows_of_both(store)
        store.seal(IN_DECEMBER)

        assert store.verify().faults == ()
        assert _rows_of_both(store) == hot
        assert [key for key, _ in hot] == sorted(_numbered(batches))
        for channel in store.readings.channels():
            assert shown(store, channel) == _expected(hot, channel)


def _copied(template: Path, scratch: str) -> Path:
    return Path(shutil.copytree(template, Path(scratch) / "data"))


def _rows_of_both(store: Store) -> list[tuple[tuple[str, int], Row]]:
    """Every row with its writer and number, from both tiers."""
    with store.read() as conn:
        parts = [
            store.hot.select(conn),
            *(store.archive.rows_of(writer, 1, 999) for writer in ("poll", "x")),
        ]
    result = [
        ((p.writer[at], int(p.seq[at])), p.row(at)) for p in parts if p is not None for at in range(len(p))
    ]
    return sorted(result, key=lambda pair: pair[0])


def _numbered(batches: list[tuple[str, list[Row]]]) -> list[tuple[str, int]]:
    counts = {name: sum(len(rows) for writer, rows in batches if writer == name) for name in ("poll", "x")}
    return [(name, number) for name, count in counts.items() for number in range(1, count + 1)]


def _expected(rows: list[tuple[tuple[str, int], Row]], channel: str) -> list[tuple[int, str, int, bool]]:
    """What `readings` must show, from single rows."""
    mine = sorted((row.taken_ns, key, row) for key, row in rows if row.channel == channel)
    return [
        (taken_ns, repr(math.nan if row.value is None else row.value), STATUS.index(row.status), row.late)
        for taken_ns, _, row in mine
    ]


class Interrupted(Exception):
    """Stands for the process ending at this point."""


def _interrupt(*_args: object) -> None:
    raise Interrupted


@pytest.mark.slow
@pytest.mark.parametrize("point", ["publish", "compare", "record_seal", "_delete"])
def test_an_interrupted_seal_is_finished_or_removed_at_the_next_start(folder: Path, point: str) -> None:
    """Whatever step the process ended at, no reading is lost or told twice."""
    module = "logger.store.archive.archive"
    place = "logger.store.archive.file_place.publish" if point == "publish" else f"{module}.Archive.{point}"
    with Store.open(folder, create=True) as store:
        store.append("poll", polled(OCTOBER, 20, PROBES))
        before = shown(store)
        with patch(place, _interrupt), pytest.raises(Interrupted):
            store.seal(IN_DECEMBER)
        assert shown(store) == before
        assert store.verify().faults == ()

    with Store.open(folder) as store:
        files = [path for path in (folder / "archive").rglob("*") if path.is_file()]
        assert len(files) == len(store.archive.seals()) == (1 if point == "_delete" else 0)
        assert hot_rows(store) == (0 if point == "_delete" else 40)
        store.seal(IN_DECEMBER)
        assert (hot_rows(store), shown(store)) == (0, before)
        assert store.verify().faults == ()


def test_a_file_that_reads_back_differently_is_not_sealed(store: Store) -> None:
    """A disk that changes what is written is found before any hot row goes."""
    store.append("poll", polled(OCTOBER, 20))
    original: Callable[[Archive, str, bytes], dict[str, dict[str, str]]] = Archive._day_digests

    def changed(self: Archive, file: str, content: bytes) -> dict[str, dict[str, str]]:
        return {channel: dict.fromkeys(days, "0") for channel, days in original(self, file, content).items()}

    with patch.object(Archive, "_day_digests", changed), pytest.raises(StoreError, match="did not read back"):
        store.seal(IN_DECEMBER)

    assert (hot_rows(store), store.archive.seals()) == (20, [])


def test_altered_hot_rows_are_never_sealed(store: Store, folder: Path) -> None:
    """What a database editor changed must not become a sealed truth."""
    store.append("poll", polled(OCTOBER, 20))
    edit(folder, "UPDATE reading SET value = 19.99 WHERE seq = 7")

    with pytest.raises(StoreDamaged, match="batch 2 of writer poll: altered"):
        store.seal(IN_DECEMBER)

    assert (hot_rows(store), store.archive.seals()) == (20, [])


def test_a_missing_sealed_file_is_named_on_reading(store: Store) -> None:
    """Readings that cannot be given are an error, never an empty answer."""
    store.append("poll", polled(OCTOBER, 20))
    (seal,) = store.seal(IN_DECEMBER)
    (store.folder / seal.file).unlink()

    with pytest.raises(StoreDamaged, match=seal.file):
        store.readings.read("P1.temperature", OCTOBER, NOVEMBER)


def test_a_probe_with_a_wrong_clock_is_sealed_where_its_clock_says(store: Store) -> None:
    """Batches torn over months far apart are still proven whole, and nothing is lost."""
    for at in range(0, 5 * MINUTE, MINUTE):
        store.append("poll", [*polled(OCTOBER + at, 1), *polled(at, 1, ("P2.temperature",))])
        store.append("poll", polled(NOVEMBER + 20 * DAY + at, 1))
    before = shown(store), shown(store, "P2.temperature"), store.readings.newest(), store.readings.extent()

    seals = store.seal(NOVEMBER + 2 * DAY)
    store.append("poll", [*polled(OCTOBER, 1), *polled(NOVEMBER + 20 * DAY, 1, ("P2.temperature",))])

    assert [seal.file[-34:] for seal in seals] == [
        "year=1970/month=01/readings-0001.parquet"[-34:],
        "year=2026/month=10/readings-0001.parquet"[-34:],
    ]
    assert store.verify().faults == ()
    assert len(store.seal(NOVEMBER + 2 * DAY)) == 1
    assert store.verify().faults == ()
    assert (len(before[0]), len(shown(store))) == (10, 11)
    assert shown(store, "P2.temperature")[:5] == before[1]


def test_sealing_is_left_to_the_one_who_does_it(store: Store, folder: Path) -> None:
    """A second process that would seal at the same time does nothing; opening does not tidy meanwhile."""
    store.append("poll", polled(OCTOBER, 20))
    (folder / "archive").mkdir()
    part = folder / "archive" / "readings-0001.parquet.part"
    part.write_bytes(b"being written")

    with (
        lock.try_lock(folder / "seal.lock") as ours,
        patch("time.sleep"),
        patch("time.monotonic", iter(range(99)).__next__),
    ):
        assert ours
        assert store.seal(IN_DECEMBER) == []
        Store.open(folder).close()
        assert part.exists()

    assert len(store.seal(IN_DECEMBER)) == 1
    assert not part.exists()
