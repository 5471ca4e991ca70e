"""Everything that is stored of a channel as CSV: nothing left out, and nothing called good that is not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..core.evidence.cells import qualities
from ..model import Quality
from ..series import STATUS, Bool, Int, Readings, find_conflicts
from ..store.hot.clocks import EVER_NS
from ..store.hot.value_decisions import decided_mask
from ..units import from_canonical, quantity, to_canonical
from .readings import JUDGED, MARKED, SIMULATED, head, instants, lines, numbers, same, texts_of

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
_CONFLICT = 0  # no flag of QARTOD
_WORDS = {_CONFLICT: "conflict", **{int(flag): flag.name.lower().replace("_", " ") for flag in Quality}}
QUALITY_WORDS = tuple(_WORDS.get(code, "") for code in range(max(_WORDS) + 1))  # by flag
_HOLDS, _SET_ASIDE = 1, 2
DECISION_WORDS = "", "holds", "set aside"


@dataclass(frozen=True)
class StoredRows:
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
    each = {key: rows_of(store, key, span) for key in store.readings.channels()}
    each = {key: stored for key, stored in each.items() if len(stored.rows)}
    flags = qualities(setup, {k: readings_of(stored) for k, stored in each.items() if k in setup.channels})
    heads = head(stored_columns(store, temperatures))
    tables = {key: _table(setup, key, stored, flags.get(key)) for key, stored in each.items()}
    if temperatures == "degF":
        tables = {key: _with_fahrenheit(setup, key, each[key], table) for key, table in tables.items()}
    return {
        key: (lines(marked(store, table), quoting="needed", before=heads), table.num_rows)
        for key, table in tables.items()
    }


def marked(store: Store, table: pa.Table) -> pa.Table:
    """With the mark of a simulated room in every row, so that no part of the file is without it."""
    return table.append_column("mark", same(SIMULATED, table.num_rows)) if store.simulated else table


def judged_columns(quality: NDArray[np.uint8], decided: NDArray[np.uint8]) -> dict[str, pa.Array]:
    """The columns of `JUDGED`."""
    return {"quality": texts_of(quality, QUALITY_WORDS), "decision": texts_of(decided, DECISION_WORDS)}


def rows_of(store: Store, key: str, span: tuple[int, int] | None) -> StoredRows:
    """What is stored of a channel in [from, to) or, without a span, of all time."""
    from_ns, to_ns = span or (-EVER_NS, EVER_NS)
    everywhere = span is None or bool(store.clocks.channels_to_correct([key]))
    rows = store.readings.columns(key, *((-EVER_NS, EVER_NS) if everywhere else span or (from_ns, to_ns)))
    taken_ns, has_time = store.clocks.true_instants(key, rows)
    decided = _decision_flags(rows, store.decisions.of(key, -EVER_NS, EVER_NS))
    if not (np.diff(taken_ns) < 0).any() and not _reaches_out(taken_ns, from_ns, to_ns):  # as nearly always
        return StoredRows(rows, taken_ns, has_time, decided)
    order = np.argsort(taken_ns, kind="stable")
    order = order[(taken_ns[order] >= from_ns) & (taken_ns[order] < to_ns)]
    return StoredRows(rows.part(order), taken_ns[order], has_time[order], decided[order])


def _reaches_out(taken_ns: Int, from_ns: int, to_ns: int) -> bool:
    """Whether ascending instants are not all in [from, to)."""
    return bool(len(taken_ns)) and not (taken_ns[0] >= from_ns and taken_ns[-1] < to_ns)


def _decision_flags(rows: Columns, decisions: Mapping[int, Decision]) -> NDArray[np.uint8]:
    """Flag of the decision in force on each row, shape (n,), in order of the stamps."""
    flags = np.where(decided_mask(rows.taken_ns, rows.value, decisions), 0, _SET_ASIDE).astype(np.uint8)
    for at, decision in decisions.items():
        slot = slice(*np.searchsorted(rows.taken_ns, [at, at + 1]))
        if (flags[slot] == _SET_ASIDE).any():
            flags[slot][(rows.value[slot] == decision.value) & (flags[slot] == 0)] = _HOLDS
    return flags


def readings_of(stored: StoredRows) -> Readings:
    """The rows that the judge reads, as it has them."""
    rows, where = stored.rows, stored.judged
    return Readings(stored.taken_ns[where], rows.value[where], rows.status[where], rows.late[where])


def _table(setup: Setup, key: str, stored: StoredRows, flags: NDArray[np.uint8] | None) -> pa.Table:
    import pyarrow as pa

    from ..store.archive.parquet import arrow_array

    rows, n = stored.rows, len(stored.rows)
    unit = setup.channels[key].unit if key in setup.channels else ""
    columns = {
        "channel": same(key, n),
        "taken": instants(stored.taken_ns, stored.has_time),
        "stamp": instants(rows.taken_ns),
        "value": numbers(rows.value),
        "unit": same(unit, n),
        "raw": _texts(rows.raw),
        "status": texts_of(rows.status, STATUS),
        **judged_columns(quality_of(stored, flags), stored.decided),
        "late": arrow_array(rows.late.view(np.uint8), pa.uint8()),
        "source": _texts(rows.source),
    }
    return pa.table(columns)


def _with_fahrenheit(setup: Setup, key: str, stored: StoredRows, table: pa.Table) -> pa.Table:
    """With the value in °F beside the one that came; a value of another quantity has none."""
    values = np.full(len(stored.rows), np.nan)
    if key in setup.channels and quantity(setup.channels[key].quantity).unit == "degC":
        channel = setup.channels[key]
        canonical = to_canonical(stored.rows.value, channel.unit, channel.quantity)
        values = np.round(from_canonical(canonical, "degF", channel.quantity), 6)
    return table.append_column(IN_FAHRENHEIT[0][0], numbers(values))


def quality_of(stored: StoredRows, flags: NDArray[np.uint8] | None) -> NDArray[np.uint8]:
    """The flag of each row; untested rows are *not evaluated*, an open conflict outranks a pass."""
    quality = np.full(len(stored.rows), Quality.NOT_EVALUATED, np.uint8)
    if flags is not None:
        quality[stored.judged] = flags
        where = np.flatnonzero(stored.judged)
        quality[where[find_conflicts(readings_of(stored)) & (flags < Quality.FAIL)]] = _CONFLICT
    quality[~np.isfinite(stored.rows.value)] = Quality.MISSING
    return quality


def _texts(column: Texts) -> pa.Array:
    return texts_of(column.codes, column.table)
