"""What a person declares once about the files of one source: columns, units, time, signs."""

from __future__ import annotations

import fnmatch
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from ..errors import ConfigError, Fault, ImportRefused
from ..tables_of_text import parsed, validated

Order = Literal["day-month-year", "month-day-year", "year-month-day", "year-day-month"]
Form = Literal["calendar", "epoch_s", "epoch_ms"]

FAULT_WORDS = ("OL", "---", "----", "N/A", "NaN", "nan", "Err", "Error", "open", "short")

_Text = Annotated[str, StringConstraints(min_length=1)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class _ProfileFile(_Table):
    name: _Text
    files: list[_Text] = []
    encoding: _Text | None = None
    delimiter: Literal[",", ";", "\t", "|"] | None = None
    decimal: Literal[".", ","] | None = None
    unnamed_first_column: bool = False
    fault_words: list[_Text] = list(FAULT_WORDS)
    sentinels: list[_Text] = []
    time: dict[str, Any]
    columns: Annotated[list[Any], Field(min_length=1)]


class _TimeTable(_Table):
    headings: Annotated[list[_Text], Field(min_length=1, max_length=2)]
    form: Form = "calendar"
    order: Order | None = None
    zone: _Text | None = None


class _ColumnTable(_Table):
    heading: _Text
    channel: _Text
    unit: _Text | None = None


@dataclass(frozen=True)
class Column:
    """A column of values: its heading, the channel it belongs to, its unit where the file tells none."""

    heading: str
    channel: str
    unit: str | None = None


@dataclass(frozen=True)
class Profile:
    """All that is declared about one kind of file; None: the whole file must prove it."""

    name: str
    time_headings: tuple[str, ...]
    columns: tuple[Column, ...]
    files: tuple[str, ...] = ()
    form: Form = "calendar"
    order: Order | None = None
    zone: str | None = None  # IANA name, "UTC" or an offset such as +01:00
    encoding: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    unnamed_first_column: bool = False
    fault_words: tuple[str, ...] = FAULT_WORDS
    sentinels: tuple[str, ...] = ()


def load_profile(path: Path) -> Profile:
    """The profile in a TOML file; ConfigError with all its faults."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError([Fault(str(path), "", "", "a readable file in UTF-8", str(error))]) from None
    return profile_of(path.name, text)


def profile_of(file: str, text: str) -> Profile:
    """The profile in a text; `file` is its name in messages."""
    faults: list[Fault] = []
    source = parsed(file, text, faults)
    if source is None:
        raise ConfigError(faults)
    head = validated(_ProfileFile, source.tables, source, (), faults)
    time = validated(_TimeTable, source.tables.get("time", {}), source, ("time",), faults)
    raw = source.tables.get("columns", [])
    columns = [
        validated(_ColumnTable, table, source, ("columns", number), faults)
        for number, table in enumerate(raw if isinstance(raw, list) else [])
    ]
    if faults or head is None or time is None:
        raise ConfigError(dict.fromkeys(faults))
    given = tuple(Column(**c.value.model_dump()) for c in columns if c)
    return _checked(file, _profile(head.value, time.value, given))


def choose_profile(path: Path, profiles: Iterable[Profile]) -> Profile:
    """The one profile whose `files` patterns fit the name of a file; ImportRefused for none or several."""
    known = list(profiles)
    fitting = [p for p in known if any(fnmatch.fnmatchcase(path.name, pattern) for pattern in p.files)]
    if len(fitting) == 1:
        return fitting[0]
    names = ", ".join(p.name for p in (fitting or known)) or "none"
    which = "Several profiles fit" if fitting else "No profile fits"
    raise ImportRefused(
        f"{which} the name {path.name!r}: {names}. Say which with --profile, or mend `files`."
    )


def _profile(head: _ProfileFile, time: _TimeTable, columns: tuple[Column, ...]) -> Profile:
    return Profile(
        name=head.name,
        time_headings=tuple(time.headings),
        columns=columns,
        files=tuple(head.files),
        form=time.form,
        order=time.order,
        zone=time.zone,
        encoding=head.encoding,
        delimiter=head.delimiter,
        decimal=head.decimal,
        unnamed_first_column=head.unnamed_first_column,
        fault_words=tuple(head.fault_words),
        sentinels=tuple(head.sentinels),
    )


def _checked(file: str, profile: Profile) -> Profile:
    from .dates import zone_of

    faults = []
    if profile.zone is not None:
        try:
            zone_of(profile.zone)
        except ImportRefused:
            wanted = "an IANA time zone such as Europe/Vienna, UTC, or an offset such as +01:00"
            faults.append(Fault(file, "time", "zone", wanted, repr(profile.zone)))
    headings = [*profile.time_headings, *(c.heading for c in profile.columns)]
    for key, names in (("heading", headings), ("channel", [c.channel for c in profile.columns])):
        if twice := sorted({n for n in names if names.count(n) > 1}):
            faults.append(Fault(file, "columns", key, f"each {key} once", ", ".join(map(repr, twice))))
    if faults:
        raise ConfigError(faults)
    return profile
