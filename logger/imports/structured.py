"""JSON, SenML (RFC 8428) and Parquet to a grid of cells.

JSON may be a list of records, records one a line, columns beside their data, or lists under their names;
what is nested gets a heading with a point: {"room": {"t": 20.1}} is the column "room.t". A SenML pack becomes
the columns time, name, value and unit, one row a record.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from ..errors import ImportRefused
from ..formats.senml import each_once
from ..model.figures import number_of
from .containers import Part
from .grid import Exact, TextGrid
from .samples import PARQUET_KEY
from .sheets import cell_text

_SENML_KEYS = frozenset(
    {"n", "v", "bn", "bt", "bv", "bu", "u", "t", "vs", "vb", "vd", "s", "bs", "ut", "bver"}
)
_RELATIVE_BELOW = 1 << 28  # RFC 8428, 4.5.3: smaller times are relative to "now", which a file has not
_UNREADABLE = (ValueError, RecursionError)


def json_grid(part: Part) -> TextGrid:
    """The rows of a JSON file; a line of the grid is the number of the record."""
    text = _text(part.content)
    try:
        value = _loaded(text)
    except _UNREADABLE as whole:
        value = _by_lines(text, whole)
    if "\\ud" in text.lower():
        _refuse_halves(value)
    if _is_senml(value):
        return _senml(part.name, value)
    records = _records(value)
    heads = list(dict.fromkeys(key for record in records for key in record))
    rows = [(n, [_cell(record.get(key)) for key in heads]) for n, record in enumerate(records, 1)]
    return TextGrid(part.name, [(0, heads), *rows], assumed=("lines are numbers of records",), headed=True)


def _refuse_halves(value: Any) -> None:
    """Half of a character, written as an escape, is text that no file in UTF-8 can hold."""
    try:
        json.dumps(value, ensure_ascii=False).encode()
    except UnicodeEncodeError as error:
        raise ImportRefused(f"The file holds half of a character: {error.object[error.start]!r}.") from None


def _loaded(text: str) -> Any:
    return json.loads(text, parse_float=_number, parse_constant=str, object_pairs_hook=_record)


def _record(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    try:
        return each_once(pairs)
    except ValueError as error:
        raise ImportRefused(f"{str(error)[0].upper()}{str(error)[1:]}: which value holds?") from None


class _WrittenNumber(float):
    """A number that remembers how it was written, so that 20.10 is told as 20.10."""

    text: str


def _number(text: str) -> _WrittenNumber:
    number = _WrittenNumber(text)
    number.text = text
    return number


def _text(content: bytes) -> str:
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ImportRefused(f"JSON is UTF-8 (RFC 8259, 8.1), and this is not: {error}.") from None


def _by_lines(text: str, whole: Exception) -> list[Any]:
    """One JSON value a line; the last line may be torn off and is then refused like any other."""
    lines = [line for line in text.splitlines() if line.strip()]
    values = []
    for number, line in enumerate(lines, 1):
        try:
            values.append(_loaded(line))
        except _UNREADABLE as error:
            where, cause = ("The file", whole) if number == 1 else (f"Line {number}", error)
            if isinstance(cause, RecursionError):
                raise ImportRefused(
                    f"{where} nests lists and objects too deeply; expected a table."
                ) from None
            raise ImportRefused(f"{where} is not JSON: {cause}.") from None
    return values


def _records(value: Any) -> list[dict[str, Any]]:
    """Every usual way to put a table into JSON, as records with flat keys."""
    if isinstance(value, Mapping):
        value = _table_in(value)
    if isinstance(value, Sequence) and value and all(isinstance(r, Mapping) for r in value):
        return [dict(_flat(record)) for record in value]
    if isinstance(value, Sequence) and len(value) > 1 and all(isinstance(r, list) for r in value):
        heads = [str(h) for h in value[0]]
        return [_zipped(heads, row, n) for n, row in enumerate(value[1:], 2)]
    raise ImportRefused("expected a table of readings, found JSON without a list of records.")


def _table_in(value: Mapping[str, Any]) -> Any:
    heads = next((value[k] for k in ("columns", "fields", "headers", "names") if k in value), None)
    rows = next(
        (v for k, v in value.items() if k in ("data", "rows", "values") and isinstance(v, list)), None
    )
    if isinstance(heads, list) and rows is not None and all(isinstance(r, list) for r in rows):
        names = [str(h["name"]) if isinstance(h, Mapping) and "name" in h else str(h) for h in heads]
        return [_zipped(names, row, n) for n, row in enumerate(rows, 1)]
    lists = {k: v for k, v in value.items() if isinstance(v, list) and v}
    if len(lists) > 1 and all(not isinstance(v[0], Mapping | list) for v in lists.values()):
        if len({len(v) for v in lists.values()}) > 1:
            raise ImportRefused(f"The lists {', '.join(map(repr, lists))} differ in length.")
        return [dict(zip(lists, values, strict=True)) for values in zip(*lists.values(), strict=True)]
    of_records = [v for v in lists.values() if all(isinstance(r, Mapping) for r in v)]
    if len(of_records) == 1:
        return of_records[0]
    inner = [v for v in value.values() if isinstance(v, Mapping)]
    return _table_in(inner[0]) if len(inner) == 1 and not lists else [value]


def _zipped(heads: Sequence[str], row: Sequence[Any], number: int) -> dict[str, Any]:
    if len(row) != len(heads):
        raise ImportRefused(f"Record {number} has {number_of(len(row), 'value')}, expected {len(heads)}.")
    return dict(zip(heads, row, strict=True))


def _flat(record: Mapping[str, Any], above: str = "") -> Iterable[tuple[str, Any]]:
    for key, value in record.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{above}{key}.")
        else:
            yield f"{above}{key}", value


def _cell(value: Any) -> str:
    if isinstance(value, _WrittenNumber):
        return Exact(value.text)
    if isinstance(value, list):
        return json.dumps(value)
    return cell_text(value)


def _is_senml(value: Any) -> bool:
    return (
        isinstance(value, list)
        and bool(value)
        and all(isinstance(r, Mapping) and set(r) and _known_keys(r) for r in value)
        and any({"n", "bn"} & set(r) for r in value)
        and any({"v", "bv", "vs", "vb", "s"} & set(r) for r in value)
    )


def _known_keys(record: Mapping[str, Any]) -> bool:
    return all(key in _SENML_KEYS or key.endswith("_") for key in record)


def _senml(name: str, pack: Sequence[Mapping[str, Any]]) -> TextGrid:
    """Records with their base values resolved (RFC 8428, 4.6)."""
    base: dict[str, Any] = {}
    rows: list[tuple[int, list[str]]] = []
    for number, record in enumerate(pack, 1):
        if strange := sorted(k for k in record if k.endswith("_")):
            raise ImportRefused(
                f"Record {number} of the SenML pack demands {strange[0]!r}, which is not known here "
                "(RFC 8428, 4.4: such a pack must not be processed)."
            )
        base |= {k: v for k, v in record.items() if k.startswith("b")}
        if {"v", "vs", "vb", "vd"} & set(record) or ("bv" in base and "s" not in record and "n" in record):
            rows.append((number, _resolved(number, record, base)))
    heads = ["time", "name", "value", "unit"]
    note = "a SenML pack (RFC 8428): lines are numbers of records, times seconds since 1970-01-01 UTC"
    return TextGrid(name, [(0, heads), *rows], assumed=(note,), headed=True)


def _resolved(number: int, record: Mapping[str, Any], base: Mapping[str, Any]) -> list[str]:
    try:
        at = float(base.get("bt", 0)) + float(record.get("t", 0))
        value = _senml_value(record, base)
    except (TypeError, ValueError):
        raise ImportRefused(f"Record {number} of the SenML pack has no number as time or value.") from None
    if at < _RELATIVE_BELOW:
        raise ImportRefused(
            f"Record {number} of the SenML pack gives its time as {at:g} s from now (RFC 8428, 4.5.3): "
            "when was that? Expected times since 1970."
        )
    name = f"{base.get('bn', '')}{record.get('n', '')}"
    return [
        Exact(_decimal(base.get("bt"), record.get("t"))),
        name,
        value,
        str(record.get("u", base.get("bu", ""))),
    ]


def _senml_value(record: Mapping[str, Any], base: Mapping[str, Any]) -> str:
    """The number of a record, or its text; data and flags are none, and no base value makes them one."""
    if "vs" in record:
        return str(record["vs"])
    return "" if {"vb", "vd"} & set(record) else _sum(base.get("bv"), record.get("v"))


def _sum(base: Any, value: Any) -> str:
    """Without a base value the number stays as it was written."""
    return _cell(value) if base is None else Exact(_decimal(base, value))


def _decimal(*parts: Any) -> str:
    """The sum of numbers by their digits: binary fractions would shift an instant by nanoseconds."""
    from decimal import Decimal

    total = sum((Decimal(getattr(p, "text", str(p))) for p in parts if p is not None), Decimal(0))
    return f"{total:f}"


def parquet_grid(part: Part) -> TextGrid:
    """The rows of a Parquet file; instants are told in UTC where the file knows them to be."""
    import pyarrow.parquet as pq
    from pyarrow import ArrowException

    try:
        table = pq.read_table(io.BytesIO(part.content))
        columns = [[_arrow_cell(v) for v in column.to_pylist()] for column in table.columns]
    except (ArrowException, OSError, ValueError, OverflowError) as error:
        reason = str(error).splitlines()[0].rstrip(".")
        raise ImportRefused(
            f"The Parquet file cannot be read: {reason}. Copy it again from where it was written."
        ) from None
    rows = [(n, list(cells)) for n, cells in enumerate(zip(*columns, strict=True), 1)]
    simulated = PARQUET_KEY in (table.schema.metadata or {})
    return TextGrid(part.name, [(0, list(table.column_names)), *rows], headed=True, simulated=simulated)


def _arrow_cell(value: Any) -> str:
    if isinstance(value, datetime) and value.tzinfo is not None:
        return f"{value.isoformat()}"
    if isinstance(value, datetime):
        return value.isoformat()  # to the nanosecond where it has them; nothing was rounded on the way
    if isinstance(value, bytes | dict | list):
        return str(value)
    return cell_text(value)
