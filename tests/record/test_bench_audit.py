"""The bench of what an assessor waits for runs whole on a record of four days."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.bench.audit import run
from logger.errors import Refused


@pytest.mark.slow
def test_the_bench_takes_all_figures(tmp_path: Path) -> None:
    """No time is asserted; that each thing was made is."""
    figures = run(tmp_path / "made", 2, 4, lambda line: None, month_days=2, jobs=60)

    assert figures.readings == 2 * 4 * 1440
    assert figures.package_bytes > 20 * figures.readings  # the readings as text are in it
    assert len(figures.lines()) == 5
    assert 0 < figures.affected < figures.jobs  # of a part of the record, as a wrong probe affects


def test_a_record_too_short_is_refused(tmp_path: Path) -> None:
    with pytest.raises(Refused, match="62 or more"):
        run(tmp_path / "made", 8, 61, lambda line: None)
