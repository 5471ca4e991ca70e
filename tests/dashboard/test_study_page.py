"""Page Room study: shows stored answers with their intervals, starts jobs, and computes nothing itself."""

from __future__ import annotations

import json
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dash import no_update

from dashboard.data.queries import Queries
from dashboard.data.study_jobs import StudyJob, StudyJobs
from dashboard.pages import study
from dashboard.parts.study_cards import job_lines
from logger.core.study.figure import Answer, absent, effect
from logger.errors import Refused
from logger.studies.jobs import jobs_of
from logger.studies.questions import QUESTIONS
from logger.studies.study import Study, StudyRequest, of_stored
from tests.dashboard.synthetic import HOUR, NOW, Synthetic


def text_of(component: Any) -> str:
    """All words of a component."""
    return json.dumps(component.to_plotly_json(), default=lambda o: o.to_plotly_json(), ensure_ascii=False)


def stored(record: Synthetic, channel: str = "P1.temperature") -> Study:
    """An invented answer in the record."""
    hours = list(range(24))
    tables = {"mean day": {"hour": hours, "mean": [0.1] * 24, "p10": [0.0] * 24, "p90": [0.2] * 24}}
    figures = (
        effect("amplitude of the day", 0.6, 0.55, 0.65, "K", n=20, method="least squares"),
        absent("amplitude of the week", "K", "8.0 days recorded.", "Record 28 days or more."),
    )
    answer = Answer("cycles", "Day ±0.60 K.", figures, ("A remark.",), tables)
    request = StudyRequest("cycles", "machine-bay", channel, NOW - 48 * HOUR, NOW)
    item = Study(request, answer, ("P1.temperature: 48.0 h used.",), "d" * 64, 1, "e" * 64, NOW, True)
    record.store.studies.put(item.stored())
    return item


def test_every_question_has_a_card_that_says_what_it_needs(q: Queries) -> None:
    """Without a stored answer each card says that nothing was computed, and what the question needs."""
    words = text_of(study.layout(q, "?zone=plate-bench"))
    for kind in QUESTIONS.values():
        assert kind.title in words
        assert f"Not computed yet. {kind.needs}" in words


def test_a_stored_answer_is_shown_with_interval_chart_and_tables(record: Synthetic, q: Queries) -> None:
    """Headline, interval, what is not shown and why, the chart, the table behind it, the data used."""
    stored(record)
    words = text_of(study.layout(q, "?zone=machine-bay"))
    for expected in (
        "Day ±0.60 K.",
        "0.600 K (0.550 to 0.650)",
        "not shown: 8.0 days recorded. Record 28 days or more.",
        "<svg",
        "mean day",
        "P1 temperature: 48.0 h used.",
        "A remark.",
    ):
        assert expected in words, expected


def test_channels_and_fields_are_called_by_their_words(record: Synthetic, q: Queries) -> None:
    """Keys of the setup are for files, options for the command line: neither leads an answer on the page."""
    item = stored(record)
    answer = replace(
        item.answer,
        question="events",
        headline="P1.temperature moves.",
        remarks=("--event: 3 of 9 times lie outside the interval and do not count.",),
    )
    request = replace(item.request, question="events")
    record.store.studies.put(replace(item, request=request, answer=answer, digest="a" * 64).stored())
    words = text_of(study.layout(q, "?zone=machine-bay"))
    assert "P1 temperature moves." in words
    assert "Times of the events, local, separated by commas: 3 of 9 times lie outside" in words
    assert "--event" not in words


def test_a_figure_of_an_earlier_version_says_so(record: Synthetic) -> None:
    """Stored without an interval and without a reason, as earlier versions did: it is read, and says why."""
    row = stored(record).stored()
    body = json.loads(row.body)
    body["figures"][0] |= {"low": None, "high": None}
    for figure in body["figures"]:
        del figure["no_interval"]
    read = of_stored(replace(row, body=json.dumps(body)))
    assert read.answer.figures[0].text.endswith(
        "no interval: computed by an earlier version; compute it again."
    )


def test_the_form_is_filled_with_local_times(record: Synthetic, q: Queries) -> None:
    """Instants of the last answer are stored in UTC; the fields have them in local time, with an offset."""
    item = stored(record)
    options = {"events": ["2026-10-19T07:30:00Z", "2026-10-20T05:00:30Z"]}
    request = replace(item.request, question="events", options=options)
    answer = replace(item.answer, question="events")
    record.store.studies.put(replace(item, request=request, answer=answer, digest="f" * 64).stored())
    words = text_of(study.layout(q, "?zone=machine-bay"))
    assert "2026-10-19T09:30+02:00, 2026-10-20T07:00:30+02:00" in words
    assert "07:30:00Z" not in words


def test_another_channel_has_no_answer(record: Synthetic, q: Queries) -> None:
    """An answer about P1 is not shown for P2."""
    stored(record)
    assert "Day ±0.60 K." not in text_of(study.layout(q, "?zone=machine-bay&channel=P2.temperature"))


def test_what_cannot_be_read_keeps_the_form_and_says_why(q: Queries) -> None:
    """An end before the start, and no instant at all."""
    words = text_of(study.layout(q, "?from=2026-10-20T00:00&to=2026-10-19T00:00"))
    assert "“To” must be later than “From”" in words
    assert "study-show" in words
    assert "From" in text_of(study.layout(q, "?from=yesterday"))


def test_a_view_becomes_the_words_of_the_command(q: Queries) -> None:
    """Zone, channel and interval, in UTC."""
    view = study.view_of(q, "?zone=machine-bay&channel=P1.temperature&from=2026-10-19T10:00Z")
    words = study.arguments_of(view, "cycles", {})
    assert words[:5] == ["cycles", "--zone", "machine-bay", "--channel", "P1.temperature"]
    assert words[5:] == ["--from", "2026-10-19T10:00:00Z"]


def test_jobs_of_the_last_answer_are_the_same_jobs_when_they_are_sent_again(
    record: Synthetic, q: Queries
) -> None:
    """Joined by blanks, “Ring gear=3 Bores=2” would be one job of two hours."""
    item = stored(record)
    request = replace(item.request, question="plan", options={"jobs": ["Ring gear=3", "Bores=2"]})
    answer = replace(item.answer, question="plan")
    record.store.studies.put(replace(item, request=request, answer=answer, digest="e" * 64).stored())
    assert '"Ring gear=3, Bores=2"' in text_of(study.layout(q, "?zone=machine-bay"))
    assert [(job.name, job.hours) for job in jobs_of("Ring gear=3, Bores=2")] == [
        ("Ring gear", 3),
        ("Bores", 2),
    ]
    with pytest.raises(Refused, match="found 'Ring gear=3 Bores=2'"):
        jobs_of("Ring gear=3 Bores=2")


def test_what_was_filled_in_becomes_an_option(q: Queries) -> None:
    """An empty field is left out; a value cannot become an option of its own."""
    view = study.view_of(q, "?zone=machine-bay")
    words = study.arguments_of(view, "events", {"events": "--data /etc"})
    assert words == ["events", "--zone", "machine-bay", "--event=--data /etc"]
    assert study.arguments_of(view, "hours", {"hours": " "}) == ["hours", "--zone", "machine-bay"]


@pytest.mark.slow
def test_a_refused_job_says_the_sentence_of_the_command(tmp_path: Path) -> None:
    """The last line of the command stands on the page; the same question is not started twice."""
    jobs = StudyJobs(tmp_path / "nowhere")
    jobs.start("What is regular? Bay", ["cycles", "--zone", "bay"])
    with pytest.raises(Refused, match="computed already"):
        jobs.start("What is regular? Bay", ["cycles", "--zone", "bay"])
    until_s = time.monotonic() + 120
    while jobs.listed()[0].open and time.monotonic() < until_s:
        time.sleep(0.05)
    (job,) = jobs.listed()
    assert job.state == "refused"
    assert "There is no data folder" in job.word
    assert jobs.ended == 1
    assert jobs.done_since(0) == []
    assert "There is no data folder" in text_of(job_lines(jobs.listed())[0])


def test_a_job_that_ends_draws_its_own_card_and_no_other(record: Synthetic, q: Queries) -> None:
    """What a person types in another card meanwhile, or in the card of a job that is refused, stays."""
    stored(record)
    view = study.view_of(q, "?zone=machine-bay")
    answer = StudyJob("What is regular?", ("cycles", "--zone", "machine-bay"), state="done", number=1)
    drawn = study.answered(q, view, [answer], {}).to_plotly_json()["operations"]
    assert [(item["operation"], item["location"]) for item in drawn] == [("Assign", [1])]
    assert "Day ±0.60 K." in text_of(drawn[0]["params"]["value"])
    elsewhere = StudyJob("What is regular?", ("cycles", "--zone", "plate-bench"), state="done", number=2)
    assert study.answered(q, view, [elsewhere], {}) is no_update
    assert study.answered(q, view, [], {}) is no_update


def test_what_was_typed_while_the_answer_was_computed_stays(record: Synthetic, q: Queries) -> None:
    stored(record)
    view = study.view_of(q, "?zone=machine-bay")
    name = study.QUESTIONS["events"].fields[0].name
    job = StudyJob("Events", ("events", "--zone", "machine-bay"), state="done", number=1)
    drawn = study.answered(q, view, [job], {"events": {name: "2026-10-12 08:15"}})
    assert "2026-10-12 08:15" in json.dumps(drawn.to_plotly_json(), default=lambda c: c.to_plotly_json())


def test_answers_hold_no_number_that_json_does_not_know(record: Synthetic) -> None:
    """Not-a-number in a table is stored as none."""
    from logger.studies.study import plain

    assert plain({"a": np.array([1.0, np.nan]), "b": (np.float64(2), np.int64(3))}) == {
        "a": [1.0, None],
        "b": [2.0, 3],
    }
