"""Scale, plan and charts: what they say, where marks stand, and that names cannot become markup."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from dashboard.charts import figures
from dashboard.charts.build import live_chart, window_chart
from dashboard.charts.field import field, gradient
from dashboard.charts.figures import spread
from dashboard.charts.plan import plan
from dashboard.charts.scale import axis_of, label, scale
from dashboard.data.queries import Queries
from dashboard.data.spots import Spot
from dashboard.parts import drift
from logger.model import Conformity, RuleState
from tests.dashboard.synthetic import HOUR, NOW

BAND = RuleState("z.t", "temperature", 0, 20.02, 0.1, 0.38, "degC", 19.5, 20.5, Conformity.CONFORMING, "P1")


def parsed(text: str) -> ET.Element:
    return ET.fromstring(text)  # noqa: S314 (our own text)


def test_scale_stands_where_the_numbers_are() -> None:
    """Limits at 3/16 and 13/16 of the width, pointer at its value, bracket from value − U to value + U."""
    text = scale(BAND)
    axis = axis_of(BAND)
    assert (axis.low, axis.high) == (pytest.approx(19.2), pytest.approx(20.8))
    assert axis.x(19.5) == pytest.approx(360 * 3 / 16)
    assert f"M{axis.x(19.92)} " in text
    assert f"H{axis.x(20.12)}" in text
    assert "20.02 ± 0.10 °C" in text
    assert parsed(text).tag == "svg"


def test_guard_band_is_r_times_U_wide() -> None:
    """Two hatched pieces of U · r inside the limits; none under simple acceptance."""
    widths = [
        float(w) for w in re.findall(r'scale-guard" x="[\d.]+" y="[\d.]+" width="([\d.]+)"', scale(BAND))
    ]
    assert widths == [pytest.approx(0.1 / 1.6 * 360, abs=0.02)] * 2
    assert "scale-guard" not in scale(BAND, r=0.0)


def test_value_beyond_the_scale_points_outwards() -> None:
    """A value off the drawing becomes an arrow at its end, and the words still tell it."""
    far = replace(BAND, value=25.0, conformity=Conformity.NONCONFORMING)
    assert "25.00 ± 0.10 °C" in scale(far)
    assert "M350.0 " in scale(far)
    assert "nonconforming" in label(far)


@pytest.mark.parametrize("state", [
    replace(BAND, value=None, U=None, conformity=Conformity.INDETERMINATE, why="silent"),
    replace(BAND, lower=None, upper=0.5, value=0.2, unit="K"),
    replace(BAND, lower=40.0, upper=None, unit="%RH", value=46.0),
    replace(BAND, lower=None, upper=None),
    replace(BAND, name='<script>alert("1")</script>', probe="P1&P2"),
], ids=["no value", "upper limit only", "lower limit only", "no limit", "markup in names"])  # fmt: skip
def test_scale_is_well_formed(state: RuleState) -> None:
    """Whatever is missing or odd, the drawing is XML with the words in it and no foreign element."""
    root = parsed(scale(state))
    assert {e.tag for e in root.iter()} <= {"svg", "text", "tspan", "rect", "path"}
    assert root.attrib["aria-label"].startswith(state.name)


def spot(x: float, y: float, z: float, value: float, **more: Any) -> Spot:
    return Spot("P", "place", "air", x, y, z, value, 0.1, 10.0, True, **more)


def test_gradient_of_a_plane_is_found() -> None:
    """Probes on T = 20 + 0.03 x − 0.04 y (+ 0.1 z): |g| = 0.05 K/m, U by hand for a square."""
    corners = [(0, 0), (4, 0), (0, 4), (4, 4)]
    flat = [spot(x, y, 1.0, 20 + 0.03 * x - 0.04 * y) for x, y in corners]
    field = gradient(flat)
    assert field is not None
    assert (field.gx, field.gy, field.size) == (
        pytest.approx(0.03),
        pytest.approx(-0.04),
        pytest.approx(0.05),
    )
    # Each component of the slope over a square of side d has u = u_probe / d, and so has |g|.
    assert pytest.approx(2 * 0.05 / 4) == field.U


def test_height_has_a_part_of_its_own() -> None:
    """With probes at two heights the vertical part does not leak into the horizontal one."""
    places = [(0, 0, 1), (4, 0, 2.5), (0, 4, 1), (4, 4, 1), (2, 2, 2.5)]
    field = gradient([spot(x, y, z, 20 + 0.03 * x - 0.04 * y + 0.2 * z) for x, y, z in places])
    assert field is not None
    assert (field.gx, field.gy) == (pytest.approx(0.03), pytest.approx(-0.04))


def test_gradient_is_not_shown_without_evidence() -> None:
    """Three probes, a line of probes, an overdue one, a scale: none of them makes a plane."""
    line = [spot(x, x, 1.0, 20.0) for x in range(5)]
    assert gradient(line) is None
    square = [spot(x, y, 1.0, 20.0) for x, y in ((0, 0), (4, 0), (0, 4), (4, 4))]
    assert gradient(square[:3]) is None
    assert gradient([*square[:3], replace(square[3], trusted=False)]) is None
    assert gradient([*square[:3], replace(square[3], medium="scale")]) is None


@pytest.mark.slow
def test_field_goes_through_the_plane(q: Queries) -> None:
    """On a plane of air the interpolated field is that plane, near the probes."""
    spots = [spot(x, y, 1.0, 20 + 0.02 * x) for x, y in ((1, 1), (8, 1), (1, 5), (8, 5), (4.5, 3))]
    temperature, fade = field(spots, q.room, cells=(90, 60))
    assert temperature[30, 45] == pytest.approx(20.09, abs=0.01)
    assert fade.max() == 1.0
    assert temperature[30, 80] - temperature[30, 10] == pytest.approx(0.14, abs=0.02)


def test_plan_names_every_probe(q: Queries) -> None:
    """Six probes with their values; the overdue one is crossed out and has no part in the field."""
    text = plan(q.room, list(q.setup.zones.values()), q.spots(), *q.field_range())
    root = parsed(text)
    words = " ".join(e.text or "" for e in root.iter())
    for probe in ("P1 20.0", "P2 19.", "P6 20.3"):
        assert probe in words
    assert len(re.findall("plan-probe", text)) == 5
    assert len(re.findall("plan-out", text)) == 1
    assert "gradient not shown:" in words


@pytest.mark.parametrize("size_m", [(5.0, 4.0, 3.0), (4.0, 20.0, 3.0), (30.0, 12.0, 4.0)])
def test_words_under_a_plan_of_any_size_keep_apart(q: Queries, size_m: tuple[float, float, float]) -> None:
    """Letters of 12 px are about 6.2 px wide."""
    room = replace(q.room, size_m=size_m, door_m=None)
    drawn = parsed(plan(room, [], [], 19.5, 20.5))
    texts = [t for t in drawn.iter("text") if (t.text or "").startswith(("≤", "≥", "air"))]
    spans = []
    for t in texts:
        x, wide = float(t.attrib["x"]), 6.2 * len(t.text or "")
        spans.append((x - wide, x) if t.attrib["text-anchor"] == "end" else (x, x + wide))
    assert len(spans) == 3
    assert len({t.attrib["y"] for t in texts}) == 2  # what is interpolated has a row of its own
    assert spans[0][1] < spans[1][0]
    width, height = (float(n) for n in drawn.attrib["viewBox"].split()[2:])
    assert max(right for _, right in spans) <= width
    assert all(float(t.attrib["y"]) < height for t in texts)


def test_chart_has_limits_as_in_force(q: Queries) -> None:
    """A limit that ended half-way is drawn over its half only, and the new one over the rest."""
    chart = window_chart(q, "machine-bay", "temperature", NOW - 10 * HOUR, NOW)
    rule, change = chart.limits[0], NOW - 5 * HOUR
    halves = replace(chart, limits=[replace(rule, to_ns=change), replace(rule, from_ns=change, upper=20.8)])
    edges = figures.build_figure(halves)["data"][2]
    drawn = {
        y: (edges["x"][i], edges["x"][i + 1]) for i, y in enumerate(edges["y"][:-1]) if y == edges["y"][i + 1]
    }
    assert drawn[20.5] == (chart.ms(NOW - 10 * HOUR), chart.ms(change))
    assert drawn[20.8] == (chart.ms(change), chart.ms(NOW))


def test_chart_keeps_plain_lists(q: Queries) -> None:
    """A trace that grows must not be an array: points appended to it would be lost."""
    for trace in figures.build_figure(live_chart(q, "machine-bay"))["data"]:
        assert isinstance(trace["x"], list)


def test_trace_places_tell_the_verdict(q: Queries) -> None:
    """Stable in the upper row, not shown in the middle, not stable below; the words name reason and rule."""
    heat = next(
        t for t in figures.build_figure(live_chart(q, "machine-bay"))["data"] if t["type"] == "heatmap"
    )
    row_of = {text: row for row, texts in enumerate(heat["text"]) for text in texts if text}
    assert row_of["stable"] == 2
    assert (
        row_of["not shown: indeterminate<br>gradient along the pair<br>P1–P2"] == 1
    )  # the name, not the key
    assert row_of["not stable: settling<br>temperature"] == 0
    assert row_of["not stable: nonconforming<br>temperature<br>P1"] == 0


def test_labels_at_line_ends_do_not_meet() -> None:
    """Five lines at one value: their names stand apart and in order."""
    places = spread([20.0] * 5, 0.1, 19.0, 21.0)
    assert all(b - a == pytest.approx(0.1) for a, b in pairwise(places))
    assert sum(places) / 5 == pytest.approx(20.0)


def test_points_of_the_drift_chart_say_their_value(q: Queries) -> None:
    """No readout stands beside it, so that a point answers the pointer; names at the ends do not meet."""
    days, channels = ["2026-10-01", "2026-10-02"], ["P1.temperature", "P2.temperature"]
    drawn = drift._figure(q, days, {channel: [0.01, 0.01] for channel in channels}, "P1")
    assert drawn["layout"]["hovermode"] == "closest"
    assert "%{y:+.3f} K" in drawn["data"][0]["hovertemplate"]
    first, second = sorted(label["y"] for label in drawn["layout"]["annotations"])
    assert second > first


def test_no_label_of_a_plan_covers_another_point(q: Queries) -> None:
    """P5 hangs 0.2 m from P4: its letters, about 7 px wide, keep off the mark of P4 and off its letters."""
    spots = [
        replace(spot(x, 2.0, 1.0, 20.0), probe=name) for name, x in (("P4", 6.2), ("P5", 6.0), ("P6", 6.4))
    ]
    drawn = parsed(plan(q.room, [], spots, 19.5, 20.5))
    marks = [float(mark.attrib["cx"]) for mark in drawn.iter("circle")]
    level = float(next(iter(drawn.iter("circle"))).attrib["cy"])
    labels = [t for t in drawn.iter("text") if (t.text or "").startswith("P")]
    assert (len(marks), len(labels)) == (3, 3)
    for words in labels:
        x, wide = float(words.attrib["x"]), 7.0 * len(words.text or "")
        left = x - wide if words.attrib["text-anchor"] == "end" else x
        if abs(float(words.attrib["y"]) - 4 - level) < 8:
            assert not [at for at in marks if left < at < left + wide]
    assert len({(t.attrib["y"], t.attrib["text-anchor"]) for t in labels}) == 3
