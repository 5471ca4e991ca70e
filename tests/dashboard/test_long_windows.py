"""Windows of weeks: extremes pale, the mean over them; and the scale of an inspection."""

from __future__ import annotations

import numpy as np
import pytest

from dashboard.charts.build import mean_points, window_panels
from dashboard.charts.chart import PALE_NS
from dashboard.charts.figures import build_figure
from dashboard.data.queries import Queries
from dashboard.pages.trend import traces_patch
from dashboard.parts.check_answer import joined_reasons
from dashboard.parts.share_scale import share_scale
from logger.verdicts.curves import Curve

HOUR = 3600 * 10**9


def test_the_mean_is_broken_where_bins_are_missing() -> None:
    """Three bins of an hour, two hours without one, one more: a None between them."""
    start = np.array([0, 1, 2, 5]) * HOUR
    values = np.array([20.0, 20.1, 20.2, 20.3])
    curve = Curve(start, start + HOUR, values - 1, values + 1, values, values * 0, np.ones(4, int))
    times, means = mean_points(curve, HOUR // 2)
    assert means == [20.0, 20.1, 20.2, None, 20.3]
    assert times == [HOUR // 2, 3 * HOUR // 2, 5 * HOUR // 2, 4 * HOUR, 11 * HOUR // 2]


@pytest.mark.parametrize(("days", "pale"), [(1, False), (30, True)])
def test_only_wide_bins_are_pale(q: Queries, days: int, pale: bool) -> None:
    """The means have their traces in both, so that a zoom changes what is in them and not how many."""
    now = q.now_ns()
    chart = window_panels(q, "machine-bay", ["temperature"], now - days * 24 * HOUR, now)
    assert all((line.bin_ns >= PALE_NS) >= line.pale for line in chart.lines)
    traces = build_figure(chart)["data"]
    means = [trace for trace in traces if str(trace.get("name", "")).startswith("mean of ")]
    assert len(means) == len(chart.lines)
    assert {bool(trace["x"]) for trace in means} == {any(line.pale for line in chart.lines)}
    assert any(line.pale for line in chart.lines) <= pale
    assert traces_patch(chart) is not None


def test_the_scale_says_error_U_and_what_is_allowed() -> None:
    """0.95 µm and 0.71 µm of 12 µm, of which a tenth is allowed: beyond the mark, and the words say 14 %."""
    thermal = {
        "nde_um": -0.95,
        "U_um": 0.71,
        "tolerance_um": 12.0,
        "share_of_tolerance": 0.138,
        "share_allowed": 0.1,
    }
    drawn = share_scale(thermal)
    assert "1.7 of 12 µm, 14 %" in drawn
    assert 'class="scale-limit" d="M60.0' in drawn  # twice what is allowed is the whole line
    assert "µm" in share_scale({"nde_um": 1.0, "U_um": 0.5})


def test_runs_of_one_rule_are_one_reason() -> None:
    """Three runs, two of one rule: two rows, the first with its span and count."""
    runs = [
        {"reason": "nonconforming", "rule": "bay.t", "pre_window": False},
        {"reason": "nonconforming", "rule": "bay.t", "pre_window": False},
        {"reason": "settling", "rule": "bay.t", "pre_window": False},
    ]
    assert [len(group) for group in joined_reasons(runs)] == [2, 1]
