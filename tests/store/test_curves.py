"""Curves: every extreme of any window, corrected; derived quantities as bounds that hold.

Reference for the dew point: WMO-No. 8 (2018), Annex 4.B, as `logger/physics` is tested with; here the
curve is compared with that function on every reading, which is the slow way to the same.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from logger.bench.record import START_NS
from logger.bench.record import setup as record_setup
from logger.core.physics.humidity import dew_point
from logger.instants import NS
from logger.model import Certificate, Channel, Probe, Row, Setup
from logger.store import Store
from logger.verdicts.curves import at_common_bins, curve

MINUTE = 60 * NS
DAY = 1440 * MINUTE


def with_humidity(setup: Setup) -> Setup:
    """The made setup, in which P00 measures humidity, too."""
    key = "P00.relative_humidity"
    channel = Channel(key, "P00", "relative_humidity", "%RH", 60, 180, 0.1, 0.1, (0.0, 100.0))
    paper = Certificate(
        "H", key, "made", "", "2024-12-01", 0, None, (50.0,), (-1.0,), (1.5,), 2.0, (10.0, 90.0)
    )
    probe = Probe("P00", "P00", "", ("P00.temperature", key))
    return Setup(**{
        **vars(setup),
        "channels": {**setup.channels, key: channel},
        "certificates": (*setup.certificates, paper),
        "probes": {**setup.probes, "P00": probe},
    })  # fmt: skip


@pytest.fixture
def record(tmp_path: Path) -> Store:
    """Twenty days of one probe, a reading a minute; one spike of 2 K for a single minute."""
    store = Store.open(tmp_path / "data", create=True, simulated=True)
    n = 20 * 1440
    at = START_NS + np.arange(n) * MINUTE
    t, rh = 20 + 0.3 * np.sin(np.arange(n) / 200), 45 + 3 * np.sin(np.arange(n) / 333)
    t[12_345] += 2.0
    for name, values in (("temperature", t), ("relative_humidity", rh)):
        rows = [
            Row(f"P00.{name}", int(a), int(a) + NS, round(float(v), 2))
            for a, v in zip(at, values, strict=True)
        ]
        store.append("made", rows)
    return store


@pytest.mark.slow
def test_a_spike_of_a_minute_is_in_the_curve(record: Store) -> None:
    """With 100 bins over 20 days the greatest value is that of the spike, corrected by the certificate."""
    setup = with_humidity(record_setup(8))
    points = curve(record, setup, "P00.temperature", START_NS, START_NS + 20 * DAY, bins=100)
    raw = record.readings.read("P00.temperature", START_NS, START_NS + 20 * DAY)
    top = raw.value.max()
    correction = np.interp(top, (15.0, 20.0, 25.0), (0.01, 0.02, -0.01))
    assert points.high.max() == pytest.approx(top + correction)
    assert points.low.min() < 19.75
    assert points.n.sum() == 20 * 1440
    assert len(points) <= 101


@pytest.mark.slow
def test_dew_point_in_short_bins_is_that_of_each_reading(record: Store) -> None:
    """In bins of a minute the curve is the formula on the corrected readings, and bounds nothing."""
    setup = with_humidity(record_setup(8))
    points = curve(record, setup, "P00.dew_point", START_NS, START_NS + 200 * MINUTE, bins=200)
    t = record.readings.read("P00.temperature", START_NS, START_NS + 200 * MINUTE).value
    rh = record.readings.read("P00.relative_humidity", START_NS, START_NS + 200 * MINUTE).value
    t = t + np.interp(t, (15.0, 20.0, 25.0), (0.01, 0.02, -0.01))
    assert not points.bounds
    assert points.low == pytest.approx(dew_point(t, rh - 1.0), abs=1e-9)
    assert (points.low == points.high).all()
    # 0.25 K of dew point for each % RH (judging: JCGM 100), U of the humidity 1.5 % RH and some resolution.
    assert pytest.approx(0.25 * 1.53 * 60 / 45, rel=0.1) == points.U


@pytest.mark.slow
def test_bounds_of_long_bins_hold(record: Store) -> None:
    """In bins of hours no dew point of a single reading lies outside, and the curve says that it bounds."""
    setup = with_humidity(record_setup(8))
    points = curve(record, setup, "P00.dew_point", START_NS, START_NS + 20 * DAY, bins=60)
    each = curve(record, setup, "P00.dew_point", START_NS, START_NS + 20 * DAY, bins=20 * 1440)
    place = np.searchsorted(points.start_ns, each.start_ns, side="right") - 1
    assert points.bounds
    assert (each.low >= points.low[place] - 1e-9).all()
    assert (each.high <= points.high[place] + 1e-9).all()


@pytest.mark.slow
def test_curves_meet_at_common_bins(record: Store) -> None:
    """Where one channel was silent the others are left out, too: a difference needs both."""
    setup = with_humidity(record_setup(8))
    first = curve(record, setup, "P00.temperature", START_NS, START_NS + DAY, bins=24)
    a, b = at_common_bins([first, first.at(np.array([0, 5, 7]))])
    assert a.start_ns.tolist() == b.start_ns.tolist() == first.start_ns[[0, 5, 7]].tolist()


def test_a_channel_without_readings_has_an_empty_curve(record: Store) -> None:
    """Nothing is invented where nothing was measured."""
    setup = with_humidity(record_setup(8))
    assert len(curve(record, setup, "P03.temperature", START_NS, START_NS + DAY, bins=24)) == 0
