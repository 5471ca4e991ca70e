"""One written date or time of day at a time: the many ways to write them, and none that is guessed."""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

from ..errors import ImportRefused
from ..instants import NS
from .profile import Order

Parts = tuple[str, str, str]

_DATE = re.compile(
    r"(\d{1,4})[./\-_ ]\s?(\d{1,2})[./\-_ ]\s?(\d{1,4})\.?|(\d{4})[年년]\s?(\d{1,2})[月월]\s?(\d{1,2})[日일]"
)
_SERIAL = re.compile(r"[3-7]\d{4}(?:[.,]\d*)?")  # 1982 to 2119
_OTHER_DATES = (
    (_SERIAL, ' If it counts days as spreadsheets do, set `form = "serial_1900"`.'),
    (  # ISO 8601-1, 5.2.3 and 5.2.4
        re.compile(r"\d{4}-?W\d{2}(?:-?\d)?"),
        " It names a week of the year; export the file again with day, month and year.",
    ),
    (
        re.compile(r"\d{4}-\d{3}"),
        " It counts the days of the year; export the file again with day, month and year.",
    ),
)
_CLOSE = re.compile(r"(\d{4})(\d{2})(\d{2})")
_NAMED = re.compile(
    r"(?:[^\W\d_]+\.?,?\s+)?(?:(?P<d>\d{1,2})(?:st|nd|rd|th|er|º|ª)?\.?[\s./-]*(?:(?:de|di)\s+)?(?P<m>[^\W\d_]{3,})\.?"
    r"|(?P<m2>[^\W\d_]{3,})\.?[\s./-]*(?P<d2>\d{1,2})(?:st|nd|rd|th)?)[\s.,/-]*(?:(?:de|di)\s+)?(?P<y>\d{4}|\d{2})"
    r"|(?P<y3>\d{4})[\s./-]+(?P<m3>[^\W\d_]{3,})\.?[\s./-]+(?P<d3>\d{1,2})"
)
_CLOCK = re.compile(
    r"(?P<h>\d{1,2})(?:[:.h時시时点]|\s?h\s?)(?P<m>\d{2})[分분]?(?:[:.m]?(?P<s>\d{2})[秒초]?(?:[.,:](?P<f>\d{1,9}))?)?s?"
)
_CLOSE_CLOCK = re.compile(r"(?P<h>\d{2})(?P<m>\d{2})(?P<s>\d{2})?(?:[.,](?P<f>\d{1,9}))?")
_LONGEST = 200  # characters of a date with a time; some patterns need time by the square of the length
_OFFSET = re.compile(r"\s*(?:(?:UTC|GMT)?(?P<o>[+\-−]\d{2}(?::?\d{2})?)|(?P<z>Z|z|UTC|GMT))$")
# Halves of the day as clocks write them in some languages; points and blanks in them do not count.
_MORNING = frozenset({"am", "a", "上午", "午前", "오전", "vorm", "dop", "πμ", "öö", "fm", "de"})
_AFTERNOON = frozenset({"pm", "p", "下午", "午後", "오후", "nachm", "odp", "μμ", "ös", "em", "du"})
# The first letters of month names, without accents, in languages in which loggers are sold; each only once.
_MONTHS = (
    "jan ene gen sty tam oca", "feb fev lut hel sub", "mar mrz maa", "apr abr avr kwi huh nis",
    "may mai mag maj mei tou", "jun giu juin cze kes haz", "jul lug juil hei tem", "aug ago aou sie elo agu",
    "sep set wrz syy szept eyl", "oct okt ott out paz lok eki", "nov marr kas", "dec dez dic gru jou des ara",
)  # fmt: skip


def date_parts(text: str, line: int) -> Parts:
    """The three parts of a date as written; a month by name is told by its number, with the year last or
    first.
    """
    if len(text) > _LONGEST:
        raise ImportRefused(f"Line {line}: {text[:40]!r} … is not a date of three numbers.", line)
    if match := _DATE.fullmatch(text):
        first, second, third = match.groups()[:3] if match[1] else match.groups()[3:]
        return str(first), str(second), str(third)
    if (match := _CLOSE.fullmatch(text)) and "1970" <= match[1] < "2200":
        return match[1], match[2], match[3]
    if (match := _NAMED.fullmatch(text)) and (named := _named_month(match)):
        return named
    hint = next((sentence for form, sentence in _OTHER_DATES if form.fullmatch(text)), "")
    raise ImportRefused(
        f"Line {line}: {text!r} is not a date of three numbers.{hint}", None if hint else line
    )


def _named_month(match: re.Match[str]) -> Parts | None:
    month = _month(match["m"] or match["m2"] or match["m3"])
    if month is None:
        return None
    day, year = match["d"] or match["d2"] or match["d3"], match["y"] or match["y3"]
    # A year of four digits and the month known: written so that no other order fits.
    return (
        (year, f"{month:02d}", f"{int(day):02d}")
        if len(year) == 4
        else (f"20{year}", f"{month:02d}", f"{int(day):02d}")
    )


def _month(name: str) -> int | None:
    """The number of a month by its name: the longest beginning that is known and belongs to one month
    alone.
    """
    bare = "".join(c for c in unicodedata.normalize("NFD", name.lower()) if not unicodedata.combining(c))
    months = {word: n for n, words in enumerate(_MONTHS, 1) for word in words.split()}
    for length in range(len(bare), 2, -1):
        if bare[:length] in months:
            return months[bare[:length]]
    return None


def clock(text: str, line: int) -> tuple[int, int | None]:
    """Nanoseconds since midnight (a day for 24:00), and the offset where one is written.

    >>> clock("02:05:30 p. m.", 1)[0] // NS, clock("09.15", 1)[0] // NS, clock("0915Z", 1)
    (50730, 33300, (33300000000000, 0))
    """
    if len(text) > _LONGEST:
        raise ImportRefused(
            f"Line {line}: {text[:40]!r} … is not a time of day such as 14:05:30 or 02:05:30 PM.", line
        )
    bare, offset_ns = _without_offset(text)
    bare, half = _without_half(bare)
    match = _CLOCK.fullmatch(bare) or _CLOSE_CLOCK.fullmatch(bare)
    if match is None:
        raise ImportRefused(
            f"Line {line}: {text!r} is not a time of day such as 14:05:30 or 02:05:30 PM.", line
        )
    hour, minute, second = int(match["h"]), int(match["m"]), int(match["s"] or 0)
    if half:
        if not 1 <= hour <= 12:
            raise ImportRefused(f"Line {line}: {text!r} is not a time of a 12-hour clock.", line)
        hour = hour % 12 + (12 if half == "pm" else 0)
    if (hour, minute, second) == (24, 0, 0) and not int(match["f"] or 0):
        return 86_400 * NS, offset_ns  # ISO 8601-1, 5.3.2: the end of a day
    if hour > 23 or minute > 59 or second > 59:
        raise ImportRefused(f"Line {line}: there is no time {text!r}.", line)
    return (hour * 3600 + minute * 60 + second) * NS + int((match["f"] or "").ljust(9, "0")), offset_ns


def _without_offset(text: str) -> tuple[str, int | None]:
    match = _OFFSET.search(text)
    if match is None or match.start() == 0:
        return text, None
    if match["z"]:
        return text[: match.start()], 0
    digits = match["o"].replace("−", "-")
    minutes = digits[3:].lstrip(":")
    seconds = int(digits[1:3]) * 3600 + int(minutes or 0) * 60
    if int(digits[1:3]) > 18 or int(minutes or 0) > 59:
        raise ImportRefused(f"There is no offset {match['o']!r} from UTC.")
    return text[: match.start()].strip(), (-seconds if digits[0] == "-" else seconds) * NS


def _without_half(text: str) -> tuple[str, str]:
    """The clock without the words for a half of the day, and which half they say."""
    letters = re.sub(r"[\d:.,h\s]", "", text).lower()
    if text[-1:].isdigit() and text[:1].isdigit():
        return text, ""
    for words, half in ((_MORNING, "am"), (_AFTERNOON, "pm")):
        if letters in words:
            return re.sub(
                r"^\W*[^\W\d]+(?:[.\s]*[^\W\d]+)*[.\s]*|[.\s]*[^\W\d]+(?:[.\s]*[^\W\d]+)*[.\s]*$", "", text
            ), half
    return text, ""


_WORDS = re.compile(r"(?<=\d)_(?=\d)| Uhr$| (?:à|at|um|a las|alle|kl\.?) |[,;] (?=\d{1,2}[:.]\d\d)")


def divided(text: str) -> tuple[str, str]:
    """Text of the day and of the time of day, whichever stands first.

    >>> divided("13.10.2026 09:00:00"), divided("2026-10-13T09:00Z"), divided("9:00 PM, Oct 13, 2026")
    (('13.10.2026', '09:00:00'), ('2026-10-13', '09:00Z'), ('Oct 13, 2026', '9:00 PM'))
    """
    text = " ".join(text.split())
    return _divided(text) if len(text) <= _LONGEST else (text, "")


def _divided(text: str) -> tuple[str, str]:
    text = _WORDS.sub(" ", text).strip()
    head, _, tail = text.partition("T" if text[4:5] in "-./" and "T" in text[:11] else " ")
    if ":" not in head and _DATE.fullmatch(head):
        return head, tail.strip()
    if match := re.fullmatch(r"(\d{8})[T _-]?(\d{4,6}(?:[.,]\d+)?(?:Z|[+-]\d{2}:?\d{2})?|\d{1,2}:.*)", text):
        return match[1], match[2]
    if match := re.fullmatch(r"(\d{4}\. ?\d{1,2}\. ?\d{1,2}\.?) (.*)", text):
        return match[1], match[2]
    if match := re.fullmatch(
        r"(\d{1,2}:\d{2}.*?)(?:,\s*|\s+)((?:[^\W\d_]+\.?,?\s+)*\d{1,4}[./ -].*|[^\W\d_]{3,}\.? .*)", text
    ):
        return match[2], match[1]
    if match := re.fullmatch(r"(.*?\d[日일.]?),?(?:\s+-?|-|T)\s*(\D{0,6}\d{1,2}\s?[:.h時시时点].*)", text):
        return match[1].rstrip(","), match[2]
    return head, tail.strip()


def shape(text: str, offset: bool = False) -> str:
    """How a date or a time of day is written: a file writes all of them alike, but for fractions of seconds.

    >>> shape("9:00:00.25 PM") == shape("11:59:30 AM"), shape("09:00") == shape("09:00:00")
    (True, False)
    """
    bare = _without_offset(text)[0] if offset else text
    return _shape_without_digits(re.sub(r"\d+", "0", bare))


@lru_cache(maxsize=256)
def _shape_without_digits(text: str) -> str:
    """The rest of `shape`: of the thousands of times of day in a file nearly all are one text here."""
    words = re.sub(r"[^\W\d_]+\.?(?:\s?[^\W\d_]+\.?)*", "a", text)
    return re.sub(r"^(\W*a?\W?0\D{1,2}0\D{1,2}0)[.,:]0", r"\1", " ".join(words.split()))


ORDERS: tuple[Order, ...] = ("day-month-year", "month-day-year", "year-month-day", "year-day-month")
PLACES = {
    "day-month-year": (2, 1, 0),
    "month-day-year": (2, 0, 1),
    "year-month-day": (0, 1, 2),
    "year-day-month": (0, 2, 1),
}


def fits(parts: Parts, order: Order) -> bool:
    """Whether the parts of a date can stand in an order, by their size alone."""
    year, month, day = (parts[i] for i in PLACES[order])
    if len(year) not in (2, 4) or len(month) > 2 or len(day) > 2:
        return False
    return 1 <= int(month) <= 12 and 1 <= int(day) <= 31


def half_word(text: str) -> str:
    """The letters of a time of day, without its offset: its word for the half of the day."""
    return re.sub(r"[^a-zα-ω上下午前後오전후öçş]", "", _without_offset(text)[0].lower())
