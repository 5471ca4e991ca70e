"""Colours, dashes and patterns: Okabe–Ito for series and reasons, cividis for the field.

Ground and ink live in assets/stillroom.css, so that light, dark and paper follow from one
sheet; what plotly draws is recoloured there too.
"""

from __future__ import annotations

from dataclasses import dataclass

from logger.model import REASONS, Reason

INK, INK_2, HAIR = "#1b2430", "#5a6672", "#d8dcdd"
BLUE, PURPLE, GREEN, VERMILION = "#0072b2", "#cc79a7", "#009e73", "#d55e00"
ORANGE, SKY, GREY = "#e69f00", "#56b4e9", "#8a949e"

# Okabe–Ito without its yellow, which cannot be seen on paper; ink stands for black.
# vermilion is for limits and what lies beyond them, in no line.
SERIES = (BLUE, PURPLE, INK, GREEN, SKY, ORANGE, GREY)
DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "6px,2px,2px,2px", "10px,4px", "2px,2px")


@dataclass(frozen=True)
class Style:
    """How a reason is drawn: its ground, and the pattern that lies over it (empty: none)."""

    ground: str
    pattern: str
    ink: str


REASON_STYLE: dict[Reason, Style] = {
    "nonconforming": Style(VERMILION, "", VERMILION),
    "marked": Style("#f0d9e6", "x", "#a8487f"),
    "settling": Style("#f9e3b4", "/", "#c98200"),
    "indeterminate": Style("#e6e9eb", ".", "#4d5965"),
    "guard band": Style("#d6ebf9", "-", "#2f86c1"),
    "conforming": Style(GREEN, "", GREEN),
}
# The row of the verdict trace in which a reason stands: place tells the verdict.
ROW_OF = {"not stable": 0, "not shown": 1, "stable": 2}
ROWS = ("not stable", "not shown", "stable")


def colorscale() -> list[list[float | str]]:
    """A stepped plotly colour scale: one flat colour for each reason, in the order of REASONS."""
    n = len(REASONS)
    steps: list[list[float | str]] = []
    for i, reason in enumerate(REASONS):
        steps += [[i / n, REASON_STYLE[reason].ground], [(i + 1) / n, REASON_STYLE[reason].ground]]
    return steps


# Nine anchors of cividis (Nuñez, Anderton, Renslow 2018), sRGB.
CIVIDIS = (
    (0, 34, 78),
    (18, 53, 112),
    (59, 73, 108),
    (87, 93, 109),
    (112, 113, 115),
    (138, 134, 120),
    (165, 156, 116),
    (195, 179, 105),
    (254, 232, 56),
)


def cividis(share: float) -> tuple[int, int, int]:
    """Colour at a share of 0..1 of the scale, held at the ends."""
    place = min(max(share, 0.0), 1.0) * (len(CIVIDIS) - 1)
    low = min(int(place), len(CIVIDIS) - 2)
    part = place - low
    a, b = CIVIDIS[low], CIVIDIS[low + 1]
    return (
        round(a[0] + (b[0] - a[0]) * part),
        round(a[1] + (b[1] - a[1]) * part),
        round(a[2] + (b[2] - a[2]) * part),
    )
