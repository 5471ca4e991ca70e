"""The words of verdicts: reasons, media, kinds of rules, flags."""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntEnum
from typing import Literal

# Derived quantities and their inputs at the same probe; pressure may come from any probe of the zone.
DERIVED: Mapping[str, tuple[str, ...]] = {
    "dew_point": ("temperature", "relative_humidity"),
    "absolute_humidity": ("temperature", "relative_humidity"),
    "refractivity": ("temperature", "relative_humidity", "pressure"),
    "air_density": ("temperature", "relative_humidity", "pressure"),
}
SURFACES = ("scale", "structure", "part", "plate-top", "plate-bottom")
MEDIA = ("air", "part", "scale", "structure", "plate-top", "plate-bottom", "supply", "outdoor", "pressure")


def medium_words(medium: str) -> str:
    """A medium as people read it.

    >>> medium_words("plate-top")
    'plate top'
    """
    return medium.replace("-", " ")


# Result of a poll; wrong-probe: another probe answered than the expected one.
Status = Literal[
    "ok", "timeout", "garbage", "sensor-fault", "device-error", "no-port", "wrong-probe"
]  # fmt: skip
Verdict = Literal["stable", "not stable", "not shown"]
Reason = Literal["nonconforming", "marked", "settling", "indeterminate", "guard band", "conforming"]
RuleKind = Literal[
    "limit", "span", "slope", "gradient", "plane", "spread", "difference", "condensation", "bending"
]  # fmt: skip

# In order of precedence: the first that applies is the reason of a cell.
REASONS: tuple[Reason, ...] = (
    "nonconforming",
    "marked",
    "settling",
    "indeterminate",
    "guard band",
    "conforming",
)
VERDICT_OF: Mapping[Reason, Verdict] = {
    "nonconforming": "not stable",
    "marked": "not stable",
    "settling": "not stable",
    "indeterminate": "not shown",
    "guard band": "not shown",
    "conforming": "stable",
}


class Quality(IntEnum):
    """Flags of a reading, as in the QARTOD manuals."""

    PASS = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9


class Conformity(IntEnum):
    """Result of one rule in one cell; words of JCGM 106. The larger number takes precedence."""

    NOT_APPLICABLE = 0
    CONFORMING = 1
    GUARD_BAND = 2
    INDETERMINATE = 3
    NONCONFORMING = 4
