"""Charts of any length at once: overviews of sealed files, and the hot tier in memory.

    overview/<channel>/<width in s>.arrow     start_ns, low, high, total, n; Arrow IPC, mapped into memory

A cache beside the archive and outside the seal: deleted, it is made again; nothing is judged or
proven by it. Each file names the sealed files that it was made from.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any
from urllib.parse import quote, unquote

import numpy as np
from sqlalchemy import Connection, func, select

from ...errors import StoreDamaged, StoreError
from ...instants import NS
from ...series import Float, ImportedReadings, Int
from ..files import write_durably
from ..hot.arrays import fetch_arrays
from ..hot.home import Home
from ..hot.name_table import NameTable
from ..hot.seals import SealedChannel, sealed_channel, under_seal
from ..hot.tables import reading, seal
from .archive import Archive
from .cells import Envelope, OverviewCells, bin_cells, cells_of_readings, coarsen, join_cells

FOLDER = "overview"
WIDTHS_NS = (900 * NS, 3 * 3600 * NS, 86_400 * NS)
CELL_COLUMNS = ("start_ns", "low", "high", "total", "n")
FINER = 4  # cells of a bin, at least: edges are moved to those of cells, by less than a quarter of a bin
_REMADE = "charts of long times are drawn from it. Delete it: it is made again"
NONE = cells_of_readings(np.empty(0, np.int64), np.empty(0))
Columns = tuple[Int, Float]


class Overviews:
    """Overviews of one data folder; safe from several threads."""

    def __init__(self, folder: Path, database: Home, names: NameTable, archive: Archive) -> None:
        self._folder = folder / FOLDER
        self._database = database
        self._names = names
        self._archive = archive
        self._lock = threading.RLock()
        self._cells: dict[tuple[str, int], tuple[tuple[str, ...], OverviewCells]] = {}
        self._hot: dict[int, Columns] = {}
        self._cursor = (0, 0)  # newest seal, newest arrival
        self._raw = lru_cache(maxsize=64)(self._read_raw)

    def envelope(self, channel: str, from_ns: int, to_ns: int, bins: int) -> Envelope:
        """Extremes, mean and count in about `bins` bins of [from, to); no reading is left out.

        Short windows come from the readings, long ones from overviews; the first and the last bin
        are exact in either case, those between begin at multiples of a cell.
        """
        width_ns = (to_ns - from_ns) // bins
        widths = [width for width in WIDTHS_NS if width * FINER <= width_ns]
        with self._lock, self._database.read() as conn:
            number = self._names.number("channel", channel)
            if number is None:
                return bin_cells(NONE, np.array([from_ns, to_ns]))
            self._refresh(conn)
            seals = sealed_channel(conn, number)
            parts = self._cover(channel, seals, from_ns, to_ns, widths)
            hot = cells_of_readings(*self._hot.get(number, (NONE.start_ns, NONE.low))).part(from_ns, to_ns)
        cells = join_cells([*parts, hot])
        return bin_cells(cells, _edges(from_ns, to_ns, bins, widths[-1] if widths else 1))

    def build(
        self, channels: Sequence[str], files: Mapping[str, Sequence[ImportedReadings]] | None = None
    ) -> None:
        """Make what is missing, as after a seal.

        files: what new sealed files hold, compared with them already, so that they are not read again.
        """
        for channel in channels:
            with self._lock, self._database.read() as conn:
                number = self._names.number("channel", channel)
                if number is not None:
                    self._level(channel, sealed_channel(conn, number), WIDTHS_NS[0], files or {})

    def find_altered(self, broken: Collection[str]) -> Iterator[str]:
        """A sentence for every overview on the disk that its sealed files do not give, but for broken ones.

        One that cannot be read, or is of files that are no longer all there, is made anew before it is used.
        """
        for folder in sorted(self._folder.glob("*")):
            channel = unquote(folder.name)
            with self._database.read() as conn:
                number = self._names.number("channel", channel)
                seals = sealed_channel(conn, number) if number is not None else []
            try:
                yield from self._find_altered(channel, {seal.file for seal in seals} - set(broken))
            except StoreDamaged:
                continue  # broken since it was compared; the next verification names it

    def _find_altered(self, channel: str, standing: set[str]) -> Iterator[str]:
        for width in WIDTHS_NS:
            level, path = self._load(channel, width), self._path(channel, width)
            file = path.relative_to(self._folder.parent).as_posix()
            if level is not None and set(level[0]) <= standing:
                parts = [cells_of_readings(*self._read_raw(sealed_file, channel)) for sealed_file in level[0]]
                fresh = coarsen(coarsen(join_cells([NONE, *parts]), WIDTHS_NS[0]), width)
                if not _alike(level[1], fresh):
                    yield f"file {file}: not what its sealed files give; {_REMADE}"

    def _cover(
        self, channel: str, seals: Sequence[SealedChannel], from_ns: int, to_ns: int, widths: Sequence[int]
    ) -> list[OverviewCells]:
        """Sealed readings of [from, to) by the widest cells inside it, finer ones towards its ends."""
        if from_ns >= to_ns:
            return []
        if not widths:
            return self._raw_parts(channel, seals, from_ns, to_ns)
        width, finer = widths[-1], widths[:-1]
        begin, end = -(-from_ns // width) * width, to_ns // width * width
        if begin >= end:
            return self._cover(channel, seals, from_ns, to_ns, finer)
        return [
            *self._cover(channel, seals, from_ns, begin, finer),
            self._level(channel, seals, width).part(begin, end),
            *self._cover(channel, seals, end, to_ns, finer),
        ]

    def _raw_parts(
        self, channel: str, seals: Sequence[SealedChannel], from_ns: int, to_ns: int
    ) -> list[OverviewCells]:
        met = [seal.file for seal in seals if seal.first_ns < to_ns and seal.last_ns >= from_ns]
        return [cells_of_readings(*self._raw(file, channel)).part(from_ns, to_ns) for file in met]

    def _read_raw(self, file: str, channel: str) -> Columns:
        with self._archive.open(file) as reader:
            taken_ns, value, _, _ = reader.series(channel)
        return taken_ns, value

    def _level(
        self,
        channel: str,
        seals: Sequence[SealedChannel],
        width: int,
        contents: Mapping[str, Sequence[ImportedReadings]] = MappingProxyType({}),
    ) -> OverviewCells:
        """Overview of all sealed files of a channel: remembered, kept on disk, or made now."""
        files = tuple(seal.file for seal in seals)
        if not files:
            return NONE
        level = self._cells.get((channel, width))
        if level is None or level[0] != files:
            level = self._load(channel, width)
        if level is None or level[0] != files:
            self._build_levels(channel, files, contents)
            level = self._cells[channel, width]
        self._cells[channel, width] = level
        return level[1]

    def _build_levels(
        self, channel: str, files: tuple[str, ...], contents: Mapping[str, Sequence[ImportedReadings]]
    ) -> None:
        finest_level = self._load(channel, WIDTHS_NS[0])
        if finest_level is None or not set(finest_level[0]) <= set(files):
            finest_level = ((), NONE)
        new = [file for file in files if file not in finest_level[0]]
        finest = WIDTHS_NS[0]
        readings = [
            next(
                ((part.taken_ns, part.value) for part in contents.get(file, ()) if part.channel == channel),
                None,
            )
            or self._read_raw(file, channel)
            for file in new
        ]
        added = [coarsen(cells_of_readings(*columns), finest) for columns in readings]
        cells = coarsen(join_cells([finest_level[1], *added]), finest)
        for width in WIDTHS_NS:
            cells = coarsen(cells, width)
            self._cells[channel, width] = (files, cells)
            if not self._database.read_only:
                self._store(channel, width, files, cells)

    def _path(self, channel: str, width: int) -> Path:
        return self._folder / quote(channel, safe="") / f"{width // NS}.arrow"

    def _store(self, channel: str, width: int, files: tuple[str, ...], cells: OverviewCells) -> None:
        import pyarrow as pa

        from .parquet import arrow_array

        columns = {name: getattr(cells, name) for name in CELL_COLUMNS}
        table = pa.table({n: arrow_array(v, pa.from_numpy_dtype(v.dtype)) for n, v in columns.items()})
        table = table.replace_schema_metadata({"files": json.dumps(files)}).combine_chunks()
        sink = pa.BufferOutputStream()
        with pa.ipc.new_file(sink, table.schema) as writer:
            writer.write_table(table)
        try:
            write_durably(self._path(channel, width), sink.getvalue().to_pybytes())
        except StoreError:
            return  # a cache that cannot be written is made again next time; the chart is right all the same

    def _load(self, channel: str, width: int) -> tuple[tuple[str, ...], OverviewCells] | None:
        import pyarrow as pa

        from .parquet import array_of

        path = self._path(channel, width)
        if not path.is_file():
            return None
        try:
            with pa.memory_map(str(path)) as mapped:
                table = pa.ipc.open_file(mapped).read_all()
            files = tuple(json.loads(table.schema.metadata[b"files"]))
            columns: list[Any] = [
                array_of(table.column(name), table.column(name).type.to_pandas_dtype())
                for name in CELL_COLUMNS
            ]
        except (pa.ArrowException, OSError, ValueError, KeyError, TypeError):
            return None
        return files, OverviewCells(*columns)

    def _refresh(self, conn: Connection) -> None:
        """Take in what arrived since; begin anew when months were sealed meanwhile."""
        newest = conn.execute(select(func.max(seal.c.number))).scalar() or 0
        if newest != self._cursor[0]:
            self._hot, self._cursor = {}, (newest, 0)
        c = reading.c
        query = select(c.channel, c.arrival, c.taken_ns, c.value).where(c.arrival > self._cursor[1])
        channel, arrival, taken_ns, value = fetch_arrays(
            conn, query.order_by(c.arrival), (np.int64, np.int64, np.int64, np.float64)
        )
        for number in np.unique(channel).tolist():
            mine = channel == number
            self._add_hot(conn, number, arrival[mine], taken_ns[mine], value[mine])
        if len(arrival):
            self._cursor = (newest, int(arrival[-1]))

    def _add_hot(self, conn: Connection, number: int, arrival: Int, taken_ns: Int, value: Float) -> None:
        free = ~under_seal(taken_ns, arrival, sealed_channel(conn, number))
        series = self._hot.get(number, (np.empty(0, np.int64), np.empty(0)))
        taken_ns, value = (
            np.concatenate([a, b[free]]) for a, b in zip(series, (taken_ns, value), strict=True)
        )
        if np.any(np.diff(taken_ns) < 0):
            order = np.argsort(taken_ns, kind="stable")
            taken_ns, value = taken_ns[order], value[order]
        self._hot[number] = (taken_ns, value)


def _alike(stored: OverviewCells, fresh: OverviewCells) -> bool:
    """Equal but for the last bits of sums, which depend on the order in which parts were added."""
    exact = all(
        np.array_equal(getattr(stored, name), getattr(fresh, name))
        for name in ("start_ns", "low", "high", "n")
    )
    return exact and bool(np.allclose(stored.total, fresh.total, rtol=1e-9, atol=1e-9))


def _edges(from_ns: int, to_ns: int, bins: int, width: int) -> Int:
    """Edges of the bins: the ends as they are, those between at multiples of the cells' width."""
    step, rest = divmod(to_ns - from_ns, bins)  # their product with a number of bins need not fit in 64 bits
    place = np.arange(1, bins, dtype=np.int64)
    inner = np.unique((from_ns + place * step + place * rest // bins) // width * width)
    inner = inner[(inner > from_ns) & (inner < to_ns)]
    return np.concatenate([[from_ns], inner, [to_ns]]).astype(np.int64)
