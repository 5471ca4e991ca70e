"""A printed verdict of a registered inspection is a numbered revision: every stamp leads to one, for good."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from logger.acts import inspections as actions
from logger.acts.marks import mark
from logger.acts.setup import apply_setup
from logger.config import in_force
from logger.core.measurement.stamp import read_stamp
from logger.inspections.assess import Question, assess, question_of
from logger.inspections.revisions import issues, review, revise_assessment
from logger.inspections.stamps import trace_stamp
from logger.instants import NS, rfc3339
from logger.model import Inspection, Mark
from logger.service.inspection_jobs import InspectionJobs
from logger.store import Store
from logger.verdicts.verdicts import Verdicts
from tests.command_line import run_here
from tests.inspections.test_attending import letters
from tests.inspections.test_lists import NOW

HOUR = 3600 * NS
RECALIBRATION = """
number = "AG-0588-T"
channel = "P1.temperature"
serial = "AG-0411"
issuer = "Traunfeld Calibration Laboratory"
accreditation = "invented, TF-018"
calibrated_on = 2026-11-10
valid_from = 2026-11-12
due_on = 2027-11-10
unit = "degC"
k = 2.0
range = [15.0, 30.0]
drift = 0.06
drift_basis = "as before"
other_u = 0.015
as_found_model = "linear"

[[points]]
indication = 20.10
reference = 20.00
U = 0.06

[[as_found]]
indication = 20.11
reference = 20.00
error = 0.11
"""


@pytest.fixture
def store(demo_copy: Path) -> Iterator[Store]:
    with Store.open(demo_copy) as opened:
        yield opened


def verdicts_of(store: Store) -> Verdicts:
    return Verdicts(store, in_force(store.setups.versions()).setup)


def hundred(store: Store) -> list[Inspection]:
    """Jobs of 40 min, two hours apart, from 13 October on; the history ends on the 26th."""
    begin = 1_791_849_600 * NS  # 2026-10-13T00:00:00Z
    starts = {f"J-{n:03d}": begin + 2 * n * HOUR for n in range(100)}
    return [Inspection(key, "machine-bay", at, at + 40 * 60 * NS, key) for key, at in starts.items()]


def printed(store: Store, job: Inspection, now_ns: int, way: str = "command") -> str:
    """The stamp as check, the page and HTTP print it."""
    verdicts = verdicts_of(store)
    assessment = assess(verdicts, Question(job.zone, job.from_ns, job.to_ns or 0), now_ns)
    revise_assessment(verdicts, assessment, now_ns, way)
    return str(assessment.to_dict()["stamp"])


def recalibrate(store: Store) -> None:
    """The next calibration of P1 finds 0.11 K at 20 °C, and the change is taken as linear."""
    texts = {**in_force(store.setups.versions()).texts, "certificates/AG-0588-T.toml": RECALIBRATION}
    apply_setup(store, texts, "Greta Holm", "P1 recalibrated", "Ines Faber", NOW)


@pytest.mark.slow
def test_a_hundred_stamps_lead_to_their_revision_after_a_recalibration(store: Store, demo_copy: Path) -> None:
    """No service ever ran: import, check each, recalibrate with an as-found error; 100 of 100 resolve."""
    jobs = hundred(store)
    actions.add_inspections(store, verdicts_of(store).setup, jobs, "Greta Holm")
    verdicts = verdicts_of(store)
    stamps = {}
    for job in jobs:
        assessment = assess(verdicts, Question(job.zone, job.from_ns, job.to_ns or 0), NOW)
        revise_assessment(verdicts, assessment, NOW, "command")
        stamps[job.key] = str(assessment.to_dict()["stamp"])
    assert all((t := trace_stamp(store, read_stamp(s))) and t.holds for s in stamps.values())

    recalibrate(store)
    review(store, verdicts_of(store), NOW)
    traces = {key: trace_stamp(store, read_stamp(stamp)) for key, stamp in stamps.items()}
    resolved = [t for t in traces.values() if t is not None]
    assert len(resolved) == 100
    assert {t.revision.inspection for t in resolved} == set(stamps)
    assert {(t.revision.number, len(t.later), t.altered) for t in resolved} == {(1, 1, "")}
    assert {t.later[0].cause for t in resolved} == {"setup 2: P1 recalibrated"}
    assert store.verify().intact
    code = run_here("check", "--stamp", stamps["J-007"], "--data", demo_copy, "--json")
    answer = json.loads(code.stdout)
    assert (code.returncode, answer["stamp_holds"]) == (12, False)
    assert answer["stamp_trace"]["inspection"] == "J-007"
    assert [r["number"] for r in answer["stamp_trace"]["replaced_by"]] == [2]


@pytest.mark.slow
def test_the_stamp_of_check_says_what_replaced_it_though_no_service_ran(
    store: Store, demo_copy: Path
) -> None:
    """From printing to asking by commands alone: the answer to the stamp writes revision 2 itself."""
    (job,) = (j for j in actions.inspections(store) if j.key == "I-2601")
    ends = ("--from", rfc3339(job.from_ns), "--to", rfc3339(job.to_ns or 0))
    first = run_here("check", "--zone", "machine-bay", *ends, "--data", demo_copy, "--json")
    stamp = json.loads(first.stdout)["stamp"]
    (issue,) = issues(store)["I-2601"]
    assert (issue.number, issue.way, issue.digest in stamp) == (1, "command", True)
    holds = run_here("check", "--stamp", stamp, "--data", demo_copy)
    assert holds.returncode == 0
    assert "The stamp holds: revision 1 of inspection I-2601, printed 2026-" in holds.stdout
    recalibrate(store)
    result = run_here("check", "--stamp", stamp, "--data", demo_copy)
    words = " ".join(result.stdout.split())
    assert result.returncode == 12
    assert "The stamp is out of date. It is revision 1 of inspection I-2601" in words
    assert "Replaced by revision 2 on 20" in words
    assert ", because of setup 2: P1 recalibrated: " in words


def test_a_stamp_of_provisional_minutes_leads_on_to_the_final_one(store: Store) -> None:
    """Printed a minute after the stop, again a day later: revision 1 is provisional, 2 is final."""
    (job,) = (j for j in actions.inspections(store) if j.key == "I-2601")
    young = printed(store, job, (job.to_ns or 0) + 60 * NS, "http")
    assert read_stamp(young).provisional
    (issue,) = issues(store)["I-2601"]
    assert issue.provisional
    final = printed(store, job, NOW, "page")
    trace = trace_stamp(store, read_stamp(young))
    assert trace is not None
    assert [(i.number, i.provisional, i.way) for i in trace.later] == [(2, False, "page")]
    last = trace_stamp(store, read_stamp(final))
    assert last is not None
    assert last.holds


def test_lists_and_imports_write_revisions_and_say_their_number(store: Store, demo_copy: Path) -> None:
    listed = json.loads(run_here("inspection", "list", "--data", demo_copy, "--json").stdout)
    assert {row["key"]: row["revision"] for row in listed} == {f"I-260{n}": 1 for n in range(1, 7)}
    assert {key: [i.digest for i in each] for key, each in issues(store).items()} == {
        row["key"]: [row["digest"]] for row in listed
    }


def test_another_question_about_the_same_time_is_no_revision(store: Store) -> None:
    """With another pre-window, or of a part of the time, it is not the verdict on the inspection."""
    (job,) = (j for j in actions.inspections(store) if j.key == "I-2601")
    verdicts = verdicts_of(store)
    for question in (
        Question(job.zone, job.from_ns, job.to_ns or 0, 60),
        Question(job.zone, job.from_ns, (job.to_ns or 0) - HOUR),
    ):
        assert revise_assessment(verdicts, assess(verdicts, question, NOW), NOW, "command") == []
    assert issues(store) == {}


def test_an_altered_stamp_is_named(store: Store, demo_copy: Path) -> None:
    """The digest of a verdict "not stable" beside the word "stable"."""
    (job,) = (j for j in actions.inspections(store) if j.key == "I-2603")
    stamp = printed(store, job, NOW)
    assert "not stable" in stamp
    result = run_here("check", "--stamp", stamp.replace("not stable", "stable"), "--data", demo_copy)
    assert result.returncode == 12
    assert "verdict printed: not stable, now: stable" in " ".join(result.stdout.split())


@pytest.mark.slow
def test_who_is_concerned_is_told_also_of_a_change_that_a_command_printed_first(store: Store) -> None:
    """A mark makes I-2601 not stable; a command prints that; the service tells it once, and once only."""
    config = in_force(store.setups.versions())
    InspectionJobs(store, config).turn(NOW)
    (job,) = (j for j in actions.inspections(store) if j.key == "I-2601")
    mark(store, config.setup, Mark("machine-bay", job.from_ns, job.to_ns or 0, "door open", "Greta Holm"))
    printed(store, job, NOW)
    assert [i.cause for i in issues(store)["I-2601"]] == ["", "time marked: door open"]
    assert not [s for s in letters(store) if "I-2601" in s]
    for start in range(3):
        InspectionJobs(store, config).turn(NOW + start * HOUR)
    recipients = sum(len(route.recipients) for route in config.mail)
    assert len([s for s in letters(store) if "inspection I-2601 was stable" in s]) == recipients


def test_what_still_runs_has_no_revision_yet(store: Store) -> None:
    job = Inspection("R-1", "machine-bay", 0, None, "Ring", person="Radek Sova")
    started = actions.start_inspection(store, verdicts_of(store).setup, job, "Radek Sova", NOW - HOUR)
    question = replace(question_of(started, NOW), features=())
    assessment = assess(verdicts_of(store), question, NOW)
    assert revise_assessment(verdicts_of(store), assessment, NOW, "command") == []
