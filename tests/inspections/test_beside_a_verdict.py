"""What is said beside a verdict is chosen once: every way of asking gives the same reason and figures."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from dashboard.pages.inspections import _verdict_of
from logger.acts import inspections as actions
from logger.acts.dispositions import Span
from logger.cli.answers import inspection_row
from logger.inspections import impact as affected
from logger.inspections.assess import question_of
from logger.inspections.batch import assess_many
from logger.inspections.revisions import review
from logger.inspections.setup_impact import changed_verdicts
from logger.instants import NS
from logger.model import Inspection, Row, Setup
from logger.store import Store
from logger.verdicts.verdicts import Verdicts


@pytest.fixture
def setup(build: SimpleNamespace) -> Setup:
    """Band 19 °C to 21 °C, U 0.2 K, no settling."""
    return build.setup((build.rule(),), settling_s=0)


@pytest.fixture
def job(store: Store, setup: Setup, build: SimpleNamespace) -> Inspection:
    """From 10:00 to 11:00 at 20.9 °C, in the guard band of 21 °C; 21.5 °C from 9:00 to 9:10, before it."""
    values = np.full(1440, 20.0)
    values[540:550] = 21.5
    values[600:660] = 20.9
    first = build.at(0) + 30 * NS
    taken = [first + i * 60 * NS for i in range(len(values))]
    store.append("w", [Row("T1.temperature", t, t, float(v)) for t, v in zip(taken, values, strict=True)])
    inspection = Inspection("R-1", "bay", build.at(10), build.at(11), "Ring")
    actions.add_inspection(store, setup, inspection, "Radek Sova")
    return inspection


def test_the_reason_belongs_to_the_verdict_wherever_it_stands(
    store: Store, setup: Setup, job: Inspection, build: SimpleNamespace
) -> None:
    """Not stable by its pre-window, in the guard band inside: "nonconforming" everywhere."""
    verdicts, now = Verdicts(store, setup), build.at(48)
    check = verdicts.check("bay", job.from_ns, job.to_ns or 0, now)
    assert (check.verdict, check.reason) == ("not stable", "nonconforming")
    ((_, issue),) = review(store, verdicts, now)
    (touched,) = affected._impacts(verdicts, [job], Span("probe", "bay", "T1", 0, now), now, None)
    (answer,) = assess_many(verdicts, [question_of(job, now)], now)
    assert answer.assessment is not None
    row, page = inspection_row(job, answer), _verdict_of(job, answer.assessment.to_dict())
    ways = [issue, touched, SimpleNamespace(**row), SimpleNamespace(verdict=page[0], reason=page[1])]
    assert {(way.verdict, way.reason) for way in ways} == {("not stable", "nonconforming")}
    assert issue.because == row["because"] == check.because
    wider = replace(setup, rules=tuple(replace(r, upper=22.0) for r in setup.rules))
    (change,) = changed_verdicts(store, setup, wider, now)
    assert (change.was, change.becomes) == ("not stable (nonconforming)", "stable (conforming)")


def test_the_sentence_has_figures_and_local_times(
    store: Store, setup: Setup, job: Inspection, build: SimpleNamespace
) -> None:
    """21.5 °C ± 0.2 K is 0.5 K above 21 °C; nine to ten past nine in UTC, the time of that room."""
    check = Verdicts(store, setup).check("bay", job.from_ns, job.to_ns or 0, build.at(48))
    assert check.because == (
        "Temperature 21.50 ± 0.20 °C at T1, 0.50 K above 21 °C; "
        "before the start, 2026-03-10 09:00 +00:00 to 09:10."
    )


def test_time_for_which_no_limit_is_in_force_is_said(
    store: Store, setup: Setup, job: Inspection, build: SimpleNamespace
) -> None:
    """Limits that begin at noon: nothing is shown of the hour before, and the answer says why."""
    later = replace(setup, rules=tuple(replace(r, from_ns=build.at(12)) for r in setup.rules))
    check = Verdicts(store, later).check("bay", job.from_ns, job.to_ns or 0, build.at(48))
    assert (check.verdict, check.reason) == ("not shown", "indeterminate")
    assert check.because.startswith("No limit is in force; 2026-03-10 10:00 +00:00 to 11:00")


def test_an_instant_keeps_its_nanoseconds(
    store: Store, setup: Setup, job: Inspection, build: SimpleNamespace
) -> None:
    """Two intervals that differ by a nanosecond are two: in the text and in the digest (RFC 3339)."""
    verdicts, ends = Verdicts(store, setup), (job.from_ns, job.to_ns or 0)
    first, other = (verdicts.check("bay", ends[0] + n, ends[1], build.at(48)).to_dict() for n in (1, 2))
    assert (first["from"], other["from"]) == (
        "2026-03-10T10:00:00.000000001Z",
        "2026-03-10T10:00:00.000000002Z",
    )
    assert first["digest"] != other["digest"]
