"""A logger file into the store: whole or not at all, and twice is the same as once.

    same value at the same instant     already there: skipped and counted
    another value at the same instant  a conflict: both are kept, and the judge trusts neither
    a fault word or sentinel           stored as a sensor fault with its text

Because a value is only ever added to what is there, the order of two overlapping files does
not matter.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from math import isnan
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from ..errors import ImportRefused, UnitError
from ..instants import rfc3339
from ..model import NS, Channel, Row, Setup
from ..series import Readings
from ..units import from_canonical, quantity, to_canonical, unit_name
from .dates import instants
from .encoding import decoded
from .profile import Column, Profile
from .table import TextColumn, read_table
from .values import Values, read_values

Int = NDArray[np.int64]
Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

_RAW_CHARS = 64


class ImportStore(Protocol):
    """What an import needs of the store."""

    def import_of(self, sha256: str) -> Any: ...

    def readings(self, channel: str, from_ns: int, to_ns: int) -> Readings: ...

    def append(self, writer: str, rows: Sequence[Row]) -> Any: ...

    def record_import(
        self, sha256: str, name: str, content: bytes, summary: Mapping[str, Any], *, who: str, at_ns: int
    ) -> None: ...


@dataclass(frozen=True)
class Conflict:
    """Two values for one instant of a channel, in the channel's unit."""

    channel: str
    taken_ns: int
    stored: float
    found: float


@dataclass(frozen=True)
class ImportResult:
    """What an import did, or would do. `rows` are lines of the table, `stored` readings."""

    sha256: str
    name: str
    rows: int = 0
    stored: int = 0
    duplicates: int = 0
    conflicts: tuple[Conflict, ...] = ()
    flagged: int = 0
    first_ns: int | None = None
    last_ns: int | None = None
    assumed: tuple[str, ...] = ()
    already: bool = False


@dataclass(frozen=True)
class _Series:
    """Readings of one channel, ascending in time; NaN with its text where the logger told a fault."""

    channel: Channel
    taken_ns: Int
    value: Float
    raw: NDArray[np.object_]


def import_file(  # noqa: PLR0917 - all that an import depends on, in one call
    path: Path,
    profile: Profile,
    store: ImportStore,
    setup: Setup,
    who: str,
    now_ns: int,
    dry_run: bool = False,
) -> ImportResult:
    """Imports a file; ImportRefused, with nothing changed, where a question is open."""
    content = _content(path)
    sha256 = hashlib.sha256(content).hexdigest()
    if store.import_of(sha256) is not None:
        return ImportResult(sha256, path.name, already=True)
    try:
        rows, series, assumed = _parsed(content, profile, setup)
    except (ImportRefused, UnitError) as error:
        raise ImportRefused(f"{path.name}: {error}") from None
    compared = [_against(s, store) for s in series]
    result = _counted(ImportResult(sha256, path.name, rows, assumed=tuple(assumed)), series, compared)
    _refuse_future(result, setup, now_ns)
    if not dry_run:
        # Readings first: if the machine stops in between, importing again skips them all as duplicates.
        short = sha256[:12]
        if rows_to_store := list(_rows([c.kept for c in compared], now_ns, f"import:{short}")):
            store.append(f"import-{short}", rows_to_store)
        store.record_import(sha256, path.name, content, _summary(result, profile, who), who=who, at_ns=now_ns)
    return result


def _refuse_future(result: ImportResult, setup: Setup, now_ns: int) -> None:
    """A reading from the future would hide, as the newest one, that its probe fell silent."""
    last_ns = result.last_ns
    if last_ns is not None and last_ns > now_ns + round(setup.clock_limit_s * NS):
        raise ImportRefused(
            f"{result.name}: the last reading was taken at {rfc3339(last_ns)}, in the future of this "
            f"machine's clock (it is {rfc3339(now_ns // NS * NS)} now). Look at `zone` and `order` under "
            "[time] in the profile, at the logger's clock and at this one."
        )


def _content(path: Path) -> bytes:
    try:
        content = path.read_bytes()
    except OSError as error:
        raise ImportRefused(f"{path}: cannot be read: {error.strerror}.") from None
    if not content.strip(b"\0 \t\r\n"):
        raise ImportRefused(f"{path.name}: wanted a table of readings, found an empty file.")
    return content


def _parsed(content: bytes, profile: Profile, setup: Setup) -> tuple[int, list[_Series], list[str]]:
    text = decoded(content, profile.encoding)
    table = read_table(text.text, profile)
    times = instants(table.times, table.lines, profile)
    values, value_notes = read_values(table, profile)
    assumed = [f"the encoding is {text.encoding} ({text.how})", *table.assumed, *times.assumed, *value_notes]
    if np.any(np.diff(times.taken_ns) < 0):
        assumed.append("rows do not stand in order of time; they were sorted")
    series = []
    for column, written, cells in zip(profile.columns, table.columns, values, strict=True):
        channel = _channel(column, setup)
        unit, notes = _unit(column, written, channel)
        series.append(_series(channel, times.taken_ns, cells, unit))
        assumed += notes
    return len(table.lines), series, assumed


def _channel(column: Column, setup: Setup) -> Channel:
    if column.channel not in setup.channels:
        raise ImportRefused(
            f"The profile puts {column.heading!r} into channel {column.channel!r}, which the setup has not. "
            f"It has: {', '.join(setup.channels)}."
        )
    return setup.channels[column.channel]


def _unit(column: Column, written: TextColumn, channel: Channel) -> tuple[str, list[str]]:
    """The unit of a column as declared or written; both must agree, and one must be there."""
    known = quantity(channel.quantity).units
    declared = unit_name(column.unit) if column.unit else None
    found = unit_name(written.unit) if written.unit and unit_name(written.unit) in known else None
    if declared and found and declared != found:
        raise ImportRefused(
            f"Column {column.heading!r} is in {found} in the file, {declared} in the profile."
        )
    unit = declared or found
    if unit is None:
        says = f"it says {written.unit!r}" if written.unit else "the file does not say"
        raise ImportRefused(
            f"In which unit is column {column.heading!r} ({channel.quantity})? {says[0].upper()}{says[1:]}. "
            f"Say `unit` in the profile: one of {', '.join(known)}."
        )
    to_canonical(0.0, unit, channel.quantity)  # a unit of another quantity is refused here
    if unit == channel.unit:
        return unit, [] if declared else [f"{column.heading!r} is in {unit}, as the file says"]
    return unit, [f"{column.heading!r} is in {unit} and was converted to {channel.unit} of {channel.key}"]


def _series(channel: Channel, taken_ns: Int, cells: Values, unit: str) -> _Series:
    value = cells.value
    raw = np.full(len(value), "", object)
    if unit != channel.unit:
        canonical = to_canonical(value, unit, channel.quantity)
        # Converting rounds in the last bit; nine decimals make 68 °F and 20 °C one value.
        value = np.round(from_canonical(canonical, channel.unit, channel.quantity), 9)
        raw[:] = [f"{cell.strip()} {unit}"[:_RAW_CHARS] for cell in cells.cells]
    for i in np.flatnonzero(cells.fault):
        raw[i] = cells.cells[i].strip()[:_RAW_CHARS]
    there = np.flatnonzero(~cells.blank)
    order = there[np.argsort(taken_ns[there], kind="stable")]
    return _Series(channel, taken_ns[order], value[order], raw[order])


@dataclass(frozen=True)
class _Compared:
    kept: _Series
    duplicates: int
    conflicts: tuple[Conflict, ...]


def _counted(result: ImportResult, series: Sequence[_Series], compared: Sequence[_Compared]) -> ImportResult:
    instants_ns = np.concatenate([s.taken_ns for s in series])
    return replace(
        result,
        stored=sum(len(c.kept.taken_ns) for c in compared),
        duplicates=sum(c.duplicates for c in compared),
        conflicts=tuple(conflict for c in compared for conflict in c.conflicts),
        flagged=sum(int(np.isnan(s.value).sum()) for s in series),
        first_ns=int(instants_ns.min()) if len(instants_ns) else None,
        last_ns=int(instants_ns.max()) if len(instants_ns) else None,
    )


def _against(series: _Series, store: ImportStore) -> _Compared:
    """One channel against what is stored and against itself: what is new, what contradicts."""
    t, v = series.taken_ns, series.value
    if len(t) == 0:
        return _Compared(series, 0, ())
    stored = store.readings(series.channel.key, int(t[0]), int(t[-1]) + 1)
    stored_t, stored_v = stored.taken_ns, stored.value
    shared = np.isin(t, stored_t)
    shared[1:] |= t[1:] == t[:-1]
    kept = ~shared
    known = _by_instant(stored_t, stored_v, t[shared])
    first_of_run = np.flatnonzero(shared[1:] & (t[1:] == t[:-1]) & ~shared[:-1])
    for i in first_of_run:
        known.setdefault(int(t[i]), []).append(float(v[i]))
    conflicts = []
    for i in np.flatnonzero(shared):
        there = known.setdefault(int(t[i]), [])
        if any(_same(float(v[i]), other) for other in there):
            continue
        kept[i] = True
        others = [other for other in there if not np.isnan(other)]
        if others and not np.isnan(v[i]):
            conflicts.append(Conflict(series.channel.key, int(t[i]), others[0], float(v[i])))
        there.append(float(v[i]))
    new = _Series(series.channel, t[kept], v[kept], series.raw[kept])
    return _Compared(new, int((~kept).sum()), tuple(conflicts))


def _by_instant(stored_t: Int, stored_v: Float, wanted: Int) -> dict[int, list[float]]:
    known: dict[int, list[float]] = {}
    among = np.isin(stored_t, wanted)
    for t, v in zip(stored_t[among].tolist(), stored_v[among].tolist(), strict=True):
        known.setdefault(t, []).append(v)
    return known


def _same(a: float, b: float) -> bool:
    return a == b or (np.isnan(a) and np.isnan(b))


def _rows(kept: Sequence[_Series], now_ns: int, source: str) -> Iterator[Row]:
    for series in kept:
        key = series.channel.key
        columns = (series.taken_ns.tolist(), series.value.tolist(), series.raw.tolist())
        for taken_ns, value, raw in zip(*columns, strict=True):
            fault = isnan(value)  # the logger told a fault
            yield Row(
                channel=key,
                taken_ns=taken_ns,
                received_ns=now_ns,
                value=None if fault else value,
                status="sensor-fault" if fault else "ok",
                raw=raw,
                source=source,
                late=True,
            )


def _summary(result: ImportResult, profile: Profile, who: str) -> dict[str, Any]:
    body = {k: v for k, v in asdict(result).items() if k not in ("conflicts", "assumed", "already")}
    return body | {
        "profile": profile.name,
        "who": who,
        "assumed": list(result.assumed),
        "conflicts": [asdict(c) for c in result.conflicts],
    }
