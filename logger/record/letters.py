"""Which letters the typefaces of a record have: B612 first, then DejaVu Sans, then Droid Sans Fallback.

What none of them has is printed as its number, [U+1F600]: a letter never stops a record. The list is made
from the typefaces by `python -m logger.record.letters` (it takes fontTools), and a test holds both together.
"""

from __future__ import annotations

import re
import sys
import unicodedata
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from typing import Any

FONTS = Path(__file__).parent / "fonts"
FACES = ("B612-Regular.otf", "DejaVuSans.ttf", "DroidSansFallback.ttf")
LIST = FONTS / "letters.txt"
_UNSEEN = {"Cc", "Cf", "Co", "Cs", "Cn"}  # controls, marks of direction, private, halves of pairs, unassigned


def printable(text: str) -> str:
    """The text with the number in the place of each letter that no typeface has; line breaks stay.

    >>> printable("Łukasz, Ιωάννα, Жанна, 山田"), printable("a\\u202eb")
    ('Łukasz, Ιωάννα, Жанна, 山田', 'a[U+202E]b')
    """
    if text.isascii() and text.isprintable():
        return text
    return _unavailable().sub(lambda match: f"[U+{ord(match[0]):04X}]", text)


def all_printable(plain: Any) -> Any:
    """Plain data with every text made printable; keys are unchanged."""
    if isinstance(plain, str):
        return printable(plain)
    if isinstance(plain, dict):
        return {key: all_printable(value) for key, value in plain.items()}
    return [all_printable(value) for value in plain] if isinstance(plain, list | tuple) else plain


@lru_cache(maxsize=1)
def _unavailable() -> re.Pattern[str]:
    """Pattern of characters that no typeface has."""
    spans = "".join(f"\\U{first:08x}-\\U{last:08x}" for first, last in available_runs())
    return re.compile(f"[^\n\t{spans}]")


def available_runs() -> list[tuple[int, int]]:
    """Code points that the typefaces have, as runs (first, last)."""
    runs = [line.split("-") for line in LIST.read_text("ascii").split()]
    return [(int(run[0], 16), int(run[-1], 16)) for run in runs]


def runs_of(letters: Iterable[int]) -> list[tuple[int, int]]:
    """Code points that can be seen, as runs.

    >>> runs_of([0x41, 0x42, 0x44, 0x202E])
    [(65, 66), (68, 68)]
    """
    runs: list[tuple[int, int]] = []
    for letter in sorted(set(letters)):
        if unicodedata.category(chr(letter)) in _UNSEEN:
            continue
        begins = not runs or runs[-1][1] != letter - 1
        runs[len(runs) if begins else -1 :] = [(letter if begins else runs[-1][0], letter)]
    return runs


def build_list() -> str:
    """The list of code points computed from the typefaces (needs fontTools)."""
    from fontTools.ttLib import TTFont

    letters = {letter for face in FACES for letter in TTFont(FONTS / face).getBestCmap()}
    lines = [f"{a:04X}" if a == b else f"{a:04X}-{b:04X}" for a, b in runs_of(letters)]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    LIST.write_text(build_list(), "ascii")
    sys.stdout.write(f"{LIST}\n")
