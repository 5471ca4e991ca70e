"""The band of the forecast beyond now: where it stands, what it says, and that no line is like it."""

from __future__ import annotations

from typing import Any

import pytest

from dashboard.charts.build import LiveView, live_chart, window_chart
from dashboard.charts.expected_band import NAME
from dashboard.charts.figures import build_figure
from dashboard.charts.live import chart_patch
from dashboard.data.queries import Queries
from dashboard.pages.now import expected_words
from logger.model import Row
from tests.dashboard.synthetic import HOUR, MINUTE, NOW, Synthetic

STEPS = tuple(range(5, 65, 5))
BODY = {
    "channel": "P1.temperature",
    "value": 20.0,
    "minutes": STEPS,
    "low": [20.0 - m / 600 for m in STEPS],
    "high": [20.0 + m / 300 for m in STEPS],
}


@pytest.fixture
def forecast(record: Synthetic) -> Synthetic:
    """A record whose service forecasts P1: after an hour between 19.9 and 20.2 °C."""
    bay = {**record.live()["machine-bay"], "bands": [BODY]}
    record.live = lambda: {**Synthetic.live(record), "machine-bay": bay}  # type: ignore[method-assign]
    return record


def bands(q: Queries, hours: float = 12.0, zone: str = "machine-bay") -> list[dict[str, Any]]:
    figure = build_figure(live_chart(q, zone, LiveView(hours, "machine-bay")))
    return [trace for trace in figure["data"] if trace.get("name") == NAME]


def test_without_a_forecast_nothing_is_drawn(q: Queries) -> None:
    """A place for each panel, so that a tick can fill it later, and nothing in it; no words."""
    assert bands(q)
    assert all(band["x"] == [] for band in bands(q))
    assert expected_words(q, LiveView(12.0, "machine-bay")) == ""


@pytest.mark.usefixtures("forecast")
def test_the_band_begins_at_the_judged_value_and_lasts_an_hour(q: Queries) -> None:
    """From one point to 19.9 and 20.2 °C, 60 min later; filled, without a line, not read out as one."""
    band, *others = bands(q)
    assert all(other["x"] == [] for other in others)
    at = q.statements()[0].bands[0].at_ns[0]
    assert (band["x"][0], band["y"][0], band["y"][-1]) == (at // 1_000_000, 20.0, 20.0)
    assert max(band["x"]) == (at + HOUR) // 1_000_000
    assert (min(band["y"]), max(band["y"])) == (19.9, 20.2)
    assert (band["fill"], band["line"]["width"], "meta" in band) == ("toself", 0, False)
    words = [a["text"] for a in build_figure(live_chart(q, "machine-bay"))["layout"]["annotations"]]
    assert words.count(NAME) == 1
    sentence = expected_words(q, LiveView(12.0, "machine-bay"))
    assert sentence.startswith("Grey, beyond now: expected in 8 cases of 10, P1")
    assert "19.90 to 20.20 °C at 16:59" in sentence or "19.90 to 20.20 °C at 17:00" in sentence


@pytest.mark.usefixtures("forecast")
def test_a_short_window_shows_a_part_and_a_long_one_nothing(q: Queries) -> None:
    """In one hour a quarter of it, in seven days nothing: it would be four pixels wide."""
    (hour, *_), (week, *_) = bands(q, 1.0), bands(q, 168.0)
    assert 10 * MINUTE <= (max(hour["x"]) - min(hour["x"])) * 1_000_000 <= 15 * MINUTE
    assert week["x"] == []
    assert expected_words(q, LiveView(168.0, "machine-bay")) == ""


def test_nothing_expected_stands_beside_a_value_out_of_limits_or_an_old_verdict(
    q: Queries, forecast: Synthetic
) -> None:
    """The service saw a quiet minute; the probe has been out for seconds. Nor after 10 min of silence."""
    forecast.add(Row("P1.temperature", NOW, NOW, 20.53))
    assert bands(q)[0]["x"] == []
    silent = Queries(forecast, now_ns=lambda: NOW + 10 * MINUTE)
    assert bands(silent)[0]["x"] == []


@pytest.mark.usefixtures("forecast")
def test_only_live_charts_look_ahead_and_a_tick_moves_the_band(q: Queries) -> None:
    """Trend shows what was; the patch of each minute writes the band at the place of its trace."""
    trend = build_figure(window_chart(q, "machine-bay", "temperature", NOW - 6 * HOUR, NOW))
    assert NAME not in [trace.get("name") for trace in trend["data"]]
    chart = live_chart(q, "machine-bay")
    place = [trace.get("name") for trace in build_figure(chart)["data"]].index(NAME)
    steps = chart_patch(chart, lines=False).to_plotly_json()["operations"]
    assert ["data", place, "x"] in [step["location"] for step in steps]
