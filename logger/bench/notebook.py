"""`import stillroom` against bare pyarrow: a year of one channel as a DataFrame, in one run on one record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

import numpy as np

from ..acts.setup import apply_setup
from ..config import example_folder, in_force, read_texts
from ..errors import Refused
from ..instants import NS
from ..series import ImportedReadings
from ..store import Store
from .store import read_bare
from .timing import time_call, time_processor

DAY_NS = 86_400 * NS
CHANNEL = "P1.temperature"
TIMES = 9


@dataclass(frozen=True)
class NotebookFigures:
    """Of one run, each the best of some: ms to import and to open; ms of processor time for the rest.

    frame_ms: a channel as a DataFrame; quality_ms: with flags; arrow_ms: pyarrow's own DataFrame of the same
    bytes, without corrections; bare_ms: its arrays alone.
    """

    readings: int
    import_ms: float
    open_ms: float
    frame_ms: float
    quality_ms: float
    arrow_ms: float
    bare_ms: float

    def lines(self) -> list[str]:
        """What is printed."""
        return [
            f"import stillroom {self.import_ms:.0f} ms, open a record {self.open_ms:.0f} ms",
            f"{self.readings:,} readings of one channel as a DataFrame, corrected, with U: "
            f"{self.frame_ms:.0f} ms",
            f"pyarrow's DataFrame of the same bytes: {self.arrow_ms:.0f} ms, ratio "
            f"{self.frame_ms / self.arrow_ms:.2f}; its arrays alone: {self.bare_ms:.0f} ms",
            f"the same with the flag of each reading: {self.quality_ms:.0f} ms",
        ]


def run(folder: Path, days: int, say: Callable[[str], None]) -> NotebookFigures:
    """Make the record and take all figures in one run."""
    if days < 31:
        raise Refused(f"A record of {days} days is too short to seal; expected 31 or more (--days).")
    say("making")
    span = _make(folder / "data", days)
    import_ms = 1000 * time_call(lambda: import_module("stillroom"))
    stillroom = import_module("stillroom")
    say("reading")
    open_ms = 1000 * time_call(lambda: stillroom.open(folder / "data").close())
    texts = [f"{np.datetime64(ns, 'ns')}Z" for ns in span]
    with stillroom.open(folder / "data") as room:

        def frame(quality: bool) -> int:
            return len(room.readings(CHANNEL, *texts, quality=quality))

        readings = frame(quality=True)  # the libraries are loaded from here on
        files = [folder / "data" / seal.file for seal in room._store.archive.seals()]
        works: dict[str, Callable[[], object]] = {
            "frame": lambda: frame(quality=False),
            "arrow": lambda: _arrow(files),
            "bare": lambda: read_bare(files, CHANNEL),
            "quality": lambda: frame(quality=True),
        }
        # In turns, so that what else the machine does falls on all of them alike.
        times = [{name: 1000 * time_processor(work) for name, work in works.items()} for _ in range(TIMES)]
    best = {name: min(turn[name] for turn in times) for name in works}
    return NotebookFigures(
        readings, import_ms, open_ms, best["frame"], best["quality"], best["arrow"], best["bare"]
    )


def _arrow(files: list[Path]) -> object:
    """The columns of a channel as pyarrow reads them, in one DataFrame."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    tables = []
    for path in files:
        file = pq.ParquetFile(path, pre_buffer=True)
        group = [file.metadata.row_group(at).column(0).statistics.min for at in range(file.num_row_groups)]
        groups = [at for at, channel in enumerate(group) if channel == CHANNEL]
        tables.append(
            file.read_row_groups(groups, columns=["taken", "taken_rest_ns", "value", "status", "late"])
        )
    return pa.concat_tables(tables).to_pandas()


def _make(folder: Path, days: int) -> tuple[int, int]:
    """A record of the example's room with readings of each minute from when its certificates are in use."""
    random = np.random.default_rng(1)
    with Store.open(folder, create=True, simulated=True) as store:
        apply_setup(store, read_texts(example_folder()), "bench", "made", "bench", 1)
        setup = in_force(store.setups.versions()).setup
        begin_ns = -(-max(c.valid_from_ns for c in setup.certificates_of(CHANNEL)) // DAY_NS) * DAY_NS
        taken_ns = (
            begin_ns + np.arange(days * 1440) * 60 * NS + random.integers(0, 5000, days * 1440) * 1_000_000
        )
        value = np.round(
            20 + 0.3 * np.sin(np.arange(len(taken_ns)) / 230) + random.normal(0, 0.01, len(taken_ns)), 2
        )
        raw = np.full(len(taken_ns), "", object)
        series = ImportedReadings(CHANNEL, taken_ns, value, raw, int(taken_ns[-1]), "import:bench")
        now_ns = begin_ns + (days + 40) * DAY_NS
        with store.importing():
            store.load_series("bench", [series], now_ns)
        store.seal(now_ns)
    return begin_ns, begin_ns + days * DAY_NS
