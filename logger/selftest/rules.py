"""Cases of the rules in single cells: guard band, validity, differences, the probe that decides."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from ..core.rules import kinds
from ..core.rules.finding import Finding
from ..model import Conformity, Rule, Setup
from ..model.reasons import Why
from ..series import Readings
from ..units import MICRO
from .case import Case, CaseGroup, refused
from .room import N, at, judged, rule, series, setup

JCGM_106 = (
    "JCGM 106:2012, 8.3.2; ILAC-G8:09/2019 (w = r·U); beyond T is nonconforming by our own choice; by hand"
)
SPAN: Mapping[str, Any] = {
    "name": "span",
    "kind": "span",
    "window_s": 3600,
    "lower": None,
    "upper": 0.4,
    "unit": "K",
}
SLOPE: Mapping[str, Any] = {
    "name": "slope",
    "kind": "slope",
    "window_s": 3600,
    "lower": None,
    "upper": 0.4,
    "unit": "K/h",
}


def cases() -> Iterator[Case]:
    """All of them."""
    yield from _band()
    yield from _several()
    yield from _validity()
    yield from _difference()


def finding_of(rules: Rule | tuple[Rule, ...], values: Mapping[str, object], **room: Any) -> Finding:
    """The finding of the (first) rule on a day of constant or given values by probe."""
    several = rules if isinstance(rules, tuple) else (rules,)
    places = room.pop("places", None) or {p: (1.0 + i, 1.0, 1.0) for i, p in enumerate(values)}
    readings = {p: v if isinstance(v, Readings) else series(np.full(N, v)) for p, v in values.items()}
    return judged(setup(several, places, **room), readings).findings[0]


def cell(finding: Finding, place: int = -1) -> tuple[object, ...]:
    """Result, value, margin, whether proven, and who decided in one cell; by default the last."""
    label = int(finding.label[place])
    who = finding.labels[label] if label >= 0 else ""
    value, margin = (float(x[place]) / MICRO for x in (finding.value, finding.margin))
    return Conformity(int(finding.conformity[place])).name, value, margin, bool(finding.proven[place]), who


def word(finding: Finding, place: int = -1) -> str:
    """The result of a cell; where evidence is short, why."""
    result = Conformity(int(finding.conformity[place])).name
    return result if result != "INDETERMINATE" else Why(int(finding.why[place])).name


def _band() -> Iterator[Case]:
    group = CaseGroup("limits and guard band", JCGM_106)
    CON, GUARD, NON = "CONFORMING", "GUARD_BAND", "NONCONFORMING"
    rows = (
        (20.75, 1.0, CON, False),
        (20.8, 1.0, CON, False),
        (20.800001, 1.0, GUARD, False),
        (20.85, 1.0, GUARD, False),
        (21.0, 1.0, GUARD, False),
        (21.000001, 1.0, NON, False),
        (21.05, 1.0, NON, False),
        (21.2, 1.0, NON, False),
        (21.200001, 1.0, NON, True),
        (21.25, 1.0, NON, True),
        (20.85, 0.0, CON, False),
        (21.0, 0.0, CON, False),
        (21.000001, 0.0, NON, True),
        (20.9, 0.5, CON, False),
        (20.900001, 0.5, GUARD, False),
        (21.100001, 0.5, NON, True),
        (19.2, 1.0, CON, False),
        (19.199999, 1.0, GUARD, False),
        (19.0, 1.0, GUARD, False),
        (18.999999, 1.0, NON, False),
        (18.8, 1.0, NON, False),
        (18.799999, 1.0, NON, True),
        (20.0, 1.0, CON, False),
    )
    for value, r, result, proven in rows:
        yield group.case(
            f"band 19 to 21 degC, U 0.2 K, r {r:g}: {value:.6f} degC",
            (result, proven),
            lambda v=value, r=r: _result(finding_of(rule(r=r), {"T1": v})),
        )
    sides = ((20.7, 0.3, 20.7), (19.3, 0.3, 19.3), (20.0, 1.0, 20.0))
    for value, margin, side in sides:
        yield group.case(
            f"margin and side of {value:g} degC",
            (CON, side, margin, False, "T1"),
            lambda v=value: cell(finding_of(rule(), {"T1": v})),
            1e-9,
        )
    swing = series(20.0 + np.where(np.arange(2 * N) % 2, 1.1, -0.9), interval_s=30, phase_s=10)
    yield group.case(
        "no swing inside a cell is averaged away",
        (NON, 21.1, -0.1, False, "T1"),
        lambda: cell(finding_of(rule(), {"T1": swing})),
        1e-9,
    )
    wide = series(20.0 + np.where(np.arange(2 * N) % 2, 0.9, -1.2), interval_s=30, phase_s=10)
    yield group.case(
        "nor at the lower limit",
        (NON, 18.8, -0.2, False, "T1"),
        lambda: cell(finding_of(rule(), {"T1": wide})),
        1e-9,
    )
    for name, only, value, result in (
        ("upper", {"lower": None}, 5.0, CON),
        ("upper", {"lower": None}, 21.1, NON),
        ("lower", {"upper": None}, 29.0, CON),
        ("lower", {"upper": None}, 18.9, NON),
    ):
        yield group.case(
            f"{name} limit only: {value:g} degC",
            result,
            lambda o=only, v=value: word(finding_of(rule(**o), {"T1": v}, certificate={"range": (0, 40)})),
        )
    minutes = np.arange(N)
    sine = 20.0 + 1.5 * np.sin(2 * np.pi * (minutes + 0.5) / 720)
    share = 2 / math.pi * math.acos(1 / 1.5)
    yield group.case(
        "share of time beyond 20 ± 1 of a sine of ±1.5 K about 20.0 degC",
        share,
        (finding_of(rule(r=0.0), {"T1": sine}).conformity == Conformity.NONCONFORMING).mean,
        0.005,
        "2/π·acos(1/1.5), by hand",
    )
    yield group.case(
        "limits the wrong way round are refused",
        ("refused", "accepted"),
        lambda: (
            refused(finding_of, rule(lower=21.0, upper=20.0), {"T1": 20.5}),
            refused(finding_of, rule(lower=20.5, upper=20.5), {"T1": 20.5}),
        ),
    )
    yield group.case(
        "every kind of rule is judged",
        ("bending", "condensation", "difference", "gradient", "limit", "plane", "slope", "span", "spread"),
        lambda: tuple(sorted(kinds())),
    )
    yield group.case(
        "an unknown kind is refused", "refused", lambda: refused(finding_of, rule(kind="mood"), {"T1": 20.0})
    )


def _result(finding: Finding) -> tuple[str, bool]:
    return Conformity(int(finding.conformity[-1])).name, bool(finding.proven.all())


def _several() -> Iterator[Case]:
    group = CaseGroup("the probe that decides")
    yield group.case(
        "smallest margin decides, not largest value",
        ("CONFORMING", 19.3, 0.3, False, "T2"),
        lambda: cell(finding_of(rule(), {"T1": 20.5, "T2": 19.3, "T3": 20.6})),
        1e-9,
    )
    yield group.case(
        "of equals the first", "T1", lambda: cell(finding_of(rule(), {"T1": 20.5, "T2": 20.5}))[4]
    )
    yield group.case(
        "of equals the first, upper and lower side",
        "T1",
        lambda: cell(finding_of(rule(), {"T1": 19.5, "T2": 20.5}))[4],
    )
    silent = np.full(N, np.nan)
    yield group.case(
        "a silent one of two leaves it open",
        ("INDETERMINATE", math.nan, math.nan, False, "T2"),
        lambda: cell(finding_of(rule(), {"T1": 20.0, "T2": silent})),
    )
    for need, result in ((1, "CONFORMING"), (2, "NO_READING"), (3, "NO_READING")):
        yield group.case(
            f"one of two reads, need {need}",
            result,
            lambda n=need: word(finding_of(rule(need=n), {"T1": 20.0, "T2": silent})),
        )
    yield group.case(
        "beyond is beyond, though evidence is short",
        "NONCONFORMING",
        lambda: word(finding_of(rule(), {"T1": 21.5, "T2": silent})),
    )
    yield group.case(
        "need more than there are is never met",
        "FEW_PROBES",
        lambda: word(finding_of(rule(need=5), {"T1": 20.0})),
    )
    yield group.case(
        "who is beyond, as bits",
        0b101,
        lambda: int(finding_of(rule(), {"T1": 21.5, "T2": 20.0, "T3": 18.5}).beyond[-1]),
    )
    yield group.case(
        "one proven is proven", True, lambda: bool(finding_of(rule(), {"T1": 21.1, "T2": 21.3}).proven[-1])
    )
    late = setup((rule(),), {"T1": (1.0, 1.0, 1.0), "T2": (2.0, 1.0, 1.0)})
    yield group.case("the graver reason is told", ("OVERDUE", "T2"), lambda: _graver(late))
    yield group.case(
        "no probe at the place", "NO_PROBE", lambda: word(finding_of(rule(media=("scale",)), {"T1": 20.0}))
    )


def _graver(room: Setup) -> tuple[str, str]:
    from dataclasses import replace

    papers = tuple(replace(c, due_ns=at(1)) if c.number == "C-T2" else c for c in room.certificates)
    readings = {"T1": series(np.full(N, np.nan)), "T2": series(np.full(N, 20.0))}
    finding = judged(replace(room, certificates=papers), readings).findings[0]
    return word(finding), finding.labels[int(finding.label[-1])]


def _validity() -> Iterator[Case]:
    group = CaseGroup("validity of a rule", "required: a changed limit does not reach back; by hand")
    part = rule(upper=20.2, from_ns=at(6), to_ns=at(12))
    for minute, result in (
        (359, "NOT_APPLICABLE"),
        (360, "NONCONFORMING"),
        (719, "NONCONFORMING"),
        (720, "NOT_APPLICABLE"),
    ):
        yield group.case(
            f"in force from 06:00 to 12:00, 20.5 degC at minute {minute}",
            result,
            lambda m=minute: word(finding_of(part, {"T1": 20.5}), m),
        )
    yield group.case(
        "outside nothing is proven, beyond, short or measured against",
        (False, 0, 0, True),
        lambda: _outside(finding_of(rule(upper=20.0, lower=19.9, to_ns=at(12)), {"T1": 20.5})),
    )
    gauge = rule(key="bay.gauge", upper=20.5, activity="gauge blocks")
    for activity, result in (
        ("", "CONFORMING"),
        ("gauge blocks", "NONCONFORMING"),
        ("hand gauges", "CONFORMING"),
    ):
        yield group.case(
            f"20.6 degC for {activity or 'all work'}",
            result,
            lambda a=activity: word(
                judged(
                    setup((rule(upper=21.5), gauge)), {"T1": series(np.full(N, 20.6))}, activity=a
                ).findings[0]
            ),
        )


def _outside(finding: Finding) -> tuple[bool, int, int, bool]:
    beyond, why = int(finding.beyond[-1]), int(finding.why[-1])
    return bool(finding.proven[-1]), beyond, why, math.isnan(finding.margin[-1])


def _difference() -> Iterator[Case]:
    group = CaseGroup("difference of media", "required: U in quadrature, JCGM 100:2008, 5.1; by hand")
    apart = rule(
        name="part − scale",
        kind="difference",
        media=("part", "scale"),
        lower=-0.5,
        upper=0.5,
        unit="K",
        disturbs=False,
    )
    media = {"T1": "part", "T2": "scale"}
    for part, value in ((20.3, 0.3), (19.8, -0.2)):
        yield group.case(
            f"part {part:g}, scale 20.0 degC",
            ("CONFORMING", value, 0.5 - abs(value), False, "T1–T2"),
            lambda p=part: cell(finding_of(apart, {"T1": p, "T2": 20.0}, media=media, U=0.1)),
            1e-9,
        )
    yield group.case(
        "its U of two of 0.2 K",
        0.2 * math.sqrt(2),
        lambda: finding_of(apart, {"T1": 20.3, "T2": 20.0}, media=media).U[-1] / MICRO,
        1e-6,
    )
    cover = np.full(N, 20.0)
    cover[600], cover[601], cover[602] = 20.0, np.nan, 20.4
    yield group.case(
        "a covered cell enters by the bound that makes it larger",
        0.4,
        lambda: finding_of(apart, {"T1": cover, "T2": 20.0}, media=media).value[601] / MICRO,
        1e-9,
    )
    swing = series(20.0 + np.where(np.arange(2 * N) % 2, 0.4, 0.0), interval_s=30, phase_s=10)
    yield group.case(
        "means of cells are compared",
        0.2,
        lambda: finding_of(apart, {"T1": swing, "T2": 20.0}, media=media).value[-1] / MICRO,
        1e-9,
    )
    named = rule(
        name="named",
        kind="difference",
        channels=("T2.temperature", "T1.temperature"),
        lower=None,
        upper=0.5,
        unit="K",
    )
    yield group.case(
        "channels that are named, first minus second",
        (-0.3, "T2–T1"),
        lambda: _value_label(finding_of(named, {"T1": 20.3, "T2": 20.0})),
        1e-9,
    )
    yield group.case(
        "the worst pair of two parts",
        "T3–T2",
        lambda: cell(finding_of(apart, {"T1": 20.1, "T2": 20.0, "T3": 20.4}, media={**media, "T3": "part"}))[
            4
        ],
    )
    yield group.case(
        "an air probe is no part",
        "NO_PROBE",
        lambda: word(finding_of(apart, {"T1": 20.1, "T2": 20.0}, media={"T2": "scale"})),
    )
    silent = np.full(N, np.nan)
    yield group.case(
        "one side silent",
        "NO_READING",
        lambda: word(finding_of(apart, {"T1": silent, "T2": 20.0}, media=media)),
    )


def _value_label(finding: Finding) -> tuple[float, str]:
    return float(finding.value[-1]) / MICRO, finding.labels[int(finding.label[-1])]
