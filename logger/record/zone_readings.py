"""Readings of a zone as a record holds them: read once, for its file, its chart and its gaps."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..core.calibration.apply import CorrectedReadings, correct_readings
from ..core.evidence.cells import qualities
from ..instants import NS
from ..model import Channel, Setup
from ..series import STATUS, Bool, Float, Int, Readings
from ..units import quantity
from .readings import SIMULATED, columns_of, head, instants, numbers, same, scalar, texts_of
from .stored import DECISION_WORDS, QUALITY_WORDS, judged_columns, quality_of, readings_of, rows_of

if TYPE_CHECKING:
    import pyarrow as pa

    from ..store import Store
    from ..store.rows import Columns
    from .stored import StoredRows

_MARGIN_NS = 3600 * NS  # the tests of a reading look at those around it, at half an hour at the most
_PART = 1 << 20  # rows of a file that are written at once: the places of their signs need 32 bits


@dataclass(frozen=True)
class RecordRows:
    """Readings of a channel in an interval whose true time is known, with what was decided on each.

    A value that was set aside is there, too; `read` says which the judge reads. Arrays of shape (n,).
    """

    channel: Channel
    taken_ns: Int
    rows: Columns
    corrected: CorrectedReadings
    quality: NDArray[np.uint8]
    decided: NDArray[np.uint8]
    read: Bool
    simulated: bool

    def __len__(self) -> int:
        return len(self.taken_ns)

    @cached_property
    def readings(self) -> Readings:
        """Those that the judge reads."""
        rows = self.rows
        columns = self.taken_ns, rows.value, rows.status, rows.late
        return Readings(*(columns if self.read.all() else (column[self.read] for column in columns)))

    @cached_property
    def judged(self) -> tuple[Readings, CorrectedReadings]:
        """Those that the judge reads, and what they are corrected to."""
        c = self.corrected
        columns = c.value, c.U, c.why
        parts = columns if self.read.all() else (column[self.read] for column in columns)
        return self.readings, CorrectedReadings(*parts)

    @cached_property
    def _figures(self) -> tuple[Float, Float]:
        """Corrected values and U, as they are judged."""
        return np.round(self.corrected.value, 6), np.round(self.corrected.U, 6)

    def table(self) -> pa.Table:
        """Columns as `columns_of` says, one row a reading."""
        import pyarrow as pa

        from ..store.archive.parquet import arrow_array

        n, (value, U) = len(self), self._figures
        columns = {
            "channel": same(self.channel.key, n),
            "taken": instants(self.taken_ns),
            "value": numbers(self.rows.value),
            "unit": same(self.channel.unit, n),
            "status": texts_of(self.rows.status, STATUS),
            "late": arrow_array(self.rows.late.view(np.uint8), pa.uint8()),
            "corrected": numbers(value),
            "U": numbers(U),
            "corrected_unit": same(quantity(self.channel.quantity).unit, n),
            **judged_columns(self.quality, self.decided),
            **({"mark": same(SIMULATED, n)} if self.simulated else {}),
        }
        return pa.table(columns)

    def lines(self) -> Iterator[Any]:
        """The rows of `table` as lines of text, in parts that `bytes.join` takes."""
        taken, (value, U) = instants(self.taken_ns), self._figures
        unit, late = quantity(self.channel.quantity).unit, ("0", "1")
        mark = f",{SIMULATED}\n" if self.simulated else "\n"
        state = _Words(",".join, (self.channel.unit,), STATUS, late)
        judged = _Words(lambda words: ",".join(words) + mark, (unit,), QUALITY_WORDS, DECISION_WORDS)
        for begin in range(0, len(self), _PART):
            part = slice(begin, begin + _PART)
            yield _joined(
                scalar(self.channel.key),
                taken[part],
                _number_texts(self.rows.value[part]),
                state.of(self.rows.status[part], self.rows.late[part]),
                _number_texts(value[part]),
                _number_texts(U[part]),
                judged.of(self.quality[part], self.decided[part]),
            )


class _Words:
    """Texts of neighbouring columns in one: of a word that stands in each row, and of two codes."""

    def __init__(self, join: Any, *columns: Sequence[str]) -> None:
        self._width = len(columns[-1])
        self._texts = [join(words) for words in product(*columns)]

    def of(self, first: NDArray[Any], second: NDArray[Any]) -> Any:
        """One text of a row, or one of all rows where they are alike."""
        codes = first.astype(np.int32) * self._width + second
        alike = len(codes) and (codes == codes[0]).all()
        return scalar(self._texts[int(codes[0])]) if alike else texts_of(codes, self._texts)


def _number_texts(values: Float) -> pa.Array:
    """Numbers as text, each of those that occur written once."""
    import pyarrow as pa

    coded = numbers(values).dictionary_encode()
    return pa.DictionaryArray.from_arrays(coded.indices, coded.dictionary.cast(pa.string())).cast(pa.string())


def _joined(*columns: Any) -> Any:
    """Rows with commas between their columns, one after the other; a missing value is no sign."""
    import pyarrow.compute as pc

    fn: Any = pc
    rows = fn.binary_join_element_wise(*columns, scalar(","), null_handling="replace", null_replacement="")
    ends = np.frombuffer(rows.buffers()[1], np.int32)
    return rows.buffers()[2][: int(ends[len(rows)])]


def read_zone(store: Store, setup: Setup, zone: str, from_ns: int, to_ns: int) -> dict[str, RecordRows]:
    """Channel of the zone -> its readings whose true time is known and in [from, to)."""
    mine = setup.channels_in(zone)
    around = {key for z in setup.zones if {*setup.channels_in(z)} & {*mine} for key in setup.channels_in(z)}
    wide = from_ns - _MARGIN_NS, to_ns + _MARGIN_NS
    with ThreadPoolExecutor(max_workers=os.cpu_count()) as pool:
        each = dict(zip(around, pool.map(lambda key: rows_of(store, key, wide), around), strict=True))
        flags = qualities(setup, {key: readings_of(stored) for key, stored in each.items()})

        def rows_in(key: str) -> RecordRows:
            return _record_rows(
                setup, key, each[key], flags[key], (from_ns, to_ns), simulated=store.simulated
            )

        return dict(zip(mine, pool.map(rows_in, mine), strict=True))


def _record_rows(
    setup: Setup,
    key: str,
    stored: StoredRows,
    flags: NDArray[np.uint8],
    span: tuple[int, int],
    *,
    simulated: bool,
) -> RecordRows:
    where = stored.has_time & (stored.taken_ns >= span[0]) & (stored.taken_ns < span[1])
    channel, taken_ns = setup.channels[key], stored.taken_ns[where]
    rows = stored.rows.part(where)
    return RecordRows(
        channel,
        taken_ns,
        rows,
        correct_readings(channel, setup.certificates_of(key), taken_ns, rows.value),
        quality_of(stored, flags)[where],
        stored.decided[where],
        stored.judged[where],
        simulated,
    )


def record_csv(zone: Mapping[str, RecordRows], *, simulated: bool) -> tuple[bytes, int]:
    """The readings of a zone as one file, and their number."""
    parts = [part for rows in zone.values() for part in rows.lines()]
    return b"".join([head(columns_of(simulated=simulated)), *parts]), sum(map(len, zone.values()))
