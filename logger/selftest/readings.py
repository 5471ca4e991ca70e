"""Cases of single readings: quality tests, and units."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from ..core.evidence.quality import (
    confirmed_at,
    constant_runs,
    gross_range,
    has_moved,
    last_run,
    possible_span,
    rate_flags,
    spike_flags,
)
from ..instants import NS
from ..units import from_canonical, from_micro, micro, quantity, to_canonical, unit_name
from .case import Case, CaseGroup
from .room import QARTOD, T1


def cases() -> Iterator[Case]:
    """All of them."""
    yield from _quality()
    yield from _rates()
    yield from _runs()
    yield from _units()


def _quality() -> Iterator[Case]:
    group = CaseGroup("quality of readings", QARTOD)
    nan = math.nan
    values = np.array([-40.0, -40.1, 60.0, 60.1, 15.0, 14.9, 25.0, 25.1, nan, np.inf])
    yield group.case(
        "gross range: probe −40 to 60, user 15 to 25",
        (3, 4, 3, 4, 1, 3, 1, 3, 9, 9),
        lambda: gross_range(values, (-40.0, 60.0), (15.0, 25.0)),
    )
    yield group.case(
        "without a user's span",
        (1, 4, 1, 4, 1, 1, 1, 1, 9, 9),
        lambda: gross_range(values, (-40.0, 60.0), None),
    )
    t = np.arange(6) * 60 * NS
    yield group.case(
        "spike of 3.48 K against 3 K",
        (2, 1, 1, 3, 1, 2),
        lambda: spike_flags(t, np.array([20.0, 20.02, 20.01, 23.5, 20.03, 20.05]), 3.0, 180.0),
        source="values.csv, quality flags: 20.00, 20.02, 20.01, 23.50, 20.03, 20.05 → 3.48 K",
    )
    five = t[:5]
    for height, flag in ((0.5, 1), (0.5000001, 3), (-0.5, 1), (-0.5000001, 3), (0.25, 1)):
        yield group.case(
            f"departure by {height:g} K against 0.5 K",
            flag,
            lambda h=height: spike_flags(five, np.array([0.0, 0.0, h, 0.0, 0.0]), 0.5, 180.0)[2],
        )
    yield group.case(
        "the mean of both neighbours is what counts",
        (1, 3),
        lambda: (
            spike_flags(five, np.array([0, 0.0, 0.7, 0.4, 0]), 0.5, 180.0)[2],
            spike_flags(five, np.array([0, 0.0, 0.701, 0.4, 0]), 0.5, 180.0)[2],
        ),
    )
    yield group.case(
        "a ramp is no spike, however steep",
        (2, 1, 1, 1, 2),
        lambda: spike_flags(five, np.array([0.0, 1.0, 5.0, 6.0, 7.0]), 0.5, 180.0),
    )
    for low in ([0.0, 0, -3.0, -3.0, 0], [0.0, -3, -3.0, 0.0, 0]):
        yield group.case(
            f"nor one equal to its neighbour, {low}",
            1,
            lambda v=low: spike_flags(five, np.array(v), 0.5, 180.0)[2],
        )
    yield group.case(
        "nor a value equal to its neighbour",
        (1, 1),
        lambda: (
            spike_flags(five, np.array([0.0, 0, 3.0, 3.0, 0]), 0.5, 180.0)[2],
            spike_flags(five, np.array([0.0, 3, 3.0, 0.0, 0]), 0.5, 180.0)[2],
        ),
    )
    for gap_s, flag in ((180, 3), (180.001, 2)):
        late = np.array([0, 60, 120, 120 + gap_s, 400]) * 1e9
        early = np.array([0, 60, 60 + gap_s, 300, 400]) * 1e9
        yield group.case(
            f"a neighbour {gap_s:g} s away of at most 180 s",
            (flag, flag),
            lambda a=late, b=early: tuple(
                int(spike_flags(x.astype(np.int64), np.array([0, 0, 3.0, 0, 0]), 0.5, 180.0)[2])
                for x in (a, b)
            ),
        )
        yield group.case(
            f"and a value that does not depart, beside a neighbour {gap_s:g} s away",
            (1 if flag == 3 else 2,) * 2,
            lambda a=late, b=early: tuple(
                int(spike_flags(x.astype(np.int64), np.array([0, 0, 3.0, 0, 0]), 0.5, 180.0)[i])
                for x, i in ((a, 3), (b, 1))
            ),
        )
    yield group.case(
        "three values have one that is tested, two have none",
        ((2, 3, 2), (2, 2)),
        lambda: (
            tuple(spike_flags(t[:3], np.array([0, 3.0, 0]), 0.5, 180.0).tolist()),
            tuple(spike_flags(t[:2], np.array([0, 3.0]), 0.5, 180.0).tolist()),
        ),
    )
    yield group.case(
        "a missing neighbour: not evaluated",
        (2, 2, 2, 2, 2),
        lambda: spike_flags(five, np.array([0, nan, 3.0, nan, 0]), 0.5, 180.0),
    )
    U = np.full(5, 0.125)
    for after, expected in ((1.125, (1,)), (1.1250001, ()), (0.875, (1,)), (0.8749, ())):
        yield group.case(
            f"a step of 1 K with U 0.125 K is confirmed by {after:g}",
            expected,
            lambda a=after: confirmed_at(five, np.array([0.0, 1.0, a, 1.0, 0.0]), U, 180.0, np.array([1])),
        )
        yield group.case(
            f"and by {after:g} as the second",
            expected,
            lambda a=after: confirmed_at(five, np.array([0.0, 1.0, 1.0, a, 0.0]), U, 180.0, np.array([1])),
        )
    for gap_s, expected in ((180, (1,)), (180.001, ())):
        for stamps in ([0, 60, 60 + gap_s, 300, 400], [0, 60, 120, 120 + gap_s, 400]):
            yield group.case(
                f"readings at {stamps} s confirm",
                expected,
                lambda s=stamps: confirmed_at(
                    (np.array(s) * 1e9).astype(np.int64),
                    np.array([0, 1.0, 1.0, 1.0, 0]),
                    U,
                    180.0,
                    np.array([1]),
                ),
            )
    yield group.case(
        "two must follow", (2,), lambda: confirmed_at(five, np.ones(5), U, 180.0, np.array([2, 3, 4]))
    )
    yield group.case(
        "moved by more than, not by as much as",
        (False, True, False, False),
        lambda: (
            has_moved(np.array([0.0, 1.0]), 1.0),
            has_moved(np.array([0.0, nan, 1.1]), 1.0),
            has_moved(np.array([nan]), 0.0),
            has_moved(np.array([]), 0.0),
        ),
    )


def _rates() -> Iterator[Case]:
    group = CaseGroup(
        "a rate no room can have", "more than 5 K within 5 min, by hand; absolute zero: SI, exact"
    )

    def seen(times_s: list[float], values: list[float], max_age_s: float = 180.0) -> str:
        result = rate_flags((np.array(times_s) * NS).astype(np.int64), np.array(values), 5.0, max_age_s)
        return "".join("x" if item else "." for item in result)

    minutes = [60.0 * n for n in range(9)]
    for step, expected in ((5.0, "........."), (5.001, "..xxxxx.."), (-5.001, "..xxxxx..")):
        yield group.case(
            f"a step of {step:g} K, for the 5 min after it",
            expected,
            lambda s=step: seen(minutes, [20.0] * 2 + [20.0 + s] * 7),
        )
    yield group.case("1 K a minute", ".........", lambda: seen(minutes, [20.0 + n for n in range(9)]))
    yield group.case(
        "1.01 K a minute, from the fifth minute on",
        ".....xxxx",
        lambda: seen(minutes, [20.0 + 1.01 * n for n in range(9)]),
    )
    for second_s, expected in ((300.0, ".x"), (300.1, "..")):
        yield group.case(
            f"5.001 K in {second_s:g} s",
            expected,
            lambda t=second_s: seen([0.0, t], [20.0, 25.001], 900.0),
        )
    for change, expected in ((15.0, ".."), (15.001, ".x")):
        yield group.case(
            f"{change:g} K in 15 min between two readings",
            expected,
            lambda c=change: seen([0.0, 900.0], [20.0, 20.0 + c], 2700.0),
        )
    for most_s, expected in ((900.0, ".x"), (899.9, "..")):
        yield group.case(
            f"20 K in 15 min where {most_s:g} s may be",
            expected,
            lambda m=most_s: seen([0.0, 900.0], [20.0, 40.0], m),
        )
    for gap_s, expected in ((180.0, ".x"), (180.1, "..")):
        yield group.case(
            f"9 K across {gap_s:g} s where 180 s may be",
            expected,
            lambda g=gap_s: seen([0.0, g], [20.0, 29.0]),
        )
    wide = replace(T1, probe_span=(-2000.0, 2000.0))
    for unit, zero in (("degC", -273.15), ("K", 0.0), ("degF", -459.67)):
        yield group.case(
            f"absolute zero in {unit}", (zero, 2000.0), lambda u=unit: possible_span(replace(wide, unit=u))
        )
    damp = replace(wide, quantity="relative_humidity", unit="%RH")
    yield group.case("humidity −5 to 105 %RH", (-5.0, 105.0), lambda: possible_span(damp))
    press = replace(wide, quantity="pressure", unit="hPa")
    yield group.case("pressure from 0 on", (0.0, 2000.0), lambda: possible_span(press))
    yield group.case("a span of its own within", (-40.0, 60.0), lambda: possible_span(T1))


def _runs() -> Iterator[Case]:
    group = CaseGroup("identical values", QARTOD)
    t = np.arange(8) * NS
    v = np.array([1.0, 2, 2, 2, 3, 3, 2, 2])
    yield group.case(
        "runs of at least three, of two",
        (((1, 4),), ((1, 4), (4, 6), (6, 8))),
        lambda: (constant_runs(t, v, 3, 5.0), constant_runs(t, v, 2, 5.0)),
    )
    yield group.case(
        "a run as long as the record, a record shorter than a run",
        (((0, 8),), ()),
        lambda: (constant_runs(t, np.ones(8), 8, 5.0), constant_runs(t, np.ones(8), 9, 5.0)),
    )
    yield group.case(
        "one is no run", ((), ()), lambda: (constant_runs(t, v, 1, 5.0), constant_runs(t, v, 0, 5.0))
    )
    gap = t.copy()
    gap[4:] += 5 * NS
    for age, expected in ((6.0, ((0, 8),)), (5.999, ((0, 4), (4, 8)))):
        yield group.case(
            f"a gap of 6 s where {age:g} s is the most",
            expected,
            lambda a=age: constant_runs(gap, np.ones(8), 2, a),
        )
    yield group.case(
        "where the newest run begins",
        (6, 4, 0, 7),
        lambda: (
            last_run(t, v, 5.0),
            last_run(gap, np.ones(8), 5.999),
            last_run(gap, np.ones(8), 6.0),
            last_run(t, np.arange(8.0), 5.0),
        ),
    )


def _units() -> Iterator[Case]:
    group = CaseGroup("units", "SI Brochure, 9th edition; NIST SP 811, appendix B")
    rows = (
        (1.0, "psi", "pressure", 6894.757),
        (1.0, "mmHg", "pressure", 133.3224),
        (1.0, "inHg", "pressure", 3386.389),
        (760.0, "Torr", "pressure", 101_325.0),
        (0.1, "MPa", "pressure", 100_000.0),
        (3.52, "1/L", "particle_count", 3520.0),
        (1.0, "1/ft3", "particle_count", 1 / 0.3048**3),
        (3.6, "km/h", "air_speed", 1.0),
        (60.0, "ft/min", "air_speed", 0.3048),
        (68.0, "degF", "temperature", 20.0),
        (-40.0, "°F", "temperature", -40.0),
        (293.15, "K", "temperature", 20.0),
        (101.325, "kPa", "pressure", 101_325.0),
        (1013.25, "hPa", "pressure", 101_325.0),
        (1013.25, "mbar", "pressure", 101_325.0),
        (1.01325, "bar", "pressure", 101_325.0),
        (0.5, "1", "relative_humidity", 50.0),
        (50.0, "%", "relative_humidity", 50.0),
        (2.7e-4, "1", "refractivity", 270.0),
        (20.5, "degC", "temperature", 20.5),
        (50.0, "degF", "dew_point", 10.0),
    )
    yield from group.each("to the canonical unit", rows, to_canonical, 1e-8)
    yield from group.each("and back", [(w, u, q, v) for v, u, q, w in rows], from_canonical, 1e-8)
    yield group.case(
        "whole millionths, half to even",
        (20_000_000, -100_000, 2, 2),
        lambda: micro([20.0000005, -0.1, 1.5e-6, 2.5e-6]),
    )
    yield group.case("and as a number", 20.5, lambda: from_micro(20_500_000))
    yield group.case(
        "units of differences",
        ("K", "K", "%RH", "Pa"),
        lambda: tuple(
            quantity(q).difference_unit for q in ("temperature", "dew_point", "relative_humidity", "pressure")
        ),
    )
    yield group.case(
        "spellings",
        ("degC", "degF", "%RH", "hPa"),
        lambda: tuple(unit_name(u) for u in ("°C", " F ", "% r.h.", "hpa")),
    )
