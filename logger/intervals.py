"""Intervals that can be judged, and what is said of those that cannot."""

from __future__ import annotations

from .errors import IntervalError
from .inspection import rfc3339


def require(
    zone: str, interval: tuple[int, int], record: tuple[int, int] | None, now_ns: int, step_ns: int
) -> None:
    """Raise IntervalError unless an interval [from, to) is past and within reach of the zone's record."""
    from_ns, to_ns = interval
    begins, ends = f"The interval begins at {rfc3339(from_ns)}", f"The interval ends at {rfc3339(to_ns)}"
    if to_ns <= from_ns:
        raise IntervalError(f"{ends}, not after its start {rfc3339(from_ns)}; give an end after the start.")
    if to_ns > now_ns:
        raise IntervalError(f"{ends}, in the future; the record reaches to now, {rfc3339(now_ns)}.")
    if from_ns // step_ns >= now_ns // step_ns:
        raise IntervalError(
            f"{begins}, in the present minute, which cannot be judged before it is complete; "
            "ask again in a minute."
        )
    if record is None:
        raise IntervalError(f"Zone {zone!r} has no readings yet; import some or start the service.")
    if from_ns // step_ns < record[0] // step_ns:
        raise IntervalError(
            f"{begins}, before the record of zone {zone!r}, which begins at {rfc3339(record[0])}."
        )
