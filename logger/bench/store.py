"""The store against bare pyarrow, bare hashing and the clock, in one run on one record.

Jittered readings of 0.01 resolution every minute, sealed by month, as `record.py` makes them.
"""

from __future__ import annotations

import hashlib
import statistics
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pyarrow.parquet as pq

from ..errors import Refused
from ..instants import NS
from ..model import Row
from ..store import Store
from .record import START_NS, make, setup
from .timing import time_call

DAY_NS = 86_400 * NS
BINS = 800  # about the width of a chart in places
BATCH = 64
COMMITS = 200


@dataclass(frozen=True)
class StoreFigures:
    """Of one run; `windows_ms`: days -> (first time, again) for all channels together."""

    readings: int
    bytes_per_reading: float
    channel_ms: float
    bare_ms: float
    windows_ms: dict[int, tuple[float, float]]
    commit_ms: float
    commit_p95_ms: float
    verify_s: float
    hash_s: float

    def lines(self) -> list[str]:
        """What is printed."""
        windows = [
            f"chart of all channels over {days} days: {first:.0f} ms at first, {again:.0f} ms again"
            for days, (first, again) in self.windows_ms.items()
        ]
        return [
            f"{self.readings:,} sealed readings at {self.bytes_per_reading:.2f} bytes each, all columns",
            f"one channel over everything: {self.channel_ms:.1f} ms, bare pyarrow {self.bare_ms:.1f} ms; "
            f"ratio {self.channel_ms / self.bare_ms:.2f}",
            *windows,
            f"{BATCH} readings committed durably: {self.commit_ms:.2f} ms median, "
            f"{self.commit_p95_ms:.2f} ms at the 95th percentile",
            f"verified in {self.verify_s:.2f} s; hashing the same readings as rows {self.hash_s:.2f} s; "
            f"ratio {self.verify_s / self.hash_s:.2f}",
        ]


def run(folder: Path, channels: int, days: int, say: Callable[[str], None]) -> StoreFigures:
    """Make the record if needed and take all figures in one run."""
    if days < 31:
        raise Refused(f"A record of {days} days is too short to seal; expected 31 or more (--days).")
    with make(folder, channels, days, say) as store:
        files = [folder / seal.file for seal in store.archive.seals()]
        readings = sum(seal.rows for seal in store.archive.seals())
        say("reading")
        channel = next(iter(setup(channels).channels))
        whole_s = (START_NS, START_NS + days * DAY_NS)
        channel_ms = 1000 * min(time_call(lambda: store.readings.read(channel, *whole_s)) for _ in range(5))
        bare_ms = 1000 * min(time_call(lambda: read_bare(files, channel)) for _ in range(5))
        say("charts")
        windows = {span: _windows(folder, span, days) for span in (1, 7, 31, 365, 3653) if span <= days}
        say("verifying")
        verify_s = min(time_call(store.verify) for _ in range(3))
        hash_s = min(time_call(lambda: _hash(store, files)) for _ in range(3))
    say("committing")
    commits = _commits()
    size = sum(file.stat().st_size for file in files)
    return StoreFigures(
        readings, size / readings, channel_ms, bare_ms, windows, statistics.median(commits),
        sorted(commits)[int(0.95 * COMMITS)], verify_s, hash_s,
    )  # fmt: skip


def read_bare(files: list[Path], channel: str) -> None:
    """Read the columns of these row groups with nothing but pyarrow."""
    for path in files:
        file = pq.ParquetFile(path, pre_buffer=True)
        groups = [
            at
            for at in range(file.num_row_groups)
            if file.metadata.row_group(at).column(0).statistics.min == channel
        ]
        table = file.read_row_groups(groups, columns=["taken", "taken_rest_ns", "value", "status", "late"])
        table["taken"].to_numpy(), table["value"].to_numpy()


def _windows(folder: Path, span: int, days: int) -> tuple[float, float]:
    """One chart of all channels, ending in the middle of a day, in a store that was just opened."""
    to_ns = START_NS + days * DAY_NS - 7 * 3600 * NS - 1
    with Store.open(folder, read_only=True) as store:
        channels = store.readings.channels()

        def chart() -> None:
            for channel in channels:
                store.overviews.envelope(channel, to_ns - span * DAY_NS, to_ns, BINS)

        return 1000 * time_call(chart), 1000 * min(time_call(chart) for _ in range(3))


def _hash(store: Store, files: list[Path]) -> None:
    """Hash the bytes of the files, and as many bytes as the readings have in the encoding of digests."""
    for path in files:
        hashlib.sha256(path.read_bytes()).digest()
    block = bytes(42) * 100_000
    for chunk in store.archive.seals():
        sha = hashlib.sha256()
        for _ in range(chunk.rows // 100_000):
            sha.update(block)
        sha.update(block[: chunk.rows % 100_000 * 42])


def _commits() -> list[float]:
    """Milliseconds of each durable batch, in a store of its own."""
    with tempfile.TemporaryDirectory() as scratch, Store.open(Path(scratch) / "data", create=True) as store:
        times = []
        for number in range(COMMITS):
            at = START_NS + number * 60 * NS
            rows = [Row(f"P{n:02d}.temperature", at + n, at + n, 20 + n / 100) for n in range(BATCH)]
            times.append(1000 * time_call(lambda rows=rows: store.append("poll", rows)))  # type: ignore[misc]
        return times
