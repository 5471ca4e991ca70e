"""A first profile for a file that nobody has described yet: what it shows is written down, the rest is asked.

Nothing is guessed: a column gets its channel where it bears the channel's own name, else a question.
"""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import PurePath

import numpy as np

from ..errors import ImportRefused
from ..instants import NS
from ..units import QUANTITIES, unit_name
from .channels import ChannelList
from .containers import Part, parts_of
from .dates import instants
from .encoding import decoded
from .grid import Row, TextGrid
from .heading import plain, text_grid, trimmed, unit_in_heading, without_mark
from .profile import DELIMITERS, UNKNOWN, Column, Form, Profile
from .reading import grid_of
from .row_labels import RowLabels, row_labels
from .stamps import clock, date_parts, divided
from .table import Stream, TextColumn
from .values import read_values
from .writing import profile_text

_NUMBER = re.compile(
    # with the long minus signs of typesetters, and the decimal sign of Arabic scripts
    r"[+\-\u2212\u2013]?(?:\d+(?:[.,\u066b]\d*)?|\d{1,3}(?:[., ']\d{3})+(?:[.,]\d*)?)(?:[eE][+-]?\d+)?"
)  # with one sign between thousands or before decimals: 293.004,1017.44 are two
_EPOCH_S, _EPOCH_MS = (946_684_800, 4_102_444_800), (946_684_800_000, 4_102_444_800_000)  # 2000 to 2100
_SERIAL = (36_526, 73_051)  # the same years in days of a spreadsheet
_SAMPLE = 400


@dataclass(frozen=True)
class Guess:
    """A column of values as the file shows it, or those of its rows in which other columns say `only`."""

    heading: str
    unit: str | None
    example: str
    channel: str
    candidates: tuple[str, ...]
    only: tuple[tuple[str, str], ...] = ()
    unit_in: str | None = None  # the column that says the unit

    @property
    def name(self) -> str:
        """As `Column.name`."""
        return self.column.name

    @property
    def column(self) -> Column:
        """The column of a profile that reads it."""
        unit = None if self.unit_in else self.unit
        return Column(self.heading, self.channel, unit, self.unit_in, (), self.only)


@dataclass(frozen=True)
class Description:
    """A profile with the questions that are open; `columns` has every column of numbers."""

    profile: Profile
    columns: tuple[Guess, ...]
    questions: tuple[str, ...]
    first_ns: int | None = None  # of the first reading, to the day; None where dates are a question
    step_s: float | None = None  # the usual step between readings

    @property
    def text(self) -> str:
        """The profile as a file, each open question above it."""
        notes = {c.name: _remark(c) for c in self.columns}
        return profile_text(self.profile, notes, self.questions)


def describe(
    name: str, content: bytes, setup: ChannelList | None = None, sheet: str | None = None
) -> Description:
    """What a file shows of itself; ImportRefused where no table of readings is found in it."""
    part = parts_of(name, content)[0]
    grid, delimiter = _best_grid(part, sheet)
    sample, width = _timed(grid.rows[: 4 * _SAMPLE])
    if not sample:
        raise ImportRefused(f"{name}: no row holds a time and a number; is it a table of readings?")
    names, units = _names(grid.rows, sample[0], width)
    shift = int(len(names) == width - 1)
    times, form = _time_columns(sample, width)
    rows = _like(grid.rows, sample[0], width, times)
    headings = _headings(names, width, shift)
    guesses = _guesses(rows, width, times, (headings, units, shift), setup)
    values = [headings.index(g.heading) for g in guesses]
    others = [n for n in range(shift, width) if n not in times and n not in values]
    labels = row_labels(rows, times, others, values if len(values) > 1 else ())
    guesses = tuple(part for g in guesses for part in _parts(g, rows, headings, labels, setup))
    profile = Profile(
        PurePath(name).stem,
        tuple(headings[t] for t in times),
        tuple(g.column for g in guesses),
        files=(_pattern(name),),
        form=form,
        delimiter=delimiter,
        sheet=sheet,
        unnamed_first_column=bool(shift),
    )
    streams = list(_streams(profile, rows, times, headings))
    questions = _open_points(profile, streams)
    first_ns, step_s = _times(profile, streams)
    questions += [*_label_questions(labels, headings), *_unit_questions(guesses)]
    return Description(profile, guesses, tuple(questions), first_ns, step_s)


def _streams(
    profile: Profile, rows: Sequence[Row], times: Sequence[int], headings: Sequence[str]
) -> Iterator[Stream]:
    """The rows of each probe with the columns read from them; all rows where there is no column."""
    for only in dict.fromkeys(c.only for c in profile.columns) or ((),):
        words = [(headings.index(key), word) for key, word in only]
        own = [(line, cells) for line, cells in rows if all(cells[n].strip() == word for n, word in words)]
        columns = [(c, headings.index(c.heading)) for c in profile.columns if c.only == only]
        yield Stream(
            [" ".join(cells[t] for t in times) for _, cells in own],
            [line for line, _ in own],
            tuple(TextColumn(c, None, [cells[n] for _, cells in own]) for c, n in columns),
        )


def _times(profile: Profile, streams: Sequence[Stream]) -> tuple[int | None, float | None]:
    """The first instant and the usual step, as far as they do not depend on the zone."""
    try:
        instants_of, _ = instants(streams, replace(profile, zone="UTC", jumps_are_real=True))
    except ImportRefused:
        return None, None
    steps = np.concatenate([np.abs(np.diff(instants_ns)) for instants_ns in instants_of])
    steps = steps[steps > 0]
    first_ns = min(int(instants_ns.min()) for instants_ns in instants_of)
    return first_ns, float(np.median(steps)) / NS if len(steps) else None


def _best_grid(part: Part, sheet: str | None) -> tuple[TextGrid, str | None]:
    """The grid in which the most rows hold a time and a number."""
    if part.kind != "text":
        return grid_of(part, Profile("", (), (), sheet=sheet)), None
    text = decoded(part.content).text
    grids: dict[str, TextGrid] = {}
    for delimiter in DELIMITERS:
        try:
            grids[delimiter] = text_grid(part.name, text, delimiter)
        except ImportRefused:
            continue
    if not grids:
        raise ImportRefused(f"{part.name}: no row of it is that of a table.")
    best = max(grids, key=lambda d: _merit(grids[d].rows))
    return grids[best], best


def _merit(rows: Sequence[Row]) -> tuple[int, int]:
    timed, width = _timed(rows[: 4 * _SAMPLE])
    return len(timed), -abs(width)


def _like(rows: Sequence[Row], first: Row, width: int, times: Sequence[int]) -> list[Row]:
    """All rows as wide as the first reading with digits where the time stands."""
    wide = [row for row in rows if row[0] >= first[0] and len(row[1]) == width]
    return [row for row in wide if all(any(c.isdigit() for c in row[1][t]) for t in times)]


def _timed(rows: Sequence[Row]) -> tuple[list[Row], int]:
    """Rows of the most usual width that hold a time and, in another cell, a number."""
    good = [row for row in rows if _has_time_and_number(row[1])]
    widths = [len(cells) for _, cells in good]
    width = max(set(widths), key=widths.count) if widths else 0
    return [row for row in good if len(row[1]) == width], width


def _has_time_and_number(cells: Sequence[str]) -> bool:
    timed = {n for n, cell in enumerate(cells) if _kind_of_time(cell)}
    return bool(timed) and any(
        n not in timed and _NUMBER.fullmatch(cell.strip()) for n, cell in enumerate(cells)
    )


def _kind_of_time(cell: str) -> str:
    """ "stamp", "day", "clock", "epoch_s", "epoch_ms", or nothing."""
    text = cell.strip()
    if not any(c.isdigit() for c in text) or len(text) > 60:
        return ""
    if re.fullmatch(r"\d{10}(?:\.\d+)?|\d{13}", text):
        low, high = _EPOCH_MS if len(text.partition(".")[0]) == 13 else _EPOCH_S
        return ("epoch_ms" if high == _EPOCH_MS[1] else "epoch_s") if low <= float(text) < high else ""
    if re.fullmatch(r"\d{5}[.,]\d+", text) and _SERIAL[0] <= int(text[:5]) < _SERIAL[1]:
        return "serial_1900"
    day, of_day = divided(text)
    kind = "day" if _is(date_parts, day) else ""
    if kind and of_day:
        return "stamp" if _is(clock, of_day) else ""
    return kind or ("clock" if ":" in text and _is(clock, text) else "")


def _is(read: object, text: str) -> bool:
    try:
        read(text, 0)  # type: ignore[operator]
    except (ImportRefused, ValueError):
        return False
    return True


def _time_columns(rows: Sequence[Row], width: int) -> tuple[tuple[int, ...], Form]:
    """The column of times, or those of the day and of the time of day."""
    sample = [cells for _, cells in rows[:_SAMPLE]]
    kinds = [_most([_kind_of_time(cells[n]) for cells in sample]) for n in range(width)]
    for kind, form in (
        ("stamp", "calendar"),
        ("epoch_s", "epoch_s"),
        ("epoch_ms", "epoch_ms"),
        ("serial_1900", "serial_1900"),
    ):
        if kind in kinds:
            return (kinds.index(kind),), form  # type: ignore[return-value]
    if "day" in kinds and "clock" in kinds:
        return (kinds.index("day"), kinds.index("clock")), "calendar"
    return (next(n for n, kind in enumerate(kinds) if kind),) if any(kinds) else (0,), "calendar"


def _most(kinds: Sequence[str]) -> str:
    best = max(set(kinds), key=kinds.count)
    return best if kinds.count(best) > len(kinds) // 2 else ""


def _names(rows: Sequence[Row], first: Row, width: int) -> tuple[list[str], list[str]]:
    """The row of headings above the readings, and that of units below it, where they are there."""
    above = [without_mark(rows, n) for n, (line, _) in enumerate(rows) if line < first[0]]
    near = [list(trimmed(cells)) for cells in above[-3:] if width - 1 <= len(cells) <= width + 1]
    if not near:
        return [], []
    if len(near) > 1 and any(_is_unit(cell) for cell in near[-1]):
        return [plain(c) for c in near[-2]], near[-1]
    return [plain(c) for c in near[-1]], []


def _is_unit(cell: str) -> bool:
    units = {unit for q in QUANTITIES.values() for unit in q.units if unit != "1"}
    return unit_name(cell.strip().strip("[](){}")) in units


def _headings(names: Sequence[str], width: int, shift: int) -> list[str]:
    """What the profile calls each column: its heading where that is one, else its number."""
    headings = []
    for n in range(width):
        name = names[n - shift] if 0 <= n - shift < len(names) else ""
        headings.append(
            name if name and list(names).count(name) == 1 and not name.startswith("#") else f"#{n + 1}"
        )
    return headings


def _guesses(
    rows: Sequence[Row],
    width: int,
    times: Sequence[int],
    rows_before: tuple[Sequence[str], Sequence[str], int],
    setup: ChannelList | None,
) -> tuple[Guess, ...]:
    headings, units, shift = rows_before
    guesses = []
    for n in range(width):
        cells = [cells[n].strip() for _, cells in rows[:_SAMPLE]]
        numbers = [c for c in cells if _NUMBER.fullmatch(c)]
        if n in times or len(numbers) < max(1, len(cells) // 3) or _counts(numbers) or (shift and n == 0):
            continue
        unit = unit_in_heading(headings[n]) or (units[n] if n < len(units) else "")
        unit = unit_name(unit.strip("[](){} ")) if unit else ""
        channel, candidates = _channels(headings[n], unit, setup)
        guesses.append(Guess(headings[n], unit or None, numbers[0], channel, candidates))
    return tuple(guesses)


def _parts(
    guess: Guess, rows: Sequence[Row], headings: Sequence[str], labels: RowLabels, setup: ChannelList | None
) -> Iterator[Guess]:
    """A column of values as one for each probe whose rows it holds."""
    at = headings.index(guess.heading)
    by_words: dict[tuple[str, ...], list[Sequence[str]]] = {}
    for _, cells in rows:
        if at not in labels.places and _NUMBER.fullmatch(cells[at].strip()):
            by_words.setdefault(tuple(cells[n].strip() for n in labels.places), []).append(cells)
    for words, of_probe in by_words.items():
        only = tuple(sorted((headings[n], word) for n, word in zip(labels.places, words, strict=True)))
        unit, unit_in = guess.unit, None
        if unit is None and labels.unit_at is not None:
            units = {unit_name(cells[labels.unit_at].strip().strip("[](){}")) for cells in of_probe}
            unit, unit_in = (units.pop() if len(units) == 1 else None), headings[labels.unit_at]
        name = " ".join((guess.heading, *words))
        channel, candidates = _channels(name, unit or "", setup)
        yield Guess(guess.heading, unit, of_probe[0][at].strip(), channel, candidates, only, unit_in)


def _label_questions(labels: RowLabels, headings: Sequence[str]) -> list[str]:
    """Columns whose words change now and then: rows of another probe, or a remark."""
    return [
        f"Does column {headings[n]!r} ({', '.join(words[:4])}{', …' if len(words) > 4 else ''}) say of which "
        "probe a row is? Then write one [[columns]] for each, such as only = "
        f"{{ {json.dumps(headings[n])} = {json.dumps(words[0])} }}; else nothing needs to be done."
        for n, words in labels.changing
    ]


def _counts(numbers: Sequence[str]) -> bool:
    """A column that counts the rows."""
    whole = [int(t) for t in numbers if t.isdigit()]
    return len(whole) == len(numbers) > 2 and all(b - a == 1 for a, b in itertools.pairwise(whole))


def _channels(heading: str, unit: str, setup: ChannelList | None) -> tuple[str, tuple[str, ...]]:
    """The channel that a heading names, and all that measure something in that unit."""
    if setup is None:
        return UNKNOWN, ()
    fitting = [c for c in setup.channels.values() if not unit or unit in QUANTITIES[c.quantity].units]
    words = set(re.findall(r"\w+", heading.casefold()))
    whole = [c.key for c in fitting if set(re.findall(r"[^\W_]+", c.key.casefold())) <= words]
    by_probe = [c.key for c in fitting if unit and c.probe.casefold() in words]
    named = whole if len(whole) == 1 else by_probe
    return (named[0] if len(named) == 1 else UNKNOWN), tuple(c.key for c in fitting)


def _open_points(profile: Profile, streams: Sequence[Stream]) -> list[str]:
    """What the dates and the numbers prove or leave open, asked of the importer's own rules."""
    questions = []
    if profile.form == "serial_1900":
        example = streams[0].times[0]
        questions.append(
            f"Is {example} a number of days as spreadsheets count them, {_serial_day(example)}? Then "
            'leave `form` under [time]; a workbook that counts from 1904 takes "serial_1904".'
        )
    for zone in ("", "UTC"):
        try:
            instants(streams, replace(profile, zone=zone or None))
        except ImportRefused as refused:
            questions.append(str(refused))
            if "time zone" not in str(refused):
                break  # the zone is asked about as well, once the order of the dates is known
        else:
            break
    questions = _with_hour_back(questions)
    try:
        read_values(streams, profile)
    except ImportRefused as refused:
        questions.append(str(refused))
    order_open = any("`order`" in q for q in questions)
    if order_open and not any("time zone" in q for q in questions):
        questions.append("In which time zone are the times written? Set `zone` under [time].")
    return questions


def _with_hour_back(questions: list[str]) -> list[str]:
    """A step back of one hour is no question of its own: it helps to answer the one about the zone."""
    steps = [q.partition(", in a zone")[0] for q in questions if "back by exactly one hour" in q]
    others = [q for q in questions if "back by exactly one hour" not in q]
    return [f"{q} {steps[0]}: the zone changes there." if steps and "time zone" in q else q for q in others]


def _serial_day(text: str) -> str:
    at = datetime(1899, 12, 30) + timedelta(days=float(text.replace(",", ".")))
    return f"{at:%Y-%m-%d %H:%M}"


def _unit_questions(guesses: Sequence[Guess]) -> list[str]:
    questions = [f"Which channel is column {g.name!r}?" for g in guesses if g.channel == UNKNOWN]
    bare = [g.name for g in guesses if g.unit is None and g.unit_in is None]
    return questions + [f"In which unit is column {name!r}? Set `unit`." for name in bare]


def _remark(guess: Guess) -> str:
    remark = f"such as {guess.example}"
    if guess.channel == UNKNOWN and guess.candidates:
        remark += f"; one of {', '.join(guess.candidates[:12])}"
    return remark


def _pattern(name: str) -> str:
    """A pattern for the names of files like this one: digits may differ, or what follows the name."""
    base = PurePath(name).name
    pattern = re.sub(r"\d[\d_.\-]*\d|\d", "*", PurePath(base).stem).replace("**", "*")
    return (pattern if "*" in pattern else f"{pattern}*") + PurePath(base).suffix
