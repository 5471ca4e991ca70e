"""Until when a zone stays within its limits, against ramps whose crossing is plain arithmetic."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from logger.core.judge.forecast import Gain, better_gain, gain
from logger.core.judge.outlook import expected_bands, expected_crossing, gains, leavings, skill_text
from logger.instants import rfc3339


def outlook_of(
    build: SimpleNamespace, values: np.ndarray, *rules: Any, error: float = 0.1
) -> dict[str, Any] | None:
    """What is said at the end of a day of one probe, forecasts having erred by `error`, staying by 0.2 K."""
    setup = build.setup(rules)
    keys = [(r.key, "T1.temperature" if r.kind == "limit" else "") for r in rules]
    reference = {key: Gain(600, error, 0.2) for key in keys}
    return expected_crossing(setup, build.judged(setup, {"T1": build.series(values)}), reference)


def minutes(build: SimpleNamespace, instant: object) -> float:
    """Minutes from the end of that day."""
    end = np.datetime64(rfc3339(build.at(24))[:-1])
    return float((np.datetime64(str(instant)[:-1]) - end) / np.timedelta64(1, "s")) / 60


def test_a_ramp_names_the_limit_and_when_it_is_reached(build: SimpleNamespace) -> None:
    """0.6 K/h, 0.4 K below the limit of 21: 40 min, whatever the last cell is counted from."""
    values = 20.6 - 0.6 * (1439 - np.arange(1440)).clip(0, 120) / 60
    result = outlook_of(build, values, build.rule())
    assert result is not None
    assert (result["limit"], result["probe"], result["unit"]) == (21.0, "T1", "degC")
    assert minutes(build, result["until"]) == pytest.approx(40.0, abs=1.5)
    assert minutes(build, result["earliest"]) <= minutes(build, result["until"])


def test_a_quiet_room_is_told_for_an_hour(build: SimpleNamespace) -> None:
    """Noise leads nowhere: the horizon of the forecast, and no rule."""
    values = 20.0 + np.random.default_rng(4).normal(0, 0.01, 1440)
    result = outlook_of(build, values, build.rule())
    assert result == {"until": rfc3339(build.at(25))}


def test_a_span_that_grows_is_seen_before_its_limit(build: SimpleNamespace) -> None:
    """1 K/h for 50 min makes a span of 0.83 K: the limit of 0.9 K is 4 min away, that of 21 °C 10 min."""
    values = 20.0 + (np.arange(1440) - 1389).clip(0, None) / 60
    name = {"key": "bay.span-1h", "name": "span in 1 h"}
    span = build.rule(kind="span", unit="K", lower=None, upper=0.9, window_s=3600, **name)
    result = outlook_of(build, values, build.rule(), span)
    assert result is not None
    assert result["rule"] == "bay.span-1h"
    assert 0 < minutes(build, result["until"]) < 8


@pytest.mark.parametrize("values", [np.full(1440, 21.5), np.full(1440, np.nan)], ids=["beyond", "silent"])
def test_nothing_is_said_of_what_is_broken_or_unseen(build: SimpleNamespace, values: np.ndarray) -> None:
    assert outlook_of(build, values, build.rule()) is None


def test_nothing_is_promised_where_no_crossing_is_proven(build: SimpleNamespace) -> None:
    """A probe that swings by 0.3 K, at 20.85 of 21: no slope is proven, and no time without a crossing."""
    values = 20.6 + 0.25 * np.sin(2 * np.pi * np.arange(1440) / 47)
    assert outlook_of(build, values, build.rule()) is None


def test_a_value_that_rises_through_its_limit_promises_nothing(build: SimpleNamespace) -> None:
    """0.17 K/min: the last minute is within the limit, what the page shows seconds later is beyond it."""
    values = 20.0 + 0.17 * (np.arange(1440) - 1433).clip(0, None)
    assert values[-1] > 21.0 - 0.02
    assert outlook_of(build, np.minimum(values, 20.999), build.rule()) is None


def test_a_forecast_without_skill_is_silent(build: SimpleNamespace) -> None:
    """The same ramp, where forecasts did no better on this record than "it stays as it is"."""
    values = 20.6 - 0.6 * (1439 - np.arange(1440)).clip(0, 120) / 60
    assert outlook_of(build, values, build.rule(), error=0.1) is not None
    assert outlook_of(build, values, build.rule(), error=0.2) is None


def test_what_is_gained_is_measured_on_the_record() -> None:
    """Ramps of hours are foreseen; a value that jumps to and fro is not, nor is half a day of anything."""
    n = np.arange(7 * 1440)
    ramps = 20.0 + 0.8 * np.sin(2 * np.pi * n / 720)
    jumps = 20.0 + 0.2 * np.where(n % 90 < 45, 1.0, -1.0)
    assert gain(ramps, 19.0, 21.0, 60).speaks
    assert not gain(jumps, 19.0, 21.0, 60).speaks
    assert not gain(ramps[:720], 19.0, 21.0, 60).speaks
    assert gain(np.full(5000, np.nan), None, 21.0, 60).forecasts == 0


def test_what_is_gained_is_known_for_each_value_that_is_followed(build: SimpleNamespace) -> None:
    """A limit by its channel, a span by its own value; in words for page Health."""
    span = build.rule(kind="span", unit="K", lower=None, upper=0.9, window_s=3600, name="span in 1 h")
    setup = build.setup((build.rule(), span))
    days = 20.0 + 0.3 * np.sin(2 * np.pi * np.arange(2 * 1440) / 720)
    judged = build.judged(setup, {"T1": build.series(days)}, to_ns=build.at(48))
    reference = gains(setup, judged)
    assert set(reference) == {("bay.temperature", "T1.temperature"), ("bay.span in 1 h", "")}
    words = skill_text(reference)
    assert words.startswith(("shown: ", "not shown: "))
    assert " than “it stays as it is”" in words


def test_a_value_without_skill_is_not_spoken_of_but_forbids_the_promise(build: SimpleNamespace) -> None:
    """A quiet room whose span cannot be forecast: no promise; a ramp of the air beside it is told."""
    name = {"key": "bay.span-1h", "name": "span in 1 h"}
    span = build.rule(kind="span", unit="K", lower=None, upper=5.0, window_s=3600, **name)
    setup = build.setup((build.rule(), span))
    reference = {
        ("bay.temperature", "T1.temperature"): Gain(600, 0.1, 0.2),
        (span.key, ""): Gain(600, 0.2, 0.1),
    }
    quiet, ramp = np.full(1440, 20.0), 20.6 - 0.6 * (1439 - np.arange(1440)).clip(0, 120) / 60
    assert expected_crossing(setup, build.judged(setup, {"T1": build.series(quiet)}), reference) is None
    result = expected_crossing(setup, build.judged(setup, {"T1": build.series(ramp)}), reference)
    assert result is not None
    assert result["probe"] == "T1"


@pytest.mark.slow
def test_a_band_is_said_where_the_model_is_better_than_staying_and_nowhere_else(
    build: SimpleNamespace,
) -> None:
    """A course of the day of ±0.3 K, four weeks of it; then the same gain, but not proven."""
    day = 20 + 0.3 * np.cos(2 * np.pi * np.arange(29 * 1440) / 1440)
    day += np.random.default_rng(8).normal(0, 0.01, len(day))
    setup = build.setup((build.rule(),))
    judged = build.judged(setup, {"T1": build.series(day[-1440:])})
    measured = better_gain(day[:-1440], (19.0, 21.0), (judged.grid.first - 28 * 1440, 60))
    assert measured.model is not None
    key = ("bay.temperature", "T1.temperature")
    (band,) = expected_bands(setup, leavings(setup, judged, {key: measured}))
    comes = 20 + 0.3 * np.cos(2 * np.pi * (29 * 1440 - 1 + np.array(band["minutes"])) / 1440)
    assert (band["channel"], band["value"]) == ("T1.temperature", pytest.approx(day[-1], abs=1e-3))
    assert all(
        low - 0.02 < y < high + 0.02 for low, y, high in zip(band["low"], comes, band["high"], strict=True)
    )
    assert max(np.subtract(band["high"], band["low"])) < 0.1
    for silent in (replace(measured, t=0.5), replace(measured, error=measured.staying), Gain(600, 0.1, 0.2)):
        assert expected_bands(setup, leavings(setup, judged, {key: silent})) == []
