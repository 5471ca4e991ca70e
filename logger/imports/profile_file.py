"""A profile as a TOML file: its keys, and all its faults at once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from ..errors import ConfigError, Fault, ImportRefused
from ..formats.toml import parsed, validated
from .profile import FAULT_WORDS, UNKNOWN, Column, Form, Half, Order, Profile

_Text = Annotated[str, StringConstraints(min_length=1)]


class _Table(BaseModel):
    model_config = ConfigDict(defer_build=True, extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class ProfileFile(_Table):
    name: _Text
    files: list[_Text] = []
    encoding: _Text | None = None
    delimiter: Literal[",", ";", "\t", "|", " "] | None = None
    decimal: Literal[".", ","] | None = None
    thousands: Literal[".", ",", " ", "'", ""] | None = None
    sheet: _Text | None = None
    sections: list[_Text] = []
    leave_out: list[_Text] = []
    unnamed_first_column: bool = False
    short_rows: bool = False
    whole_last_line: bool = False
    fault_words: list[_Text] = list(FAULT_WORDS)
    sentinels: list[_Text] = []
    time: dict[str, Any]
    columns: Annotated[list[Any], Field(min_length=1)]


class ProfileZoneTable(_Table):
    since: Annotated[_Text, Field(alias="from")]
    zone: _Text


class ProfileTimeTable(_Table):
    headings: Annotated[list[_Text], Field(min_length=1, max_length=2)]
    form: Form = "calendar"
    order: Order | None = None
    zone: _Text | None = None
    zones: list[ProfileZoneTable] = []
    day_in: _Text | None = None
    repeated_hour: Half | None = None
    jumps_are_real: bool = False


class ProfileColumnTable(_Table):
    heading: _Text
    channel: _Text
    unit: _Text | None = None
    unit_in: _Text | None = None
    time: Annotated[list[_Text], Field(max_length=2)] = []
    only: dict[_Text, _Text] = {}


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
    head = validated(ProfileFile, source.tables, source, (), faults)
    time = validated(ProfileTimeTable, source.tables.get("time", {}), source, ("time",), faults)
    raw = source.tables.get("columns", [])
    columns = [
        validated(ProfileColumnTable, table, source, ("columns", number), faults)
        for number, table in enumerate(raw if isinstance(raw, list) else [])
    ]
    if faults or head is None or time is None:
        raise ConfigError(dict.fromkeys(faults))
    columns_given = tuple(_column(c.value) for c in columns if c)
    return _checked(file, _profile(head.value, time.value, columns_given))


def _column(table: ProfileColumnTable) -> Column:
    only = tuple(sorted(table.only.items()))
    return Column(table.heading, table.channel, table.unit, table.unit_in, tuple(table.time), only)


def _profile(head: ProfileFile, time: ProfileTimeTable, columns: tuple[Column, ...]) -> Profile:
    return Profile(
        name=head.name,
        time_headings=tuple(time.headings),
        columns=columns,
        files=tuple(head.files),
        form=time.form,
        order=time.order,
        zone=time.zone,
        zones=tuple((z.since, z.zone) for z in time.zones),
        encoding=head.encoding,
        delimiter=head.delimiter,
        decimal=head.decimal,
        thousands=head.thousands,
        sheet=head.sheet,
        sections=tuple(head.sections),
        leave_out=tuple(head.leave_out),
        unnamed_first_column=head.unnamed_first_column,
        short_rows=head.short_rows,
        whole_last_line=head.whole_last_line,
        day_in=time.day_in,
        repeated_hour=time.repeated_hour,
        jumps_are_real=time.jumps_are_real,
        fault_words=tuple(head.fault_words),
        sentinels=tuple(head.sentinels),
    )


def _zone_faults(file: str, profile: Profile) -> list[Fault]:
    from .zones import zone_of

    faults = []
    named = [("zone", profile.zone)] if profile.zone is not None else []
    for key, zone in (*named, *((f"zones #{n}", z) for n, (_, z) in enumerate(profile.zones, 1))):
        try:
            zone_of(zone)
        except ImportRefused:
            expected = "an IANA time zone such as Europe/Vienna, UTC, or an offset such as +01:00"
            faults.append(Fault(file, "time", key, expected, repr(zone)))
    if profile.zones and profile.zone is None:
        faults.append(
            Fault(file, "time", "zone", "the zone that holds before the first of [[time.zones]]", "none")
        )
    return faults


def _checked(file: str, profile: Profile) -> Profile:
    from .zones import zone_of

    faults = _zone_faults(file, profile)
    if not faults and profile.zone is not None:
        try:
            zone_of(profile.zone, profile.zones)
        except ImportRefused as error:
            expected = (
                "[[time.zones]] in order of time, each `from` with its offset as in 2026-10-25T01:00:00Z"
            )
            faults.append(Fault(file, "time", "zones", expected, str(error)))
    of_columns = [(c.heading, c.only) for c in profile.columns]
    headings = [*((h, ()) for h in profile.time_headings), *of_columns]
    twice = sorted({heading for heading, only in headings if headings.count((heading, only)) > 1})
    channels = [c.channel for c in profile.columns]
    again = sorted({c for c in channels if channels.count(c) > 1 and c != UNKNOWN})
    for key, names in (("heading", twice), ("channel", again)):
        if names:
            faults.append(Fault(file, "columns", key, f"each {key} once", ", ".join(map(repr, names))))
    if faults:
        raise ConfigError(faults)
    return profile
