"""Positions of a campaign as lines of text, which a person types or a click on the plan adds."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..acts.campaigns import CampaignPosition
from ..errors import Refused

EXAMPLE = "corner 1; 1.5; 1.5; 0.8; P1.temperature"


def line_of(p: CampaignPosition) -> str:
    """One position as a line."""
    medium = "" if p.medium == "air" else f"; {p.medium}"
    return f"{p.name}; {p.x_m:g}; {p.y_m:g}; {p.z_m:g}; {p.channel}{medium}"


def positions_of(text: str) -> list[CampaignPosition]:
    """Positions of lines “name; x; y; z; channel”, medium at the end if not air; blank lines are skipped.

    Refused with the line where one cannot be read.

    >>> positions_of("A; 1,5; 2; 0.8; P1.temperature")[0].xyz_m
    (1.5, 2.0, 0.8)
    """
    positions = []
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        cells = [cell.strip() for cell in line.split(";")]
        try:
            x, y, z = (float(cell.replace(",", ".")) for cell in cells[1:4])
            if not all(map(math.isfinite, (x, y, z))):
                raise ValueError
            positions.append(CampaignPosition(cells[0], x, y, z, *cells[4:6]))
        except (ValueError, TypeError):
            raise Refused(
                f"Positions, line {number}: expected “name; x; y; z; channel” in m, as “{EXAMPLE}”; found "
                f"{line.strip()!r}. Nothing was changed."
            ) from None
    return positions


def with_position(text: str, name: str, place: tuple[float, float, float], channels: Sequence[str]) -> str:
    """The lines with one more position at a place, with the first channel that stands nowhere yet."""
    free = next((channel for channel in channels if channel not in text), channels[0] if channels else "")
    line = line_of(CampaignPosition(name, *place, free))
    return f"{text.rstrip()}\n{line}".lstrip("\n")
