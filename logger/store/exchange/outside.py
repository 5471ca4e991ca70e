"""The files of an export, read in the confined child before the record reads them.

An export comes from outside: its digests show that nobody changed it since it was written, not that whoever
wrote it meant well. What cannot be read within the limits is refused before anything is made.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from ...errors import Refused
from ...processes.child_limits import ChildLimits, half_of_memory
from ...processes.confined import run_confined
from ..archive.parquet import ParquetReader
from ..hot.journal_files import UNREADABLE

P = ParamSpec("P")
T = TypeVar("T")

DEEPEST = 50  # levels of JSON; an export has less than ten
_INSTEAD = "take another copy of the export, or restore a backup"
_NOTHING = f"Nothing was restored; {_INSTEAD}."


def confined(path: Path, work: Callable[P, T], *args: P.args, **named: P.kwargs) -> T:
    """What `work` gives for these arguments, done in the child with the limits for the file at `path`.

    ImportRefused with a sentence that names the file where a limit is reached or `work` refuses.
    """
    return run_confined(str(path), _limits(path), work, *args, **named)


def json_in(path: Path) -> Any:
    """The content of a JSON file, read in the child; Refused where it is none or too deep."""
    return confined(path, parsed_file, path)


def check_parquet(path: Path) -> None:
    """Read a Parquet file in the child as the record will read it; Refused where that cannot be done."""
    confined(path, _read_parquet, path)


def parsed_file(path: Path) -> Any:
    return parsed(path.read_bytes(), path)


def parsed(text: str | bytes, path: Path) -> Any:
    """JSON of a file at `path`; Refused where it is none or nested deeper than DEEPEST levels."""
    try:
        value = json.loads(text)
    except RecursionError:
        raise Refused(_too_deep(path)) from None
    except ValueError as error:
        raise Refused(f"{path} is not JSON: {error}. {_NOTHING}") from None
    _refuse_deep(value, path)
    return value


def _refuse_deep(value: Any, path: Path) -> None:
    """Walk level by level, not by recursion: a file from outside may be nested without end."""
    level = [value]
    for _ in range(DEEPEST):
        level = [inner for outer in level for inner in _inner(outer)]
        if not level:
            return
    raise Refused(_too_deep(path))


def _inner(value: Any) -> Iterable[Any]:
    if isinstance(value, dict):
        return value.values()
    return value if isinstance(value, list) else ()


def _too_deep(path: Path) -> str:
    return f"{path} is nested deeper than {DEEPEST} levels, which no export is. {_NOTHING}"


def _read_parquet(path: Path) -> None:
    try:
        with ParquetReader(path) as reader:
            reader.columns([group for groups in reader.groups().values() for group in groups])
    except MemoryError:
        raise  # the child answers with the limit
    except UNREADABLE as error:
        raise Refused(f"{path} cannot be read: {str(error)[:200]}. {_NOTHING}") from None


def _limits(path: Path) -> ChildLimits:
    """Half of the machine: a month of readings takes many times the size of its file."""
    limits = ChildLimits.for_size(path.stat().st_size)
    return replace(limits, memory=half_of_memory(), undone="Nothing was restored", instead=_INSTEAD)
