"""Who answers: the serial number, asked at each opening of a line and after each poll without an answer.

A swapped cable is the worst of silent faults: all goes on, with the values of another place.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from .driver import Raw


class Identity:
    """What one probe must answer. `wanted` "": nothing is asked."""

    def __init__(self, expected: str) -> None:
        self._expected = expected
        self._known_at = 0  # the opening at which it was found right

    def missing(self, opening: int) -> bool:
        """Whether it must still be asked since the line was opened."""
        return bool(self._expected) and self._known_at != opening

    def forget(self) -> None:
        """It is asked anew: after a poll without an answer another probe may have taken the place."""
        self._known_at = 0

    def fault(self, answer: str, opening: int) -> str:
        """What is wrong with the answer, "" when nothing is; right, it counts until the next opening.

        >>> Identity("AG-0411").fault("AG-0412", 1)
        "expected serial 'AG-0411', found 'AG-0412'"
        """
        if answer.strip() != self._expected:
            return f"expected serial {self._expected!r}, found {answer.strip()!r}"
        self._known_at = opening
        return ""


def wrong_probe_values(channels: Sequence[str], why: str, clock_ns: Callable[[], int]) -> list[Raw]:
    """Rows of a probe that is not the one that should answer: its values belong to another place."""
    at_ns = clock_ns()
    return [Raw(channel, None, "wrong-probe", at_ns, why[:64]) for channel in channels]
