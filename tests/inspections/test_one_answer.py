"""One question, every way of asking: the same verdict, reason, sentence, figures, offsets and digest.

The ways: the check alone, the whole answer, many at once, HTTP, page Inspections and its list, the lines and
rows of the command, issues of an inspection, what something affects, the stamp, the sentence for a record.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from dashboard.data.queries import Queries
from dashboard.data.source import Source
from dashboard.data.words import field_text
from dashboard.pages.inspections import _verdict_of
from dashboard.parts.check_answer import answer_card
from logger.acts import inspections as actions
from logger.acts.dispositions import Span
from logger.api import create_api
from logger.cli.answers import assessment_lines, inspection_row
from logger.config import example_folder, in_force, read_texts
from logger.core.measurement.stamp import read_stamp
from logger.errors import Refused
from logger.inspections import impact as affected
from logger.inspections.assess import assess, question_of
from logger.inspections.batch import assess_many
from logger.inspections.revisions import review
from logger.instants import NS, local, parse, rfc3339, wall
from logger.model import Inspection, Row, Setup
from logger.model.roles import Scope
from logger.people import Tokens
from logger.record.conditions import conditions
from logger.store import Store
from logger.verdicts.verdicts import Verdicts

VIENNA = ZoneInfo("Europe/Vienna")
MINUTE = 60 * NS
OFFSET = re.compile(r"(\d{4}-\d\d-\d\d) (\d\d:\d\d)(?::\d\d)? ([+-]\d\d:\d\d)")


@dataclass(frozen=True)
class Room:
    """A record with everything that can be asked, as of `now_ns`."""

    store: Store
    setup: Setup
    source: Source
    token: str
    now_ns: int
    spans: tuple[tuple[int, int], ...]


def opened(folder: Path, now_ns: int, spans: tuple[tuple[int, int], ...]) -> Iterator[Room]:
    with Store.open(folder) as store:
        token = Tokens(store).add("asker", {Scope.VERDICTS}, "test")[1]
        source = Source(folder)
        yield Room(store, in_force(store.setups.versions()).setup, source, token, now_ns, spans)
        source.store.close()


@pytest.fixture
def demo(demo_copy: Path) -> Iterator[Room]:
    """The two weeks of the demo."""
    ends = parse("2026-10-12T06:00", VIENNA), parse("2026-10-23T00:00", VIENNA)
    yield from opened(demo_copy, parse("2026-11-20", VIENNA), (ends,))


@pytest.fixture
def year(tmp_path: Path) -> Iterator[Room]:
    """Days around the clock changes of 2026-10-25 and 2027-03-28 in Vienna, on the example's setup.

    A quiet room but for 25 min out of limits before the change, and ten hours in the guard band after it.
    """
    folder, rng = tmp_path / "year", np.random.default_rng(17)
    spans = tuple(
        (parse(first, VIENNA), parse(last, VIENNA))
        for first, last in (("2026-10-23", "2026-10-27"), ("2027-03-26", "2027-03-30"))
    )
    with Store.open(folder, create=True, simulated=True) as store:
        actions.apply_setup(store, dict(read_texts(example_folder())), "test", "test", "test", 1)
        setup = in_force(store.setups.versions()).setup
        for key, channel in setup.channels.items():
            for span in spans:
                store.append("w", rows_of(key, channel.quantity, span, rng))
    yield from opened(folder, parse("2027-04-10", VIENNA), spans)


def rows_of(key: str, quantity: str, span: tuple[int, int], rng: np.random.Generator) -> list[Row]:
    """One reading a minute; P1 is silent for 40 min on the second day."""
    t = np.arange((span[1] - span[0]) // MINUTE)
    middle, swing = {"temperature": (20.0, 0.06), "relative_humidity": (50.0, 2.0)}.get(
        quantity, (960.0, 5.0)
    )
    values = middle + swing * np.sin(2 * np.pi * t / 1440) + rng.normal(0, swing / 30, len(t))
    if quantity == "temperature":
        values[2900:2925] += (
            0.6 if key[1] in "123" else 1.2
        )  # out of limits, two hours before the clock change
        values[3700:4300] += 0.40 if key[1] in "123" else 0.95  # in the guard band
    if key.startswith("P1"):
        values[1700:1740] = np.nan
    first = span[0] + 20 * NS
    finite = np.flatnonzero(np.isfinite(values))
    return [Row(key, first + int(i) * MINUTE, first + int(i) * MINUTE, float(values[i])) for i in finite]


def intervals(room: Room, count: int, seed: int) -> list[Inspection]:
    """Jobs of whole minutes, half of them within three hours of a clock change where there is one."""
    draw = random.Random(seed)
    jobs = []
    for n in range(count):
        span = draw.choice(room.spans)
        begin = draw.randrange(span[0] + 1440 * MINUTE, span[1] - 400 * MINUTE, MINUTE)
        change = clock_change(span)
        if n % 2 and change is not None:
            begin = change + draw.randrange(-180, 240) * MINUTE
        end = begin + draw.randrange(5, 300) * MINUTE
        zone = draw.choice(sorted(room.setup.zones))
        jobs.append(Inspection(f"J-{n}", zone, begin, end, f"Job {n}", person="Radek Sova"))
    return jobs


def clock_change(span: tuple[int, int]) -> int | None:
    """The instant within a span at which the offset of Vienna changes."""
    offsets = {ns: local(ns, VIENNA).utcoffset() for ns in range(span[0], span[1], 3600 * NS)}
    later = [ns for ns in offsets if offsets[ns] != offsets.get(ns - 3600 * NS, offsets[ns])]
    return later[0] if later else None


def told_everywhere(room: Room, jobs: list[Inspection]) -> list[dict[str, dict[str, Any]]]:
    """For each job: way of asking -> what was said."""
    now, verdicts = room.now_ns, Verdicts(room.store, room.setup)
    actions.add_inspections(room.store, room.setup, jobs, "Radek Sova")
    client = create_api(room.store, lambda: now).test_client()
    pages = Queries(room.source, lambda: now)
    issues = {job.key: issue for job, issue in review(room.store, verdicts, now)}
    many = assess_many(verdicts, [question_of(job, now) for job in jobs], now)
    everything = Span("probe", jobs[0].zone, "P1", 0, now)
    affects = {t.job.key: t for t in affected._impacts(verdicts, jobs, everything, now, None)}
    opened_ = SimpleNamespace(setup=room.setup, zone_info=VIENNA, store=room.store)
    result = []
    for job, answer in zip(jobs, many, strict=True):
        end_ns = job.to_ns or now
        first = assess(verdicts, question_of(job, now), now)
        assert answer.assessment is not None, answer.refused
        query = {"from": rfc3339(job.from_ns), "to": rfc3339(end_ns)}
        header = {"Authorization": f"Bearer {room.token}"}
        ends = {"from": field_text(job.from_ns, VIENNA.key), "to": field_text(end_ns, VIENNA.key)}
        query_of_page = {"zone": job.zone, **ends}
        issue, touched = issues[job.key], affects[job.key]
        word, reason = _verdict_of(job, answer.assessment.to_dict())
        result.append(
            {
                "whole": first.to_dict(),
                "check": verdicts.check(job.zone, job.from_ns, end_ns, now).to_dict(),
                "many": answer.assessment.to_dict(),
                "http": client.get(
                    f"/api/v1/zones/{job.zone}/verdict", query_string=query, headers=header
                ).get_json(),
                "row": inspection_row(job, answer),
                "issue": vars(issue),
                "affected": touched.to_dict(),
                "list": {"verdict": word, "reason": reason},
                "page": {"text": str(answer_card(pages, query_of_page))},
                "lines": {"text": "\n".join(assessment_lines(opened_, first))},  # type: ignore[arg-type]
                "record": {"statement": sentence_of(verdicts, job, now)},
            }
        )
    return result


def sentence_of(verdicts: Verdicts, job: Inspection, now_ns: int) -> str | None:
    try:
        return conditions(verdicts, job.zone, job.from_ns, job.to_ns or now_ns, now_ns).sentence
    except Refused:
        return None


def agree(ways: dict[str, dict[str, Any]]) -> None:
    """Every way says what the whole answer says, as far as it says it at all."""
    whole = ways["whole"]
    for way, answer in ways.items():
        for name in ("verdict", "reason", "because", "digest", "statement", "stamp", "leading"):
            assert answer.get(name, whole[name]) == whole[name], (way, name)
    for way in ("page", "lines"):
        text = ways[way]["text"]
        for expected in (whole["because"], whole["verdict"], whole["reason"], whole["stamp"]):
            assert expected in text, (way, expected)
        assert (whole["statement"] or "No certificate statement: the verdict is “not shown”.") in text, way
    assert read_stamp(whole["stamp"]).digest == whole["digest"]
    leads(whole)


def leads(whole: dict[str, Any]) -> None:
    """The reason belongs to the verdict; its figures and local times stand in the sentence."""
    not_stable, not_shown = ("nonconforming", "marked", "settling"), ("indeterminate", "guard band")
    verdict_of = dict.fromkeys(not_stable, "not stable") | dict.fromkeys(not_shown, "not shown")
    verdict_of["conforming"] = "stable"
    assert verdict_of[whole["reason"]] == whole["verdict"]
    lead = whole["leading"]
    if lead is None:
        assert whole["verdict"] == "stable"
        return
    assert lead["reason"] == whole["reason"]
    assert lead in whole["reasons"]
    assert wall(parse(lead["from"], VIENNA), VIENNA) in whole["because"]
    if lead["worst"] is not None and lead["unit"] == "degC":
        value = float(re.findall(r"([\d.]+) ±", whole["because"])[0])
        assert value == pytest.approx(lead["worst"], abs=0.0051)


def offsets_are_true(text: str) -> None:
    """Every time of day stands beside the offset that Vienna had then, by the zone database."""
    for day, clock, offset in OFFSET.findall(text):
        at = parse(f"{day}T{clock}{offset}", VIENNA)
        own = local(at, VIENNA).utcoffset() or timedelta()
        hours = int(own.total_seconds()) // 3600
        assert offset == f"+{hours:02d}:00", (day, clock, offset)


def asked_of(room: Room, count: int, seed: int) -> list[dict[str, dict[str, Any]]]:
    every = told_everywhere(room, intervals(room, count, seed))
    for ways in every:
        agree(ways)
        for way in ("page", "lines"):
            offsets_are_true(ways[way]["text"])
        offsets_are_true(ways["whole"]["because"] + str(ways["whole"]["statement"]))
    return every


@pytest.mark.slow
def test_the_demo_answers_alike_whichever_way_it_is_asked(demo: Room) -> None:
    """Four intervals; a hundred in the campaign."""
    assert len(asked_of(demo, 4, seed=1)) == 4


@pytest.mark.slow
def test_a_year_with_two_clock_changes_answers_alike(year: Room) -> None:
    """Six intervals, half of them around a clock change; a hundred in the campaign."""
    every = asked_of(year, 6, seed=2)
    assert {ways["whole"]["verdict"] for ways in every} == {"stable", "not stable", "not shown"}


@pytest.mark.long
def test_two_hundred_intervals_answer_alike(demo: Room, year: Room) -> None:
    """The whole: a hundred of each."""
    for room, seed in ((demo, 3), (year, 4)):
        verdicts = [ways["whole"]["verdict"] for ways in asked_of(room, 100, seed)]
        assert len(set(verdicts)) >= 2
