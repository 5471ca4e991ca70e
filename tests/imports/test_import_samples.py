"""The sample files, and whatever says that it is simulated, stay out of the record of a real room."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from logger.errors import ImportRefused
from logger.imports.samples import MARK, SAMPLES, is_simulated, refuse_simulated

FOLDER = Path(__file__).parents[2] / "sample_logs"
NAMES = ("machine-bay.csv", "plate-bench.csv", "barometer.txt")


@pytest.mark.parametrize("name", NAMES)
def test_a_sample_is_known_by_its_bytes(name: str) -> None:
    """As they are shipped: a sample that was made anew must be listed anew."""
    content = (FOLDER / name).read_bytes()

    sha256 = hashlib.sha256(content).hexdigest()

    assert is_simulated(sha256, content)
    with pytest.raises(ImportRefused, match="holds invented readings and this is the record of a real room"):
        refuse_simulated(name, sha256, content, simulated=False)
    refuse_simulated(name, sha256, content, simulated=True)


def test_a_marked_file_is_known_by_its_mark_and_others_are_not() -> None:
    assert len(SAMPLES) == len(NAMES)
    assert is_simulated("", b"# " + MARK + b"\ntime,P1\n")
    refuse_simulated("a.csv", "", b"time,P1\n2026-10-11T22:00:18Z,20.05\n", simulated=False)
