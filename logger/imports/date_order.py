"""The order of the three numbers of a date: proven by all dates of a file, declared, or open."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from ..errors import ImportRefused
from .profile import Order
from .stamps import ORDERS, PLACES, Parts, fits

EPOCH_DAY = date(1970, 1, 1).toordinal()
YEARS = (1970, 2200)


def days_either_way(parts: Parts) -> tuple[int | None, int | None]:
    """The day in the two orders that are mixed up, by the place of the year; None where it is no day."""
    orders = ORDERS[2:] if len(parts[0]) == 4 else ORDERS[:2]
    first, second = (_day_or_none(parts, order) for order in orders)
    return first, second


def _day_or_none(parts: Parts, order: Order) -> int | None:
    try:
        return day_of(parts, order, "", 0) if fits(parts, order) else None
    except ImportRefused:
        return None


def possible_orders(parts: Sequence[Parts]) -> list[Order]:
    return [o for o in ORDERS if all(fits(p, o) for p in parts)]


def are_days(parts: dict[str, Parts], order: Order) -> bool:
    """Whether every date is a day of the calendar in this order."""
    try:
        return all(day_of(p, order, "", 0) is not None for p in parts.values())
    except ImportRefused:
        return False


def order_of_dates(
    parts: dict[str, Parts], line_of: dict[str, int], possible: Sequence[Order], declared: Order | None
) -> tuple[Order | None, str]:
    """The order of the three numbers: proven by all dates of the file, or declared, or asked (None)."""
    example = next(iter(parts))
    if all(len(p[0]) == 4 for p in parts.values()) and declared in (None, "year-month-day"):
        return _year_first(parts, line_of, possible)
    if declared is not None:
        if declared not in possible:
            wrong = next(text for text, p in parts.items() if not fits(p, declared))
            raise ImportRefused(
                f"The dates, such as {example!r}, cannot all be {declared} as the profile says: look at line "
                f"{line_of[wrong]}, {wrong!r}."
            )
        return declared, f"dates are {declared}, as declared"
    if not possible:
        raise ImportRefused(_no_order(parts, line_of))
    if len(possible) == 1:
        return possible[0], f"dates are {possible[0]}, proven by the whole file"
    return None, f"Is {example!r} {' or '.join(possible)}? No date of the file decides it."


def _no_order(parts: dict[str, Parts], line_of: dict[str, int]) -> str:
    """Two dates that contradict each other say more than that nothing fits."""
    texts = list(parts)
    for text in texts[1:]:
        if not possible_orders([parts[texts[0]], parts[text]]):
            return (
                f"The dates {texts[0]!r} (line {line_of[texts[0]]}) and {text!r} (line {line_of[text]}) fit "
                "no order of day, month and year together: parts of the file are written differently. "
                "Export it again, or split it."
            )
    decisive = {order: next((t for t, p in parts.items() if not fits(p, order)), "") for order in ORDERS[:2]}
    contradictions = "; ".join(f"{t!r} in line {line_of[t]} is not {o}" for o, t in decisive.items() if t)
    return f"The dates, such as {texts[0]!r}, fit no order of day, month and year: {contradictions}."


def _year_first(
    parts: dict[str, Parts], line_of: dict[str, int], possible: Sequence[Order]
) -> tuple[Order, str]:
    """Nobody writes the day before the month behind a year, so one wrong date must not turn the others."""
    if "year-month-day" not in possible:
        wrong = next(text for text, p in parts.items() if not fits(p, "year-month-day"))
        line = line_of[wrong]
        raise ImportRefused(
            f"Line {line}: there is no day {'-'.join(parts[wrong])!r} (read as year-month-day). Correct the "
            "line; if this logger does write the day before the month, set "
            '`order = "year-day-month"` in the profile.',
            line,
        )
    return "year-month-day", "dates read as year-month-day"


def day_of(parts: Parts, order: Order, text: str, line: int) -> int:
    year, month, day = (int(parts[i]) for i in PLACES[order])
    year = year + 2000 if year < 100 else year
    try:
        ordinal = date(year, month, day).toordinal() - EPOCH_DAY
    except ValueError:
        raise ImportRefused(f"Line {line}: there is no day {text!r} ({order}).", line) from None
    if not YEARS[0] <= year < YEARS[1]:
        raise ImportRefused(
            f"Line {line}: {text!r} lies outside the years {YEARS[0]} to {YEARS[1] - 1}.", line
        )
    return ordinal
