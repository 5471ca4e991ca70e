"""Figures, times and tables of a record as text; what stands on which page is in `words.py`.

Times on paper are wall time of the room with its offset; the JSON beside it has them in UTC.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Literal, NotRequired, TypeAlias, TypedDict, TypeVar
from zoneinfo import ZoneInfo

from ..instants import parse, wall

T = TypeVar("T")
Row: TypeAlias = Sequence[str]
Note: TypeAlias = Mapping[Literal["note"], str]


class Table(TypedDict):
    """A table as the template takes it; `align` has a letter a column, `none` stands where no row is."""

    title: str
    heads: list[str]
    align: str
    rows: list[list[str] | dict[Literal["note"], str]]
    none: str
    more: NotRequired[str]


UNITS = {"degC": "°C", "%RH": "% RH", "Pa": "Pa", "1": "", "g/m3": "g/m³", "kg/m3": "kg/m³"} | {
    "1/m3": "1/m³",
    "um": "µm",
    "1e-6": "×10⁻⁶",
}
_NAMED = 3  # channels that a phrase names before it counts the others
PLACES = {"kg/m3": 4}  # the density of air changes in the third


def length(seconds: float) -> str:
    """A length of time to the minute, or to the second below one.

    >>> length(86400), length(5460), length(45)
    ('24 h', '1 h 31 min', '45 s')
    """
    if seconds < 59.5:
        return f"{seconds:.0f} s"
    hours, minutes = divmod(round(seconds / 60), 60)
    return " ".join(f"{n} {unit}" for n, unit in ((hours, "h"), (minutes, "min")) if n)


def sentences(texts: Iterable[str]) -> str:
    """Texts that people wrote, one behind the other, each with one full stop between them.

    >>> sentences(["Measuring stopped.", "No result is affected", "Stands."])
    'Measuring stopped. No result is affected. Stands.'
    """
    *first, last = [*(text.strip() for text in texts if text.strip())] or [""]
    return " ".join([*(text if text[-1] in ".!?…" else f"{text}." for text in first), last])


def grouped(phrases: Sequence[str]) -> list[str]:
    """Phrases about a channel each, said once for all channels of which the same is said.

    >>> grouped(["settling 2 h", "T1: no test", "T2: no test", "T3: no due date"])
    ['settling 2 h', 'T1, T2: no test', 'T3: no due date']
    >>> grouped([f"T{n}: no test" for n in range(1, 17)])
    ['T1, T2, T3 and 13 more channels (all in record.json): no test']
    """
    about: dict[str, list[str]] = {}
    for phrase in phrases:
        name, colon, what = phrase.partition(": ")
        about.setdefault(what if colon else phrase, []).append(name if colon else "")
    return [f"{_channels(names)}: {what}" if any(names) else what for what, names in about.items()]


def _channels(names: Sequence[str]) -> str:
    if len(names) <= _NAMED + 1:
        return ", ".join(names)
    more = len(names) - _NAMED
    return f"{', '.join(names[:_NAMED])} and {more} more channels (all in record.json)"


def figure(value: float | None, places: int = 2) -> str:
    """A number with a true minus sign, or a dash where there is none."""
    return "–" if value is None else f"{value:.{places}f}".replace("-", "−")


def unit(name: str) -> str:
    """A unit as it is printed."""
    return UNITS.get(name, name)


def at(text: str | None, zone: ZoneInfo) -> str:
    """An instant as wall time with its offset, to the minute unless it has seconds; "open" for none."""
    return "open" if text is None else wall(parse(text, zone), zone)


class Clock:
    """Times in the columns of an interval: the head names their offset, or their year and each its own offset
    where the clock changes, since in autumn an hour comes twice.

    >>> vienna, october = ZoneInfo("Europe/Vienna"), {"from": "2026-10-01", "to": "2026-11-01"}
    >>> clock = Clock(october, vienna)
    >>> clock.head("From"), clock.minute("2026-10-25T00:30:00Z"), clock.minute("2026-10-25T01:30:00Z")
    ('From, 2026', '10-25 02:30 +02:00', '10-25 02:30 +01:00')
    >>> clock = Clock({"from": "2026-10-01", "to": "2026-10-08"}, vienna)
    >>> clock.head("From"), clock.minute("2026-10-02T00:30:00Z")
    ('From, +02:00', '2026-10-02 02:30')
    >>> clock.last("2026-10-02T00:30:00Z", "2026-10-02T09:00:00Z")
    '11:00'
    """

    def __init__(self, facts: Mapping[str, object], zone: ZoneInfo, times: Iterable[str] = ()) -> None:
        """times: more instants that stand in these columns, as those at which acts were done."""
        ends = [str(facts[end]) for end in ("from", "to") if facts]
        self._zone = zone
        walls = [wall(parse(text, zone), zone) for text in (*ends, *times)]
        years, offsets = dict.fromkeys(w[:4] for w in walls), dict.fromkeys(w[-6:] for w in walls)
        self._offset = next(iter(offsets)) if len(offsets) == 1 else ""
        self._year = next(iter(years)) if len(years) == 1 and not self._offset else ""

    def head(self, word: str) -> str:
        """The head of a column of times."""
        return ", ".join(filter(None, (word, self._offset or self._year)))

    def minute(self, text: str) -> str:
        """An instant to the minute, without the offset or the year that the head names."""
        whole = wall(parse(text, self._zone), self._zone)
        if self._offset:
            return whole[:16]
        return whole[5:] if whole[:4] == self._year else whole

    def last(self, begin: str, end: str) -> str:
        """The end of an interval in a row that begins with `begin`: its time of day, on the same day."""
        first, last = (wall(parse(text, self._zone), self._zone) for text in (begin, end))
        same_day = first[:10] + first[16:] == last[:10] + last[16:]
        return last[11:16] if same_day else self.minute(end)


def names(listed: Sequence[str], most: int = 4) -> str:
    """The first names of a list, and how many more there are.

    >>> names(["T1", "T2", "T3", "T4", "T5", "T6"]), names(["T1", "T2"])
    ('T1, T2, T3, T4 and 2 more', 'T1, T2')
    """
    more = len(listed) - most
    return ", ".join(listed) if more <= 0 else f"{', '.join(listed[:most])} and {more} more"


def table(  # noqa: PLR0917 (what a table has)
    title: str, heads: Sequence[str], align: str, rows: Sequence[Row | Note], none: str, more: str = ""
) -> Table:
    """One table; `align` has a letter a column: l text, r figures, w text that takes the spare width.

    A row may be {"note": text}: it runs over all columns. `more` stands below the table.
    """
    body = [dict(r) if isinstance(r, Mapping) else list(r) for r in rows]
    return {
        "title": title, "heads": list(heads), "align": align, "rows": body, "none": none, "more": more,
    }  # fmt: skip


def first_of(
    rows: Sequence[T], most: int, rank: Callable[[T], Any], how: str, file: str
) -> tuple[list[T], str]:
    """The `most` rows that rank highest, in the order of `rows`, and the words for those left out.

    >>> first_of([{"h": 1}, {"h": 3}, {"h": 2}], 2, lambda r: r["h"], "longest", "gaps.csv")[1]
    'The 2 longest of 3; all 3 in gaps.csv, attached.'
    """
    if len(rows) <= most:
        return list(rows), ""
    places = sorted(range(len(rows)), key=lambda n: rank(rows[n]), reverse=True)[:most]
    words = f"The {most} {how} of {len(rows)}; all {len(rows)} in {file}, attached."
    return [rows[n] for n in sorted(places)], words
