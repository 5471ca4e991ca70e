"""What cannot be judged gives a typed error or "indeterminate" with its reason; never a wrong number."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from logger.errors import Refused, UnitError
from logger.model import REASONS, Conformity
from logger.model.reasons import Why
from logger.series import Readings


def steady(build: SimpleNamespace) -> Readings:
    return build.series(20.0 + 0.1 * np.sin(np.arange(1440) / 50))


def part(readings: Readings, which: slice | np.ndarray) -> Readings:
    return Readings(*(column[which] for column in vars(readings).values()))


def test_times_that_run_backwards_are_refused(build: SimpleNamespace) -> None:
    back = part(steady(build), slice(None, None, -1))
    with pytest.raises(Refused, match=r"T1\.temperature are not in order of time"):
        build.judged(build.setup((build.rule(),)), {"T1": back})


def test_one_pair_out_of_order_is_refused(build: SimpleNamespace) -> None:
    order = np.arange(1440)
    order[[700, 701]] = 701, 700
    with pytest.raises(Refused, match="not in order of time"):
        build.judged(build.setup((build.rule(),)), {"T1": part(steady(build), order)})


def test_an_instant_told_twice_counts_as_one(build: SimpleNamespace) -> None:
    once, setup = steady(build), build.setup((build.rule(),))
    twice = part(once, np.repeat(np.arange(1440), 2))
    findings = [build.judged(setup, {"T1": readings}).findings[0] for readings in (once, twice)]
    np.testing.assert_array_equal(findings[0].value, findings[1].value)


@pytest.mark.parametrize("wild", [np.inf, -np.inf, np.nan])
def test_what_is_no_number_takes_no_part(build: SimpleNamespace, wild: float) -> None:
    readings = steady(build)
    readings.value[700:720] = wild
    judgement = build.judged(build.setup((build.rule(),)), {"T1": readings})
    assert set(judgement.findings[0].why[705:715].tolist()) == {Why.NO_READING}
    assert np.nanmax(judgement.findings[0].value) <= 20_100_000


@pytest.mark.parametrize("kind", ["limit", "span", "slope"])
@pytest.mark.parametrize("n", [0, 1])
def test_hardly_any_readings_show_nothing(build: SimpleNamespace, kind: str, n: int) -> None:
    lower = 19.0 if kind == "limit" else None
    rule = build.rule(kind=kind, window_s=3600, unit="K", lower=lower)
    judgement = build.judged(build.setup((rule,)), {"T1": part(steady(build), slice(700, 700 + n))})
    visible = np.flatnonzero(judgement.reason != REASONS.index("indeterminate"))
    assert visible.tolist() == ([700] if (kind, n) == ("limit", 1) else [])


@pytest.mark.parametrize(("kind", "days"), [("span", 30), ("slope", 2)])
def test_a_window_longer_than_the_record_shows_nothing(build: SimpleNamespace, kind: str, days: int) -> None:
    rule = build.rule(kind=kind, window_s=days * 86_400, lower=None, upper=0.8, unit="K")
    finding = build.judged(build.setup((rule,)), {"T1": steady(build)}).findings[0]
    assert set(finding.conformity.tolist()) == {Conformity.INDETERMINATE}
    assert set(finding.why[120:].tolist()) <= {Why.INCOMPLETE, Why.GAP}
    assert np.isnan(finding.value).all()


@pytest.mark.parametrize("direction", ["pair", "vertical", "horizontal"])
def test_two_probes_at_one_point_have_no_gradient(build: SimpleNamespace, direction: str) -> None:
    rule = build.rule(kind="gradient", direction=direction, lower=None, upper=0.5, unit="K/m", d_min_m=0.0)
    setup = build.setup((rule,), {"T1": (1, 1, 1), "T2": (1, 1, 1)})
    finding = build.judged(setup, {"T1": steady(build), "T2": steady(build)}).findings[0]
    assert set(finding.conformity.tolist()) == {Conformity.INDETERMINATE}


def test_limits_the_wrong_way_round_are_refused(build: SimpleNamespace) -> None:
    with pytest.raises(Refused, match=r"wrong way round: 21\.0 to 19\.0"):
        build.judged(build.setup((build.rule(lower=21.0, upper=19.0),)), {"T1": steady(build)})


@pytest.mark.parametrize("window_s", [0, -60, 90])
def test_a_window_that_is_none_is_refused(build: SimpleNamespace, window_s: int) -> None:
    rule = build.rule(kind="span", window_s=window_s, lower=None, upper=0.8, unit="K")
    with pytest.raises(Refused, match="expected whole cells of 60 s"):
        build.judged(build.setup((rule,)), {"T1": steady(build)})


def test_a_limit_that_is_no_number_shows_nothing(build: SimpleNamespace) -> None:
    finding = build.judged(build.setup((build.rule(upper=np.nan),)), {"T1": steady(build)}).findings[0]
    assert set(finding.conformity.tolist()) == {Conformity.INDETERMINATE}


def test_a_unit_of_another_quantity_is_refused(build: SimpleNamespace) -> None:
    setup = build.setup((build.rule(),))
    wrong = replace(setup.channels["T1.temperature"], unit="hPa")
    with pytest.raises(UnitError, match="'hPa' is no unit of temperature"):
        build.judged(replace(setup, channels={"T1.temperature": wrong}), {"T1": steady(build)})
