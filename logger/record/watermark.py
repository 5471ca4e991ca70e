"""DRAFT and SIMULATED across a page, as outlines: seen by whoever reads it, and no letters in its text.

`fonts/watermark.json`: outlines of B612 Bold (SIL OFL, `fonts/OFL.txt`), in thousandths of the size, advance
and path of each letter.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

SIZE, LONG_SIZE, SPACING = 120.0, 84.0, 6.0  # points
FILL = "#f1ece4"
FILE = "watermark.svg"
_SPACE = 300
_OUTLINES = Path(__file__).parent / "fonts" / "watermark.json"


@cache
def _letters() -> dict[str, tuple[int, str]]:
    letters = json.loads(_OUTLINES.read_bytes())
    return {letter: (entry["advance"], entry["outline"]) for letter, entry in letters.items()}


def watermark_svg(words: str) -> bytes:
    """A line of capitals as SVG, 120 points high, or 84 where it is of two words; nothing drawn for none."""
    size = LONG_SIZE if len(words) > 10 else SIZE
    parts, x = [], 0.0
    for letter in words:
        advance, outline = _letters().get(letter, (_SPACE, ""))
        if outline:
            place = f"translate({x:g} {size:g}) scale({size / 1000:g})"
            parts.append(f'<path transform="{place}" d="{outline}"/>')
        x += advance * size / 1000 + SPACING
    head = f'xmlns="http://www.w3.org/2000/svg" width="{max(x, 1):g}" height="{1.2 * size:g}" fill="{FILL}"'
    return f"<svg {head}>{''.join(parts)}</svg>".encode()
