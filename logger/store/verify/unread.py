"""Sealed files that a verification could not read because their place is away: which months, and why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ...model.figures import number_of
from ..archive.months import month_of


class Unread:
    """What could not be compared; `why` is empty while the place answers."""

    def __init__(self) -> None:
        self.why = ""
        self.files: set[str] = set()
        self._months: set[tuple[int, int]] = set()
        self._readings = 0

    def note(self, why: str) -> None:
        """The place of the sealed files is away, as this sentence says."""
        self.why = self.why or why

    def add(self, what: Mapping[str, Any]) -> None:
        """A file, as its seal describes it, that was not read."""
        self.files.add(what["file"])
        self._months.add(month_of(what["from_ns"]))
        self._readings += what["rows"]

    def sentences(self) -> Iterator[str]:
        """What was not compared, and why."""
        if self.files:
            yield (
                f"{number_of(len(self.files), 'sealed file')} with {number_of(self._readings, 'reading')} of "
                f"{', '.join(_runs(sorted(self._months)))}, and so whether any number of a writer is missing "
                "or there twice"
            )
        if self.why:
            yield f"files at the archive that no seal names; {self.why}"


def _runs(months: Sequence[tuple[int, int]]) -> Iterator[str]:
    """Months in a row as one span.

    >>> list(_runs([(2026, 1), (2026, 11), (2026, 12), (2027, 1)]))
    ['2026-01', '2026-11 to 2027-01']
    """
    begin = last = months[0]
    for month in (*months[1:], (0, 0)):
        if month[0] * 12 + month[1] == last[0] * 12 + last[1] + 1:
            last = month
            continue
        first = f"{begin[0]}-{begin[1]:02d}"
        yield first if begin == last else f"{first} to {last[0]}-{last[1]:02d}"
        begin = last = month
