"""The room during a machine's verification: 5 lengths, 3 repeats, 15 rows with T, K/h and K/m."""

from __future__ import annotations

import csv
import io
import json
import subprocess
from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from logger.config import in_force
from logger.errors import IntervalError, Refused
from logger.inspections.verification_log import (
    MeasuredLength,
    StatedLimits,
    log_csv,
    read_lengths,
    verification_log,
)
from logger.instants import NS, parse
from logger.store import Store
from logger.verdicts.verdicts import Verdicts
from tests.command_line import Run
from tests.inspections.test_lists import NOW
from tests.programs import program

VIENNA = ZoneInfo("Europe/Vienna")
MINUTE = 60 * NS
STATED = StatedLimits(19.0, 21.0, 0.5, 0.5)


@pytest.fixture
def verdicts(demo_copy: Path) -> Iterator[Verdicts]:
    with Store.open(demo_copy) as store:
        yield Verdicts(store, in_force(store.setups.versions()).setup)


def lengths(day: str = "2026-10-14T09:00") -> list[MeasuredLength]:
    """Five lengths of a step gauge, each three times, 4 min each."""
    begin = parse(day, VIENNA)
    sizes = (100.0, 250.0, 400.0, 550.0, 700.0)
    pairs = [(size, repeat) for size in sizes for repeat in (1, 2, 3)]
    return [
        MeasuredLength("diagonal 1", *pair, begin + 5 * n * MINUTE, begin + (5 * n + 4) * MINUTE)
        for n, pair in enumerate(pairs)
    ]


def test_five_lengths_three_times_are_fifteen_rows(verdicts: Verdicts) -> None:
    """Each with temperature, K/h and K/m before, during and after; a calm day keeps the limits."""
    rows = verification_log(verdicts, "machine-bay", lengths(), STATED, NOW)

    assert len(rows) == 15
    for row in rows:
        for state in (row.before, row.during, row.after):
            assert None not in vars(state).values()
            assert 19.5 < state.min_degC <= state.mean_degC <= state.max_degC < 20.5  # type: ignore[operator]
        assert (row.result, row.why) == ("kept", "")


def test_figures_are_those_of_the_readings(verdicts: Verdicts) -> None:
    """Slope by numpy over the hour's cells, gradient from two air probes and their distance, of config/:
    bridge table (2, 2, 0.9) m, column top (3.6, 3.8, 2.3) m.
    """
    length = lengths()[7]
    (row,) = verification_log(verdicts, "machine-bay", [length], STATED, NOW)
    judgement = verdicts.judgement("machine-bay", length.from_ns - 3600 * NS, length.to_ns, NOW)
    end = length.to_ns // judgement.grid.step_ns - judgement.grid.first
    values = {
        key: (judgement.cells[key].low + judgement.cells[key].high)[end - 60 : end] / 2e6
        for key in ("P1.temperature", "P2.temperature")
    }
    slopes = [np.polyfit(np.arange(60) / 60, v, 1)[0] for v in values.values()]
    means = [v[-4:].mean() for v in values.values()]
    distance = np.sqrt(1.6**2 + 1.8**2 + 1.4**2)

    assert row.during.change_K_per_h == pytest.approx(max(slopes, key=abs), abs=1e-5)
    assert row.during.gradient_K_per_m == pytest.approx(abs(means[0] - means[1]) / distance, abs=1e-5)


def test_a_limit_that_is_passed_or_not_proven_says_so(verdicts: Verdicts) -> None:
    exceeded = verification_log(
        verdicts, "machine-bay", lengths("2026-10-19T05:30"), StatedLimits(19.5, 20.5), NOW
    )
    assert "exceeded" in {row.result for row in exceeded}
    calm = lengths()[:1]
    (row,) = verification_log(verdicts, "machine-bay", calm, STATED, NOW)
    assert row.during.max_degC is not None
    close = StatedLimits(None, row.during.max_degC + 0.01)
    (near,) = verification_log(verdicts, "machine-bay", calm, close, NOW)
    assert (near.result, "within U of the limit" in near.why) == ("not shown", True)
    (nothing,) = verification_log(verdicts, "machine-bay", calm, StatedLimits(), NOW)
    assert (nothing.result, nothing.why) == ("not shown", "no limit is stated")


def test_csv_and_pdf_have_every_row(demo_history: Path, stillroom: Run, tmp_path: Path) -> None:
    file = tmp_path / "lengths.csv"
    lines = ["position;length_mm;repeat;from;to"]
    for n in range(15):
        start = f"2026-10-14T{9 + n // 12:02d}:{n % 12 * 5:02d}"
        end = f"2026-10-14T{9 + n // 12:02d}:{n % 12 * 5 + 4:02d}"
        lines.append(f"diagonal 1;{100 + n // 3 * 150};{n % 3 + 1};{start};{end}")
    file.write_text("\n".join(lines) + "\n", "utf-8")
    limits = ("--lower-degC", "19", "--upper-degC", "21", "--change-K-per-h", "0.5", "--zone", "machine-bay")
    common = (file, *limits, "--data", demo_history)
    result = stillroom("inspection", "verification", *common, "--out", tmp_path / "l.pdf", "--json")
    assert result.returncode == 0, result.stderr
    assert len(json.loads(result.stdout)["rows"]) == 15
    call = [program("pdftotext"), "-layout", str(tmp_path / "l.pdf"), "-"]
    text = subprocess.run(call, capture_output=True, text=True, check=True).stdout
    assert "Stated limits kept at 15 of 15 lengths." in text
    assert text.count("diagonal 1") == 15
    shown = stillroom("inspection", "verification", *common)
    assert "15 lengths, limits kept at 15." in shown.stdout


def test_csv_has_the_figures(verdicts: Verdicts) -> None:
    rows = verification_log(verdicts, "machine-bay", lengths()[:3], STATED, NOW)
    read = list(csv.DictReader(io.StringIO(log_csv(rows).decode())))
    assert [float(r["during_mean_degC"]) for r in read] == [row.during.mean_degC for row in rows]


def test_bad_input_is_refused_with_its_row(verdicts: Verdicts, tmp_path: Path) -> None:
    file = tmp_path / "x.csv"
    file.write_text("position,length_mm,repeat,from,to\na,x,1,2026-10-14T09:00,2026-10-14T09:05\n", "utf-8")
    with pytest.raises(Refused, match="row 2: expected numbers for length_mm and repeat, found 'x'"):
        read_lengths(file, VIENNA)
    file.write_text("position,length_mm\na,100\n", "utf-8")
    with pytest.raises(Refused, match="expected the columns position, length_mm, repeat, from, to"):
        read_lengths(file, VIENNA)
    with pytest.raises(IntervalError, match="more than 7 days"):
        verification_log(verdicts, "machine-bay", [*lengths(), *lengths("2026-10-24T09:00")], STATED, NOW)
