"""The bench of the store runs whole on a small record and says figures that can be."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.bench.store import run
from logger.errors import Refused


@pytest.mark.slow
def test_the_bench_takes_all_figures(tmp_path: Path) -> None:
    """No time is asserted; sizes are."""
    figures = run(tmp_path / "made", 2, 31, lambda line: None)

    print(*figures.lines(), sep="\n")
    assert figures.readings == 2 * 31 * 1440
    assert 1 < figures.bytes_per_reading < 3.2
    assert set(figures.windows_ms) == {1, 7, 31}


def test_a_record_too_short_to_seal_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="31 or more"):
        run(tmp_path / "made", 8, 10, lambda line: None)
