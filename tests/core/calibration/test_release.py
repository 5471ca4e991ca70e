"""Overdue time that a later certificate releases: by what it found, and only up to its calibration."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from logger import config
from logger.core.validity.timeline import first_affected
from logger.core.validity.versions import Version, effective_setup
from logger.errors import ConfigError
from logger.model import REASONS, AsFound, Certificate, Setup


def papers(build: SimpleNamespace, error: float = 0.05, why: str = "the laboratory was late") -> Setup:
    """Overdue from 08:00 on, calibrated at 14:00, in use again from 16:00; drift allowed ±0.08 K."""
    setup = build.setup((build.rule(),))
    old: Certificate = replace(setup.certificates[0], due_ns=build.at(8), drift=0.08)
    new = replace(
        old, number="C2", valid_from_ns=build.at(16), calibrated_ns=build.at(14), due_ns=None,
        as_found=AsFound((20.0,), (error,)), releases_overdue=why,
    )  # fmt: skip
    return replace(setup, certificates=(old, new))


def reasons(build: SimpleNamespace, setup: Setup) -> list[tuple[int, str]]:
    """(hour at which it begins, reason) of each run of a day at 20 degC."""
    reason = build.judged(setup, {"T1": build.series(np.full(1440, 20.0))}).reason
    edges = [0, *(np.flatnonzero(np.diff(reason)) + 1).tolist()]
    return [(edge // 60, REASONS[int(reason[edge])]) for edge in edges]


def test_released_time_supports_verdicts_up_to_the_calibration(build: SimpleNamespace) -> None:
    assert reasons(build, papers(build)) == [(0, "conforming"), (14, "indeterminate"), (16, "conforming")]


@pytest.mark.parametrize(
    ("error", "why"), [(0.081, "late"), (-0.2, "late"), (0.05, "")], ids=["beyond", "other sign", "not asked"]
)
def test_otherwise_it_stays_overdue(build: SimpleNamespace, error: float, why: str) -> None:
    setup = papers(build, error, why)
    assert reasons(build, setup) == [(0, "conforming"), (8, "indeterminate"), (16, "conforming")]


def test_an_error_of_just_the_drift_is_within_it(build: SimpleNamespace) -> None:
    assert reasons(build, papers(build, error=-0.08))[1] == (14, "indeterminate")


def test_without_errors_as_found_nothing_is_released(build: SimpleNamespace) -> None:
    setup = papers(build)
    bare = replace(setup.certificates[1], as_found=None)
    setup = replace(setup, certificates=(setup.certificates[0], bare))
    assert reasons(build, setup)[1] == (8, "indeterminate")


def test_a_withdrawn_certificate_is_not_released(build: SimpleNamespace) -> None:
    setup = papers(build)
    removed = replace(setup.certificates[0], withdrawn_ns=build.at(9))
    setup = replace(setup, certificates=(removed, setup.certificates[1]))
    assert reasons(build, setup)[1] == (9, "indeterminate")


def test_the_act_judges_again_from_the_day_it_was_due(build: SimpleNamespace) -> None:
    """A later version of the setup says so: what was judged before 08:00 is not touched."""
    without = papers(build, why="")
    both = effective_setup([Version(without, 0), Version(replace(papers(build), version=2), build.at(20))])
    assert first_affected(without, both, "bay") == build.at(8)
    assert reasons(build, both) == reasons(build, papers(build))


def texts(drift: str, error: str) -> dict[str, str]:
    """The example with a second certificate of P1, a year later, that releases overdue time."""
    example = config.read_texts(config.example_folder())
    old = example["certificates/AG-0411-T.toml"]
    new = old.replace('"AG-0411-T"', '"AG-0411-T2"').replace("= 2026-09-08", "= 2027-10-01", 1)
    new = new.replace("valid_from = 2026-10-01", "valid_from = 2027-10-10")
    new = new.replace("due_on = 2027-09-08", "due_on = 2028-10-01")
    head, mark, points = new.partition("\n[[points]]")
    output = '\nreleases_overdue = "the laboratory was late"\n' + mark + points + error
    old = old.replace("\ndrift = 0.06", f"\ndrift = {drift}")
    return example | {"certificates/AG-0411-T.toml": old, "certificates/AG-0411-T2.toml": head + output}


FOUND = "\n[[as_found]]\nindication = 20.05\nreference = 20.00\n"


def test_the_file_of_the_later_certificate_says_so() -> None:
    setup = config.load_texts(texts("0.08", FOUND)).setup
    (later,) = [c for c in setup.certificates if c.number == "AG-0411-T2"]
    assert later.releases_overdue == "the laboratory was late"


@pytest.mark.parametrize(
    ("drift", "error", "expected"),
    [("0.02", FOUND, "where 0.02 is allowed"), ("0.08", "", "no errors as found")],
)
def test_what_cannot_be_released_is_refused(drift: str, error: str, expected: str) -> None:
    with pytest.raises(ConfigError) as refused:
        config.load_texts(texts(drift, error))
    (fault,) = [str(f) for f in refused.value.faults]
    assert "releases_overdue" in fault
    assert expected in fault
