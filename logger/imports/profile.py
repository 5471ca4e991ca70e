"""What a person declares once about the files of one source: columns, units, time, signs.

How it is read from TOML stands in `profile_file.py`: the child that reads files needs no more than this.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

Order = Literal["day-month-year", "month-day-year", "year-month-day", "year-day-month"]
Form = Literal["calendar", "epoch_s", "epoch_ms", "serial_1900", "serial_1904"]
Half = Literal["first", "second"]

# Written with any capitals; a cell of nothing but dashes, stars, question marks or hashes says the same.
FAULT_WORDS = (
    "OL", "O.L", "N/A", "#N/A", "n.a.", "NA", "NaN", "null", "None", "Err", "Error", "Fault", "Fail", "open",
    "short", "over", "under", "overflow", "underflow", "overrange", "underrange", "inf", "+inf", "-inf",
    "invalid", "lost", "missing", "no data", "disconnected",
)  # fmt: skip
UNKNOWN = "?"  # the channel of a column that nobody has named yet
DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", " ": "space"}


@dataclass(frozen=True)
class Column:
    """A column of values: its heading, the channel it belongs to, its unit where the file tells none."""

    heading: str
    channel: str
    unit: str | None = None
    unit_in: str | None = None  # a column that tells the unit of each row
    time: tuple[str, ...] = ()  # its own column(s) of times, where probes stand side by side with theirs
    only: tuple[tuple[str, str], ...] = ()  # rows whose other column, or section, says that

    @property
    def name(self) -> str:
        """The heading, with the words of the rows meant."""
        return ", ".join((self.heading, *(word for _, word in self.only)))


@dataclass(frozen=True)
class Profile:
    """All that is declared about one kind of file; None: the whole file must prove it.

    A heading "#3" is the third column, whatever stands above it.
    """

    name: str
    time_headings: tuple[str, ...]
    columns: tuple[Column, ...]
    files: tuple[str, ...] = ()
    form: Form = "calendar"
    order: Order | None = None
    zone: str | None = None  # IANA name, "UTC" or an offset such as +01:00
    zones: tuple[tuple[str, str], ...] = ()  # from when on (RFC 3339) another one holds, ascending
    encoding: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    thousands: str | None = None
    sheet: str | None = None
    sections: tuple[str, ...] = ()  # keys of lines such as "Probe: P1" that stand above each part of the file
    leave_out: tuple[str, ...] = ()  # patterns of lines that are no readings
    unnamed_first_column: bool = False
    short_rows: bool = False  # rows may end early: what is missing there is empty
    whole_last_line: bool = False  # a last line without line end is whole all the same
    day_in: str | None = None  # "file name", or the key of a line above the headings, that tells the day
    repeated_hour: str | None = None  # which pass through an hour that comes twice, where only one is there
    jumps_are_real: bool = False  # a jump that another date order would explain is real
    fault_words: tuple[str, ...] = FAULT_WORDS
    sentinels: tuple[str, ...] = ()

    def streams(self) -> dict[tuple[tuple[str, ...], tuple[tuple[str, str], ...]], tuple[Column, ...]]:
        """Columns that share their times and rows."""
        by_time: dict[Any, list[Column]] = {}
        for column in self.columns:
            by_time.setdefault((column.time or self.time_headings, column.only), []).append(column)
        return {key: tuple(columns) for key, columns in by_time.items()}

    def headings(self) -> list[str]:
        """Every column of the file that is needed, each once."""
        of_columns = [(*c.time, c.heading, *((c.unit_in,) if c.unit_in else ())) for c in self.columns]
        keys = [key for c in self.columns for key, _ in c.only if key not in self.sections]
        times = () if all(c.time for c in self.columns) else self.time_headings
        return list(dict.fromkeys([*times, *(h for some in of_columns for h in some), *keys]))
