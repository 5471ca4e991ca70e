"""Written times to UTC. The order of day and month, the zone and each repeated hour are known or asked."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal, InvalidOperation
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..errors import ImportRefused
from ..instants import NS
from .cells import ArrowCells, Coded
from .date_order import EPOCH_DAY, YEARS, are_days, day_of, days_either_way, order_of_dates, possible_orders
from .jumps import (
    evidence,
    mostly_fall,
    refuse_another_order,
    refuse_hour_back,
    refuse_lost_clock,
    refuse_order_switch,
)
from .profile import Order, Profile
from .stamp_forms import refuse_mixed_forms, refuse_third_half
from .stamps import clock, date_parts, divided
from .table import Stream
from .zones import DAY_NS, local, localised, zone_name

Int = NDArray[np.int64]

_SERIAL_DAY = {"serial_1900": date(1899, 12, 30).toordinal(), "serial_1904": date(1904, 1, 1).toordinal()}
_FIRST_LOGGER = 3652  # days to 1980, when readings were not yet written to files as seconds since 1970


@dataclass(frozen=True)
class _Wall:
    """Local days and times of day of the rows of one stream; offsets where the text carries them."""

    day: Int
    clock_ns: Int
    offset_ns: Int | None
    lines: Sequence[int]

    @cached_property
    def ns(self) -> Int:
        return self.day * DAY_NS + self.clock_ns


def instants(streams: Sequence[Stream], profile: Profile) -> tuple[list[Int], list[str]]:
    """The instant of each row of each stream, and what was taken as known.

    The order of dates is that of the whole file.
    """
    if profile.form in ("epoch_s", "epoch_ms"):
        instants_of = [_epoch(s.times, s.lines, profile) for s in streams]
        if not profile.jumps_are_real:
            for at, stream in zip(instants_of, streams, strict=True):
                refuse_lost_clock(at, stream.lines)
        unit = "seconds" if profile.form == "epoch_s" else "milliseconds"
        return instants_of, [f"times are {unit} since 1970-01-01 UTC, as declared"]
    walls, assumed = _walls(streams, profile)
    if not profile.jumps_are_real:
        order = assumed[0].removeprefix("dates are ").partition(",")[0]
        for wall in walls:
            refuse_another_order(wall.day, wall.clock_ns, wall.lines, order)
            refuse_lost_clock(wall.ns, wall.lines)
    if walls[0].offset_ns is not None:
        note = ["the offsets in the file were used, not the profile's zone"] if profile.zone else []
        return [w.ns - w.offset_ns for w in walls if w.offset_ns is not None], [*assumed, *note]
    if not profile.zone:
        raise ImportRefused(
            f"In which time zone was {streams[0].times[0]!r} (line {streams[0].lines[0]}) written? The file "
            "does not say. Set `zone` under [time] in the profile: an IANA name, UTC, or an offset such as "
            "+01:00 for a logger that never changes its clock."
        )
    return _all_localised(walls, profile, profile.zone, assumed)


def _all_localised(
    walls: Sequence[_Wall], profile: Profile, zone: str, assumed: list[str]
) -> tuple[list[Int], list[str]]:
    notes = [f"times are local to {zone_name(zone, profile.zones)}, as declared"]
    localised_streams = []
    for wall in walls:
        wall_ns = wall.ns
        step = (
            -1 if mostly_fall(np.diff(wall_ns)) else 1
        )  # then the hour that comes twice is passed backwards
        ascending, lines = wall_ns[::step], wall.lines[::step]
        utc, more_notes = localised(ascending, lines, zone, profile.repeated_hour, profile.zones)
        if not profile.jumps_are_real:
            more_notes += refuse_hour_back(utc, ascending, lines, zone)
        localised_streams.append(utc[::step])
        notes += more_notes
    return localised_streams, [*assumed, *dict.fromkeys(notes)]


def _epoch(texts: Sequence[str], lines: Sequence[int], profile: Profile) -> Int:
    """Each number as an instant; one of the first years is of a clock that was never set, or of seconds taken
    for milliseconds.
    """
    unit_ns, name = (NS, "seconds") if profile.form == "epoch_s" else (1_000_000, "milliseconds")
    epoch_ns = np.empty(len(texts), np.int64)
    for i, text in enumerate(texts):
        ns = _scaled(text, unit_ns)
        if ns is None or not 0 <= ns < 2**62:
            raise ImportRefused(f"Line {lines[i]}: {text!r} is not a number of {name} since 1970.", lines[i])
        if ns < _FIRST_LOGGER * DAY_NS:
            raise ImportRefused(
                f"Line {lines[i]}: {text!r} as {name} since 1970 is {local(ns)[:10]}. Is `form` under [time] "
                "another, or was the logger's clock not set? Correct the profile or the line."
            )
        epoch_ns[i] = ns
    return epoch_ns


def _scaled(text: str, unit_ns: int) -> int | None:
    """A decimal number times a unit, exact to the nanosecond; None for what is no number."""
    bare = text.strip().replace(",", ".")
    if not re.fullmatch(r"-?\d{1,19}(?:\.\d*)?(?:[eE]\+?\d{1,2})?", bare):
        return None
    try:
        return int(Decimal(bare) * unit_ns)
    except (InvalidOperation, OverflowError):
        return None


def _walls(streams: Sequence[Stream], profile: Profile) -> tuple[list[_Wall], list[str]]:
    if profile.form in _SERIAL_DAY:
        note = f"times are days of a spreadsheet since {profile.form[-4:]}, as declared"
        return [_serial(s, _SERIAL_DAY[profile.form]) for s in streams], [note]
    if profile.day_in is not None:
        return _walls_of_clocks(streams, profile)
    texts = streams[0].times if len(streams) == 1 else [text for s in streams for text in s.times]
    lines = streams[0].lines if len(streams) == 1 else [line for s in streams for line in s.lines]
    whole, how = _read(texts, lines, profile.order)
    return _parted(whole, streams), how


def _parted(whole: _Wall, streams: Sequence[Stream]) -> list[_Wall]:
    ends = np.cumsum([len(s.lines) for s in streams])[:-1]
    days, clocks = np.split(whole.day, ends), np.split(whole.clock_ns, ends)
    none = [None] * len(streams)
    offsets: Sequence[Int | None] = none if whole.offset_ns is None else np.split(whole.offset_ns, ends)
    return [_Wall(d, c, o, s.lines) for d, c, o, s in zip(days, clocks, offsets, streams, strict=True)]


def _serial(stream: Stream, day0: int) -> _Wall:
    """Days since a spreadsheet's first one: what a millisecond cannot tell is an error of the fraction."""
    ms = np.empty(len(stream.times), np.int64)
    for i, text in enumerate(stream.times):
        ns = _scaled(text, DAY_NS)
        first_ns = (EPOCH_DAY - day0) * DAY_NS
        if ns is None or not first_ns <= ns < first_ns + 84_000 * DAY_NS:  # the years of all other dates
            raise ImportRefused(
                f"Line {stream.lines[i]}: {text!r} is not a day number of a spreadsheet in the years "
                f"{YEARS[0]} to {YEARS[1] - 1}.",
                stream.lines[i],
            )
        ms[i] = -(-ns // 500_000) // 2
    day, clock_ms = np.divmod(ms, DAY_NS // 1_000_000)
    return _Wall(day + day0 - EPOCH_DAY, clock_ms * 1_000_000, None, stream.lines)


def _walls_of_clocks(streams: Sequence[Stream], profile: Profile) -> tuple[list[_Wall], list[str]]:
    """Rows that hold the time of day alone; the day is given by the file's name or a line above them."""
    by_name = profile.day_in == "file name"
    stated_days = [[_day_in_name(s.file)] * len(s.lines) if by_name else list(s.days) for s in streams]
    for s, days in zip(streams, stated_days, strict=True):
        if "" in days:
            line = s.lines[days.index("")]
            raise ImportRefused(f"Line {line}: no line above it gives the day as {profile.day_in!r}.")
    texts = [
        f"{_day_of(d)} {t}"
        for s, days in zip(streams, stated_days, strict=True)
        for d, t in zip(days, s.times, strict=True)
    ]
    whole, how = _read(texts, [line for s in streams for line in s.lines], profile.order)
    walls = [replace(w, day=w.day + _midnights(w)) for w in _parted(whole, streams)]
    return walls, [*how, f"the day is given by {'the name of the file' if by_name else repr(profile.day_in)}"]


def _day_of(text: str) -> str:
    """The date in a text such as "13.10.2026 09:00" or "Tuesday 2026-10-13"."""
    match = re.search(r"\d{1,4}([./-])\d{1,2}\1\d{1,4}", text)
    return match[0] if match else text


def _day_in_name(file: str) -> str:
    """The one date in the name of a file; that of the archive around it tells one only where its own does
    not.
    """
    form = r"(?<!\d)(?:\d{8}|\d{4}[-_.]\d{2}[-_.]\d{2}|\d{2}[-_.]\d{2}[-_.]\d{2,4})(?!\d)"
    parts = reversed(file.split("/"))
    dates_in_part = next((dates for part in parts if (dates := re.findall(form, part))), [])
    if len(dates_in_part) != 1:
        raise ImportRefused(
            f"The name {file!r} holds {'several dates' if dates_in_part else 'no date'}, though the profile "
            "takes the day from it; expected one date such as 20261013 or 2026-10-13."
        )
    return re.sub(r"[_.]", "-", dates_in_part[0])


def _midnights(wall: _Wall) -> Int:
    """How many midnights lie behind each row: no change of clocks takes back three hours."""
    over = np.diff(wall.clock_ns) < -DAY_NS // 8
    same_day = np.diff(wall.day) == 0
    return np.concatenate([[0], np.cumsum(over & same_day)]).astype(np.int64)


def _read(texts: Sequence[str], lines: Sequence[int], order: Order | None) -> tuple[_Wall, list[str]]:
    """Each day and each time of day occurs many times in a file: parsed once, looked up after."""
    days_text, clocks_text = _split(texts)
    line_of_day, line_of_clock = days_text.first_lines(lines), clocks_text.first_lines(lines)
    parts = {text: date_parts(text, line) for text, line in line_of_day.items()}
    clocks = {text: clock(text, line) for text, line in line_of_clock.items()}
    refuse_mixed_forms(line_of_day, offset=False)
    refuse_mixed_forms(line_of_clock, offset=True)
    refuse_third_half(line_of_clock)
    clock_ns = np.array([clocks[text][0] for text in clocks_text.table], np.int64).take(clocks_text.codes)

    def wall_of(parsed: Order) -> Int:
        days = {text: day_of(p, parsed, text, line_of_day[text]) for text, p in parts.items()}
        return np.array([days[text] for text in days_text.table], np.int64).take(days_text.codes)

    possible = possible_orders(list(parts.values()))
    if not possible or (order is not None and order not in possible):
        options = [days_either_way(parts[text]) for text in days_text.table]
        refuse_order_switch(options, days_text.codes.astype(np.int64), clock_ns, lines)
    parsed, how = order_of_dates(parts, line_of_day, possible, order)
    if parsed is None:
        walls = {o: wall_of(o) * DAY_NS + clock_ns for o in possible if are_days(parts, o)}
        raise ImportRefused(f"{how}{evidence(walls)} Set `order` under [time] in the profile.")
    offset_ns = _offsets(clocks, clocks_text, line_of_clock)
    return _Wall(wall_of(parsed), clock_ns, offset_ns, lines), [how]


def _split(texts: Sequence[str]) -> tuple[Coded, Coded]:
    """Text of the day and of the time of day of each row."""
    halves = texts.halves() if isinstance(texts, ArrowCells) else None
    if halves is not None:
        return halves
    days, clocks = [], []
    for text in texts:
        stripped = text.strip()
        day, _, of_day = stripped.partition("T" if "T" in stripped[:11] else " ")
        if not (
            day[:1].isdigit()
            and of_day[:1].isdigit()
            and len(day) > 5
            and ":" not in day
            and " " not in of_day
        ):
            day, of_day = divided(stripped)
        days.append(day)
        clocks.append(of_day)
    return Coded.of(days), Coded.of(clocks)


def _offsets(clocks: dict[str, tuple[int, int | None]], texts: Coded, line_of: dict[str, int]) -> Int | None:
    without = [text for text, (_, offset) in clocks.items() if offset is None]
    if len(without) == len(clocks):
        return None
    if without:
        raise ImportRefused(
            "Some times carry an offset from UTC and some do not, as "
            f"{without[0]!r} in line {line_of[without[0]]}. Correct the lines, or export the file again with "
            "one of the two throughout."
        )
    offsets = {text: offset or 0 for text, (_, offset) in clocks.items()}
    return np.array([offsets[text] for text in texts.table], np.int64)[texts.codes]
