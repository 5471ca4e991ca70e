"""TOML text to checked tables: every fault with file, table, key, wanted, found and the line.

Nothing here stops at the first fault: faults are appended to a list that the caller raises whole.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from ..errors import Fault

Path = tuple[str | int, ...]
Model = TypeVar("Model", bound=BaseModel)

LARGEST = 2_000_000  # characters; a room with a thousand probes takes a tenth of that
LONGEST_LINE = 10_000  # the time that keys with points take grows with the square of their length
_HEADER = re.compile(r"^\s*(\[\[?)([^\]]+)\]")
_KEY = re.compile(r"""^\s*("[^"]*"|'[^']*'|[A-Za-z0-9_-]+)\s*=""")
_PART = re.compile(r"""("[^"]*"|'[^']*'|[A-Za-z0-9_-]+)""")


@dataclass(frozen=True)
class TomlFile:
    """One file: its tables and the line on which each table or key begins."""

    file: str
    tables: Mapping[str, Any]
    lines: Mapping[Path, int]

    def line_of(self, path: Path) -> int | None:
        """Line of a key, or of the nearest table around it."""
        while path and path not in self.lines:
            path = path[:-1]
        return self.lines.get(path)


@dataclass(frozen=True)
class Entry(Generic[Model]):
    """One checked table and where it stands, so that a later check can name the place."""

    source: TomlFile
    path: Path
    value: Model

    def fault(self, key: str, expected: str, actual: str) -> Fault:
        """A fault at one key of this table, with its line."""
        return fault_at(self.source, (*self.path, key), expected, actual)


def parsed(file: str, text: str, faults: list[Fault]) -> TomlFile | None:
    """The tables of a text, or None and a fault that says on which line TOML ends to be TOML."""
    if len(text) > LARGEST:
        faults.append(Fault(file, "", "", f"a file of at most {LARGEST:,} characters", f"{len(text):,}"))
        return None
    if (longest := max(map(len, text.splitlines()), default=0)) > LONGEST_LINE:
        faults.append(Fault(file, "", "", f"lines of at most {LONGEST_LINE:,} characters", f"{longest:,}"))
        return None
    try:
        tables = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # also numbers with thousands of digits, and deep brackets
        faults.append(Fault(file, "", "", "a TOML file", f"a syntax error: {error}"))
        return None
    return TomlFile(file, tables, key_lines(text))


def key_lines(text: str) -> dict[Path, int]:
    """Line number, from 1, of each table and each key that begins a line.

    tomllib gives no places; this reads headers and keys alone. Tables of an array are
    numbered from 0, as in the parsed data.
    """
    lines: dict[Path, int] = {}
    counts: dict[tuple[str, ...], int] = {}
    here: Path = ()
    inside_text = False
    for number, line in enumerate(text.splitlines(), start=1):
        toggles = (line.count('"""') + line.count("'''")) % 2 == 1
        if not inside_text:
            if header := _HEADER.match(line):
                here = _table_path(header[2], header[1] == "[[", counts)
                lines.setdefault(here, number)
            elif key := _KEY.match(line):
                lines.setdefault((*here, key[1].strip("\"'")), number)
        inside_text ^= toggles
    return lines


def _table_path(header: str, of_array: bool, counts: dict[tuple[str, ...], int]) -> Path:
    names = tuple(part.strip("\"'") for part in _PART.findall(header))
    if of_array:
        counts[names] = counts.get(names, -1) + 1
    path: Path = ()
    for depth, name in enumerate(names, start=1):
        path = (*path, name)
        if names[:depth] in counts:
            path = (*path, counts[names[:depth]])
    return path


def validated(
    model: type[Model],
    raw: object,
    source: TomlFile,
    path: Path,
    faults: list[Fault],
    *,
    more_keys: Iterable[str] = (),
) -> Entry[Model] | None:
    """One table checked against its schema; `known` are further keys worth suggesting."""
    if not isinstance(raw, dict):
        faults.append(fault_at(source, path, "a table", _excerpt(raw)))
        return None
    try:
        return Entry(source, path, model.model_validate(raw))
    except ValidationError as error:
        names = [field.alias or name for name, field in model.model_fields.items()]
        names += more_keys
        faults += [_fault(source, path, detail, names) for detail in error.errors()]
        return None


def fault_at(source: TomlFile, path: Path, expected: str, actual: str) -> Fault:
    """A fault at a path; the line is added to what was found."""
    line = source.line_of(path)
    place = f"{actual} (line {line})" if line else actual
    table, key = _place_in_words(path)
    return Fault(source.file, table, key, expected, place)


def nearest(name: str, names: Sequence[str]) -> str:
    """The wish for a known name: the near one when there is one, else all of them.

    >>> nearest("toleranse_K", ["tolerance_K", "basis"])
    "a known name; did you mean 'tolerance_K'?"
    """
    near = difflib.get_close_matches(name, names, n=1, cutoff=0.6)
    if near:
        return f"a known name; did you mean {near[0]!r}?"
    return f"one of {', '.join(names)}" if names else "no name here: there is none to refer to"


def _place_in_words(path: Path) -> tuple[str, str]:
    """Table and key of a path as a person writes them; tables of an array count from 1.

    >>> _place_in_words(("placements", 2, "from"))
    ('placements #3', 'from')
    """
    names: list[str] = []
    for part in path:
        if isinstance(part, int) and names:
            names[-1] += f" #{part + 1}"
        else:
            names.append(str(part))
    return ".".join(names[:-1]), names[-1] if names else ""


def _fault(source: TomlFile, path: Path, detail: ErrorDetails, names: Sequence[str]) -> Fault:
    where = (*path, *detail["loc"])
    if detail["type"] == "extra_forbidden":
        key = str(detail["loc"][-1])
        expected = nearest(key, names).replace("name", "key", 1)
        return fault_at(source, where, expected, f"the unknown key {key!r}")
    if detail["type"] == "missing":
        return fault_at(source, where, "a value", "nothing")
    return fault_at(source, where, _expectation(detail), _excerpt(detail["input"]))


_EXPECTATIONS = {
    "string_type": "text",
    "string_too_short": "text that is not empty",
    "float_type": "a number",
    "finite_number": "a finite number",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "list_type": "a list",
    "dict_type": "a table",
    "date_type": "a day such as 2026-10-01, without quotes",
}


def _expectation(detail: ErrorDetails) -> str:
    if detail["type"] in _EXPECTATIONS:
        return _EXPECTATIONS[detail["type"]]
    if detail["type"] == "literal_error":
        return str(detail["ctx"]["expected"])
    return detail["msg"].removeprefix("Value error, ").removeprefix("Input should be ")


def _excerpt(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
