"""Intervals that can be judged, and the refusal of others."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from ...errors import IntervalError
from ...instants import wall


def require_judgeable(
    zone: str,
    interval: tuple[int, int],
    record: tuple[int, int] | None,
    now_ns: int,
    step_ns: int,
    *,
    clock: ZoneInfo,
) -> None:
    """Raise IntervalError unless an interval [from, to) is past and within reach of the zone's record.

    step_ns: of the judging grid; clock: the time zone in which the refusal names instants.
    """
    from_ns, to_ns = interval
    first, last = wall(from_ns, clock), wall(to_ns, clock)
    begins, ends = f"The interval begins at {first}", f"The interval ends at {last}"
    if to_ns <= from_ns:
        raise IntervalError(f"{ends}, not after its start {first}; give an end after the start.")
    if to_ns > now_ns:
        raise IntervalError(f"{ends}, in the future; give an end no later than now, {wall(now_ns, clock)}.")
    if from_ns // step_ns >= now_ns // step_ns:
        raise IntervalError(
            f"{begins}, in the present minute, which cannot be judged before it is complete; "
            "ask again in a minute."
        )
    if record is None:
        raise IntervalError(f"Zone {zone!r} has no readings yet; import some or start the service.")
    if from_ns // step_ns < record[0] // step_ns:
        raise IntervalError(
            f"{begins}, before the record of zone {zone!r}, which begins at {wall(record[0], clock)}."
        )
