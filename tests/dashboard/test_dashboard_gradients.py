"""Gradients as the page draws them, against numbers by hand and JCGM 100, 5.1."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from dashboard.charts import figures
from dashboard.charts.gradients import AirProbe, air_probes, chart, gradient, left_out, pairs, plane
from dashboard.charts.profile import Level, profile
from dashboard.data.queries import Queries
from dashboard.pages import gradients
from dashboard.pages.wall import drawn as wall
from logger.instants import NS
from logger.model import Position
from logger.verdicts.curves import Curve
from tests.dashboard.synthetic import HOUR, NOW, Synthetic

MINUTE = 60 * NS


def probe(
    name: str, height: float, value: float, U: float = 0.10, x: float = 0.0, u_m: float = 0.0
) -> AirProbe:
    start = np.arange(3, dtype=np.int64) * MINUTE
    values = np.full(3, value)
    curve = Curve(start, start + MINUTE, values, values, values, np.full(3, U), np.ones(3, np.int64))
    return AirProbe(
        f"{name}.temperature", name, Position(name, name, "z", "air", (x, 0.0, height), u_m), curve
    )


def test_a_linear_profile_has_one_gradient() -> None:
    """19.8, 20.0 and 20.4 °C at 0.5, 1.0 and 2.0 m: 0.40 K/m between each two of them."""
    probes = [probe("A", 0.5, 19.8), probe("B", 1.0, 20.0), probe("C", 2.0, 20.4)]
    every = pairs("vertical", probes)
    assert len(every) == 3
    assert every[0][2] == 1.5  # the farthest first
    for a, b, d in every:
        assert gradient(a, b, d, "vertical")[0] == pytest.approx([0.40] * 3)


def test_uncertainty_of_two_probes_a_metre_apart() -> None:
    """U 0.10 K each, 1 m apart: √2 · 0.10 = 0.14 K/m; the places' 20 mm add ΔT·√2·2·0.02 = 0.057 at 1 K."""
    a, b = probe("A", 1.0, 20.0), probe("B", 2.0, 20.0)
    assert gradient(a, b, 1.0, "vertical")[1] == pytest.approx([0.1414] * 3, abs=1e-4)
    a, b = probe("A", 1.0, 20.0, u_m=0.02), probe("B", 2.0, 21.0, u_m=0.02)
    assert gradient(a, b, 1.0, "vertical")[1] == pytest.approx([np.hypot(0.1414, 0.0566)] * 3, abs=1e-3)


def test_sign_tells_where_it_is_warmer() -> None:
    """Warmer below is negative; across there is no above, and the size alone is told."""
    cold_above = probe("A", 0.5, 20.4), probe("B", 1.5, 20.0)
    assert gradient(*cold_above, 1.0, "vertical")[0] == pytest.approx([-0.4] * 3)
    side = [probe("A", 1.0, 20.4), probe("B", 1.0, 20.0, x=2.0)]
    assert pairs("vertical", side) == []
    ((a, b, d),) = pairs("horizontal", side)
    assert gradient(a, b, d, "horizontal")[0] == pytest.approx([0.2] * 3)


def test_plane_through_probes() -> None:
    """T = 20 + 0.03 x + 0.2 z at four corners of two heights: 0.2 K/m up; three probes make no plane."""
    at = ((0.0, 0.5), (4.0, 0.5), (0.0, 2.0), (4.0, 2.0))
    four = [probe(f"P{i}", z, 20 + 0.03 * x + 0.2 * z, x=x) for i, (x, z) in enumerate(at)]
    plane_figures = plane(four)
    assert plane_figures["vertical"][0] == pytest.approx(0.2)
    # Each component over a rectangle of sides d has u = u_probe/d: U = 0.10/1.5.
    assert plane_figures["vertical"][1] == pytest.approx(0.10 / 1.5, abs=1e-6)
    assert plane(four[:3]) == {}
    assert plane([]) == {}


@pytest.mark.slow
def test_page_draws_what_the_record_says(q: Queries) -> None:
    """P1 and P2 of the invented bay: |19.91 − 20.02| over √(1.6² + 1.8² + 1.4²) = 2.786 m, along the pair."""
    probes = air_probes(q, "machine-bay", NOW - 2 * HOUR, NOW)
    assert [s.channel for s in probes] == ["P1.temperature", "P2.temperature"]
    drawn = chart(q, "machine-bay", "along", probes, (NOW - 2 * HOUR, NOW))
    (line,) = drawn.lines
    assert line.label == "P2–P1"
    assert [v for v in line.values if v is not None] == pytest.approx([0.11 / 2.786] * 120, abs=0.006)
    assert [(r.lower, r.upper) for r in drawn.limits] == [(None, 0.25)]
    vertical = chart(q, "machine-bay", "vertical", probes, (NOW - 2 * HOUR, NOW))
    assert vertical.limits == []
    page = str(gradients.layout(q, ""))
    assert "Along the pair: 0.039\\xa0±\\xa00.050\\xa0K/m" in page


def test_zone_with_one_height_says_why(q: Queries) -> None:
    """The bench has its two air probes on one height: not shown, in words."""
    assert "Vertical: not shown." in str(gradients.layout(q, "?zone=plate-bench"))
    assert "There is no zone" in str(gradients.layout(q, "?zone=attic"))


def test_profile_is_well_formed() -> None:
    """Names cannot become markup, and a screen reader hears the figures."""
    text = profile(
        [Level("<b>P1</b>", 0.9, 20.0, 19.9, 20.1, 0.1), Level("P2", 2.3, 20.1, 20.0, 20.2, 0.1)], 3.0
    )
    root = ET.fromstring(text)  # noqa: S314 (our own text)
    assert "P2 at 2.3 m 20.10 ± 0.10 °C" in root.attrib["aria-label"]
    assert {e.tag for e in root.iter()} <= {"svg", "text", "path", "circle"}


def test_wall_shows_verdicts_and_no_job(q: Queries, record: Synthetic) -> None:
    """Zone, verdict, why and value; no key or title of an inspection; old words lose their place."""
    job = q.start_inspection("machine-bay", "Secret gear", "Radek Sova")
    text = str(wall(q))
    for part in ("Machine bay", "stable", "not shown", "P6, calibration overdue", "19.91"):
        assert part in text
    assert not any(secret in text for secret in ("Secret gear", job.key, "Gear hub 4471", "J1"))
    record.age_statements(1200)
    text = str(wall(q))
    assert "20 min" in text
    assert "no heartbeat; 15:40 stable" in text
    assert "19.91" not in text


def test_a_single_pair_gives_the_component_along_its_line_and_nothing_else() -> None:
    """20.0 and 20.6 °C. 9° off plumb: vertical alone. 9° off level: horizontal alone. At 45°: 0.6 K over the
    whole distance of √2 m, along the pair, and neither vertical nor horizontal.
    """
    tan = np.tan(np.radians(9))
    steep = probe("A", 0.0, 20.0), probe("B", 1.0, 20.6, x=tan)
    flat = probe("A", 1.0, 20.0), probe("B", 1.0 + tan, 20.6, x=1.0)
    leaning = probe("A", 1.0, 20.0), probe("B", 2.0, 20.6, x=1.0)
    counts = [
        [len(pairs(d, some)) for d in ("vertical", "horizontal", "along")] for some in (steep, flat, leaning)
    ]
    assert counts == [[1, 0, 0], [0, 1, 0], [0, 0, 1]]
    ((a, b, d),) = pairs("along", leaning)
    assert d == pytest.approx(np.sqrt(2))
    assert gradient(a, b, d, "along")[0] == pytest.approx([0.6 / np.sqrt(2)] * 3)


def test_the_page_tells_one_difference_once(
    q: Queries, record: Synthetic, monkeypatch: pytest.MonkeyPatch
) -> None:
    """P1 and P2 of the bay lean 60° from plumb: their difference is along the pair; the rule of the vertical
    gradient, which leaves them out, is named with that.
    """
    pair = next(rule for rule in record.setup().rules if rule.kind == "gradient")
    setup = replace(record.setup(), rules=(replace(pair, direction="vertical", upper=0.5),))
    monkeypatch.setattr(record, "setup", lambda: setup)
    text = str(gradients.layout(q, "?zone=machine-bay"))
    assert "Vertical: not shown." in text
    assert "Horizontal: not shown." in text
    assert "Along the pair: -0.0" in text or "Along the pair: 0.0" in text
    assert "P2–P1: not limited separately, as the line between the probes is inclined" in text
    assert "No limit." in text
    assert "Vertical gradient of" not in text
    assert "Gradient along the pair of Machine bay" in text


def test_the_wall_says_how_old_its_numbers_are(q: Queries, record: Synthetic) -> None:
    """41 s after the reading: its age stands below the number. After more than three intervals the wall says
    which probe is silent, and shows the next one that may decide; without any it says no value.
    """
    state = next(s for s in q.statements()[0].rules if s.unit == "degC")
    assert f"{state.probe}, 41 s ago, limit 19.5" in str(wall(q))
    newest = record.newest()
    row = replace(newest[f"{state.probe}.temperature"], taken_ns=record.now - 200 * NS)
    record.newest = lambda: newest | {row.channel: row}  # type: ignore[method-assign]
    text = str(wall(q))
    assert f"no reading from {state.probe} since 15:56" in text
    assert "19.91" not in text
    assert "P1, 41 s ago, limit 20.5" in text
    del record.newest
    record.now += 160 * NS  # the newest reading is 201 s old, and the interval is 60 s
    assert "no value" in str(wall(q))
    assert "20.02" not in str(wall(q))


def test_an_overdue_probe_has_no_part_in_gradients(q: Queries) -> None:
    """P6 is overdue: it is left out of its zone and of the plane, and the page says so."""
    assert [s.channel for s in air_probes(q, "plate-bench", NOW - HOUR, NOW)] == ["P4.temperature"]
    assert left_out(q, ["plate-bench"], NOW) == "Left out: P6, calibration overdue."
    text = str(gradients.layout(q, "?zone=plate-bench"))
    assert "Left out: P6, calibration overdue." in text
    assert "Through" not in text


def test_uncertainty_is_drawn_around_the_line(q: Queries) -> None:
    """A band of ± U, which the axis holds and which is broken where the line is."""
    probes = air_probes(q, "machine-bay", NOW - 6 * HOUR, NOW)
    drawn = figures.build_figure(chart(q, "machine-bay", "along", probes, (NOW - 6 * HOUR, NOW)))
    line = next(t for t in drawn["data"] if t.get("name") == "P2–P1")
    band = next(t for t in drawn["data"] if t.get("name") == "U of P2–P1")
    finite = [v for v in line["y"] if v is not None]
    edges = [v for v in band["y"] if v is not None]
    assert len(edges) == 2 * len(finite)
    assert max(edges) - max(finite) == pytest.approx(
        0.141 / 2.786, abs=0.002
    )  # U 0.10 K each, √(1.6² + 1.8² + 1.4²) m apart
    assert band["y"].count(None) == line["y"].count(None) == 1
    low, high = drawn["layout"]["yaxis"]["range"]
    assert low < min(edges) < max(edges) < high
