"""Reference cases: probes beside their neighbours: humidity, covered cells, the age of a reading."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from ..instants import NS
from ..model.reasons import Why
from ..series import Readings
from .case import OWN, Case, CaseGroup
from .room import DAY, N, judged, rule, series, setup

ASHRAE = "ASHRAE Handbook Fundamentals 2017, ch. 1, eq. 6, by hand"
BOTH = ("temperature", "relative_humidity")
PLACES = {"T1": (1.0, 1.0, 1.0), "T2": (2.0, 1.0, 1.0), "T3": (3.0, 1.0, 1.0)}


def cases() -> Iterator[Case]:
    """All of them."""
    yield from _humidity()
    yield from _covered()


def _words(
    readings: Mapping[str, Readings], of_channel: str, cells: tuple[int, ...], **room: object
) -> tuple[str, ...]:
    """The reason of some cells of a channel, EVIDENCE where they support a verdict."""
    probes = {name.partition(".")[0]: PLACES[name.partition(".")[0]] for name in readings}
    built = setup((rule(),), probes, **room)  # type: ignore[arg-type]
    why = judged(built, readings).cells[of_channel].why
    return tuple(Why(int(why[cell])).name for cell in cells)


def _humidity() -> Iterator[Case]:
    """Constant air: T1 and T2 alike, T3 as given."""
    group = CaseGroup("humidity beside its neighbours, by dew point, agreed within 0.5 K", ASHRAE)
    # Of 20 degC: 9.27 degC of dew point at 50 %RH, 10.7 at 55. Air of 22 degC has 9.27 at 44.2 %RH.
    wide = {"probe_span": (-10.0, 110.0)}
    for t_C, rh_pct, expected in (
        (20.0, 50.0, "EVIDENCE"),
        (20.0, 55.0, "DISAGREES"),
        (22.0, 44.2, "EVIDENCE"),
        (22.0, 50.0, "DISAGREES"),
        (20.0, 102.0, "DISAGREES"),  # of a hygrometer in saturated air
    ):
        air = {
            f"{p}.{of}": series(np.full(N, v))
            for p in ("T1", "T2")
            for of, v in zip(BOTH, (20.0, 50.0), strict=True)
        }
        odd = {f"T3.{of}": series(np.full(N, v)) for of, v in zip(BOTH, (t_C, rh_pct), strict=True)}
        yield group.case(
            f"{t_C:g} degC and {rh_pct:g} %RH beside two of 20 degC and 50 %RH",
            (expected, "EVIDENCE"),
            lambda r=air | odd: tuple(
                _words(
                    r, f"{p}.relative_humidity", (720,), agree_dew_point_K=0.5, channel=wide,
                    certificate={"range": (-10.0, 110.0)}, quantities=dict.fromkeys(PLACES, BOTH),
                )[0]
                for p in ("T3", "T1")
            ),
        )  # fmt: skip
    yield group.case(
        "not compared where nothing is agreed",
        ("EVIDENCE",),
        lambda: _words(
            air | odd, "T3.relative_humidity", (720,), channel=wide, certificate={"range": (-10.0, 110.0)},
            quantities=dict.fromkeys(PLACES, BOTH),
        ),
    )  # fmt: skip


def _at(minutes: list[float], value: float) -> Readings:
    times = np.array([DAY + round(m * 60) * NS for m in minutes], np.int64)
    none = np.zeros(len(times), np.bool_)
    return Readings(times, np.full(len(times), value), none.astype(np.uint8), none)


def _covered() -> Iterator[Case]:
    group = CaseGroup("two probes 0.4 K apart, agreed within 0.3 K", OWN)
    # T1 is silent from 12:03:30 on: 15 min old at the end of the cell of 12:17. T2 reads every 5 min, and the
    # cells of 12:18 and 12:19 lie between its reading of 12:15:30, which is in doubt, and the next.
    first, other = [3.5 + 5 * n for n in range(145)], [0.5 + 5 * n for n in range(288)]
    slow = {"interval_s": 300, "max_age_s": 900}
    yield group.case(
        "a reading in doubt covers no cell after it",
        ("DISAGREES", "DISAGREES", "DISAGREES", "EVIDENCE"),
        lambda: _words(
            {"T1": _at(first, 20.0), "T2": _at(other, 20.4)}, "T2.temperature", (735, 738, 739, 740),
            agree_K=0.3, channel=slow,
        ),
    )  # fmt: skip
    late = [float(n) for n in range(700, 721)]
    yield group.case(
        "a reading that is just as old as it may be at the end of a cell stands for it",
        ("DISAGREES", "DISAGREES", "NO_READING"),
        lambda: _words(
            {"T1": _at([float(n) for n in range(N)], 20.0), "T2": _at(late, 20.4)}, "T2.temperature",
            (720, 722, 723), agree_K=0.3,
        ),
    )  # fmt: skip
