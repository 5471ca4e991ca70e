"""Files that say of themselves that nothing in them was measured, and the samples that come with the program.

Invented readings in the record of a real room would be believed for as long as the record is kept.
"""

from __future__ import annotations

from ..errors import ImportRefused
from .grid import TextGrid

MARK = b"SIMULATED: no measured data"
LOOKED_AT = 65_536  # bytes at the beginning of a file
PARQUET_KEY = b"stillroom.simulated"  # a key of the Parquet files of simulated records
ROWS_LOOKED_AT = 200
# SHA-256 of the files in sample_logs/; a test holds both together.
SAMPLES = frozenset(
    {
        "02c4047cd4db8864b76d4771977ed5d9f46e8b42b775eba069f4fa86e001a023",  # machine-bay.csv
        "aac8239566f0cb8f08de2b6d2117bb093bfadf8308753b58ced02fb3d86e9565",  # plate-bench.csv
        "729a9e6ebae48b4731c04e59f0a17f09b0cd07a46dabaf3afa91610ab7c19352",  # barometer.txt
    }
)


def is_simulated(sha256: str, beginning: bytes) -> bool:
    """Whether a file is one of the samples, or carries the mark with which simulated data are written."""
    return MARK in beginning[:LOOKED_AT] or sha256 in SAMPLES


def grid_simulated(grid: TextGrid) -> bool:
    """Whether a table says so in a cell of its first rows or in the file around it: bytes may be packed."""
    words = MARK.decode()
    first = grid.rows[:ROWS_LOOKED_AT]
    return grid.simulated or any(words in cell for _, cells in first for cell in cells)


def refuse_simulated(name: str, sha256: str, beginning: bytes, *, simulated: bool) -> None:
    """ImportRefused for invented readings, unless the record is that of a simulated room."""
    if is_simulated(sha256, beginning):
        refuse_invented(name, simulated=simulated)


def refuse_invented(name: str, *, simulated: bool) -> None:
    """ImportRefused for a file that holds invented readings, unless the record is simulated."""
    if not simulated:
        raise ImportRefused(
            f"{name}: holds invented readings, and this is the record of a real room; nothing was imported."
            " Try it in a record of its own, begun with `simulated = true` in room.toml."
        )
