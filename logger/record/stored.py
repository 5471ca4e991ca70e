"""Everything that is stored of a channel as CSV: nothing left out, and nothing called good that is not."""

from __future__ import annotations

import os
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..core.calibration.apply import correct_readings
from ..core.evidence.cells import qualities
from ..instants import NS
from ..model import Quality
from ..series import STATUS, Bool, Int, Readings, find_conflicts
from ..store.hot.clocks import EVER_NS
from ..store.hot.value_decisions import decided_mask
from ..units import from_canonical, quantity, to_canonical
from .readings import JUDGED, MARKED, SIMULATED, columns_of, head, instants, lines, numbers, same

if TYPE_CHECKING:
    import pyarrow as pa

    from ..model import Setup, TemperatureUnit
    from ..store import Store
    from ..store.hot.value_decisions import Decision
    from ..store.rows import Columns, Texts

STORED: tuple[tuple[str, str], ...] = (
    ("channel", "key of the channel: <probe>.<quantity>"),
    (
        "taken",
        "true time of the reading, RFC 3339 in UTC; empty while the clock that stamped it is not known",
    ),
    ("stamp", "time as it was stamped; another one than `taken` where that clock was wrong"),
    ("value", "indication in `unit`, before any correction by a certificate; empty where there is none"),
    ("unit", "the probe's own unit"),
    ("raw", "the text that was read, where `value` is converted from it or is not in it"),
    ("status", f"ok: a value came; or why none did: {', '.join(STATUS[1:])}"),
    *JUDGED,
    ("late", "1 where the reading came by a file or after a lost link, else 0"),
    ("source", "how it came: a poll, a file by the first digits of its SHA-256, a message"),
)
IN_FAHRENHEIT = (("value_degF", "`value` in °F, computed for readers; empty where it is no temperature"),)
_MARGIN_NS = 3600 * NS  # the tests of a reading look at those around it, at half an hour at the most
_WORDS = {int(flag): flag.name.lower().replace("_", " ") for flag in Quality}
_CONFLICT = 0  # no flag of QARTOD
_HOLDS, _SET_ASIDE = 1, 2


@dataclass(frozen=True)
class _Rows:
    """Rows of one channel in order of their true times; whether each is known; the decision on each."""

    rows: Columns
    taken_ns: Int
    has_time: Bool
    decided: NDArray[np.uint8]

    @property
    def judged(self) -> Bool:
        """Rows that the judge reads, shape (n,)."""
        return np.asarray(self.has_time & (self.decided != _SET_ASIDE))


def stored_columns(store: Store, temperatures: TemperatureUnit) -> tuple[tuple[str, str], ...]:
    """The columns of `stored_csv`, in order: name and meaning."""
    more = IN_FAHRENHEIT if temperatures == "degF" else ()
    return (*STORED, *more, *(MARKED if store.simulated else ()))


def stored_csv(
    store: Store, setup: Setup, span: tuple[int, int] | None, *, temperatures: TemperatureUnit = "degC"
) -> dict[str, tuple[bytes, int]]:
    """Channel -> its file and the number of readings in it, of [from, to) or of the whole record.

    Readings whose true time is not known belong to an interval by their stamps.
    """
    each = {key: _rows_of(store, key, span) for key in store.readings.channels()}
    each = {key: stored for key, stored in each.items() if len(stored.rows)}
    flags = qualities(setup, {k: _readings(stored) for k, stored in each.items() if k in setup.channels})
    heads = head(stored_columns(store, temperatures))
    tables = {key: _table(setup, key, stored, flags.get(key)) for key, stored in each.items()}
    if temperatures == "degF":
        tables = {key: _with_fahrenheit(setup, key, each[key], table) for key, table in tables.items()}
    return {
        key: (lines(_marked(store, table), quoting="needed", before=heads), table.num_rows)
        for key, table in tables.items()
    }


def record_csv(store: Store, setup: Setup, zone: str, from_ns: int, to_ns: int) -> tuple[bytes, int]:
    """The readings of a zone in an interval as one file, and their number."""
    tables = zone_tables(store, setup, zone, from_ns, to_ns)
    return table_csv(*tables.values(), simulated=store.simulated), sum(t.num_rows for t in tables.values())


def table_csv(*tables: pa.Table, simulated: bool) -> bytes:
    """Tables in the columns of `columns_of` as one file."""
    return lines(*tables, before=head(columns_of(simulated=simulated)))


def zone_tables(store: Store, setup: Setup, zone: str, from_ns: int, to_ns: int) -> dict[str, pa.Table]:
    """Channel of the zone -> its readings whose true time is known and in [from, to), one row each.

    As they came, corrected, with their quality and what was decided on them; a value that was set aside is
    there, too. Columns as `columns_of` says.
    """
    mine = setup.channels_in(zone)
    around = {key for z in setup.zones if {*setup.channels_in(z)} & {*mine} for key in setup.channels_in(z)}
    wide = from_ns - _MARGIN_NS, to_ns + _MARGIN_NS
    with ThreadPoolExecutor(max_workers=os.cpu_count()) as pool:
        each = dict(zip(around, pool.map(lambda key: _rows_of(store, key, wide), around), strict=True))
        flags = qualities(setup, {key: _readings(stored) for key, stored in each.items()})

        def table_of(key: str) -> pa.Table:
            return _record_table(setup, key, each[key], flags[key], (from_ns, to_ns))

        return {key: _marked(store, table) for key, table in zip(mine, pool.map(table_of, mine), strict=True)}


def _record_table(
    setup: Setup, key: str, stored: _Rows, flags: NDArray[np.uint8], span: tuple[int, int]
) -> pa.Table:
    import pyarrow as pa

    where = stored.has_time & (stored.taken_ns >= span[0]) & (stored.taken_ns < span[1])
    channel, rows, taken_ns = setup.channels[key], stored.rows.part(where), stored.taken_ns[where]
    corrected = correct_readings(channel, setup.certificates_of(key), taken_ns, rows.value)
    n = len(rows)
    columns = {
        "channel": same(key, n),
        "taken": instants(taken_ns),
        "value": numbers(rows.value),
        "unit": same(channel.unit, n),
        "status": _status(rows),
        "late": pa.array(rows.late).cast(pa.uint8()),
        "corrected": numbers(np.round(corrected.value, 6)),  # as they are judged
        "U": numbers(np.round(corrected.U, 6)),
        "corrected_unit": same(quantity(channel.quantity).unit, n),
        **_judged(_quality(stored, flags)[where], stored.decided[where]),
    }
    return pa.table(columns)


def _marked(store: Store, table: pa.Table) -> pa.Table:
    """With the mark of a simulated room in every row, so that no part of the file is without it."""
    return table.append_column("mark", same(SIMULATED, table.num_rows)) if store.simulated else table


def _status(rows: Columns) -> pa.Array:
    import pyarrow as pa

    return pa.DictionaryArray.from_arrays(rows.status, list(STATUS)).cast(pa.string())


def _judged(quality: NDArray[np.uint8], decided: NDArray[np.uint8]) -> dict[str, pa.Array]:
    return {
        "quality": _words(quality, {**_WORDS, _CONFLICT: "conflict"}),
        "decision": _words(decided, {0: "", _HOLDS: "holds", _SET_ASIDE: "set aside"}),
    }


def _rows_of(store: Store, key: str, span: tuple[int, int] | None) -> _Rows:
    from_ns, to_ns = span or (-EVER_NS, EVER_NS)
    everywhere = span is None or bool(store.clocks.channels_to_correct([key]))
    rows = store.readings.columns(key, *((-EVER_NS, EVER_NS) if everywhere else span or (from_ns, to_ns)))
    taken_ns, has_time = store.clocks.true_instants(key, rows)
    decided = _decision_flags(rows, store.decisions.of(key, -EVER_NS, EVER_NS))
    order = np.argsort(taken_ns, kind="stable")
    order = order[(taken_ns[order] >= from_ns) & (taken_ns[order] < to_ns)]
    return _Rows(rows.part(order), taken_ns[order], has_time[order], decided[order])


def _decision_flags(rows: Columns, decisions: Mapping[int, Decision]) -> NDArray[np.uint8]:
    """Flag of the decision in force on each row, shape (n,), in order of the stamps."""
    flags = np.where(decided_mask(rows.taken_ns, rows.value, decisions), 0, _SET_ASIDE).astype(np.uint8)
    for at, decision in decisions.items():
        slot = slice(*np.searchsorted(rows.taken_ns, [at, at + 1]))
        if (flags[slot] == _SET_ASIDE).any():
            flags[slot][(rows.value[slot] == decision.value) & (flags[slot] == 0)] = _HOLDS
    return flags


def _readings(stored: _Rows) -> Readings:
    rows, where = stored.rows, stored.judged
    return Readings(stored.taken_ns[where], rows.value[where], rows.status[where], rows.late[where])


def _table(setup: Setup, key: str, stored: _Rows, flags: NDArray[np.uint8] | None) -> pa.Table:
    import pyarrow as pa

    rows, n = stored.rows, len(stored.rows)
    unit = setup.channels[key].unit if key in setup.channels else ""
    columns = {
        "channel": same(key, n),
        "taken": instants(stored.taken_ns, stored.has_time),
        "stamp": instants(rows.taken_ns),
        "value": numbers(rows.value),
        "unit": same(unit, n),
        "raw": _texts(rows.raw),
        "status": _status(rows),
        **_judged(_quality(stored, flags), stored.decided),
        "late": pa.array(rows.late).cast(pa.uint8()),
        "source": _texts(rows.source),
    }
    return pa.table(columns)


def _with_fahrenheit(setup: Setup, key: str, stored: _Rows, table: pa.Table) -> pa.Table:
    """With the value in °F beside the one that came; a value of another quantity has none."""
    values = np.full(len(stored.rows), np.nan)
    if key in setup.channels and quantity(setup.channels[key].quantity).unit == "degC":
        channel = setup.channels[key]
        canonical = to_canonical(stored.rows.value, channel.unit, channel.quantity)
        values = np.round(from_canonical(canonical, "degF", channel.quantity), 6)
    return table.append_column(IN_FAHRENHEIT[0][0], numbers(values))


def _quality(stored: _Rows, flags: NDArray[np.uint8] | None) -> NDArray[np.uint8]:
    """The flag of each row; untested rows are *not evaluated*, an open conflict outranks a pass."""
    quality = np.full(len(stored.rows), Quality.NOT_EVALUATED, np.uint8)
    if flags is not None:
        quality[stored.judged] = flags
        where = np.flatnonzero(stored.judged)
        quality[where[find_conflicts(_readings(stored)) & (flags < Quality.FAIL)]] = _CONFLICT
    quality[~np.isfinite(stored.rows.value)] = Quality.MISSING
    return quality


def _words(codes: NDArray[np.uint8], words: Mapping[int, str]) -> pa.Array:
    import pyarrow as pa

    table = np.array([words.get(code, "") for code in range(max(words) + 1)], object)
    return pa.array(table[codes], pa.string())


def _texts(column: Texts) -> pa.Array:
    import pyarrow as pa

    return pa.DictionaryArray.from_arrays(column.codes, list(column.table) or [""]).cast(pa.string())
