"""Metrics, read by the reference parser of another make (prometheus-client) in both text formats."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.api import create_api
from logger.instants import NS
from logger.model.roles import Scope
from logger.people import Tokens
from logger.service.heartbeat import beat
from logger.service.metrics import OPENMETRICS, PLAIN, Family, Sample, text_of
from logger.store import Store
from tests.programs import library

openmetrics = library("prometheus_client.openmetrics.parser")
plain = library("prometheus_client.parser")
OPEN = "application/openmetrics-text; version=1.0.0"
ODD = 'a "b" \\ c\nd'  # what has to be escaped


@pytest.fixture
def ask(demo_copy: Path) -> Iterator[Any]:
    """ask(accept) -> the answer, with a heartbeat as the service writes it."""
    with Store.open(demo_copy) as store:
        token = Tokens(store).add("watcher", {Scope.HEALTH}, "test")[1]
        polls = {"P1": {"ok": 7, "timeout": 2}}
        at = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
        beat(demo_copy, {"at": at, "queue": 3, "readings_lost": 0, "polls": polls})
        client = create_api(store).test_client()
        head = {"Authorization": f"Bearer {token}"}
        yield lambda accept: client.get(
            "/api/v1/metrics", headers={**head, "Accept": accept} if accept else head
        )


def samples(families: Any) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in families
        for sample in family.samples
    }


def test_both_forms_say_the_same(ask: Any) -> None:
    answers = ask(OPEN), ask("text/plain;version=0.0.4")
    assert [a.content_type.partition(";")[0] for a in answers] == [
        "application/openmetrics-text",
        "text/plain",
    ]
    families = list(openmetrics.text_string_to_metric_families(answers[0].text))
    new, old = samples(families), samples(plain.text_string_to_metric_families(answers[1].text))
    steady = {key: value for key, value in new.items() if "age" not in key[0] and "free" not in key[0]}
    assert steady == {key: old[key] for key in steady}
    assert new.keys() == old.keys()
    assert new["stillroom_polls_total", (("probe", "P1"), ("status", "timeout"))] == 2.0
    assert new["stillroom_queue_rows", ()] == 3.0
    kinds = {family.name: family.type for family in families}
    assert kinds["stillroom_zone_verdict"] == "stateset"
    assert kinds["stillroom_polls"] == "counter"
    assert kinds["stillroom"] == "info"


def test_each_zone_has_one_verdict_and_no_value_is_told(ask: Any) -> None:
    """The history is of October and nothing judges it: not shown. No degree is among the units."""
    families = list(openmetrics.text_string_to_metric_families(ask(OPEN).text))
    (verdicts,) = (family for family in families if family.name == "stillroom_zone_verdict")
    shown = {(s.labels["zone"], s.labels["stillroom_zone_verdict"]) for s in verdicts.samples if s.value}
    assert shown == {("machine-bay", "not shown"), ("plate-bench", "not shown")}
    assert {family.unit for family in families} <= {"", "seconds", "rows", "bytes"}


def test_what_nobody_asks_for_is_the_older_form(ask: Any) -> None:
    assert ask("").content_type.startswith("text/plain")
    assert ask("*/*").content_type.startswith("text/plain")
    scraper = "application/openmetrics-text;version=1.0.0;q=0.6,text/plain;version=0.0.4;q=0.5,*/*;q=0.1"
    assert ask(scraper).content_type.startswith("application/openmetrics-text")


@pytest.mark.parametrize("form", [OPENMETRICS, PLAIN])
def test_labels_come_back_whole(form: str) -> None:
    family = Family("stillroom_x", "gauge", f"what {ODD}", [Sample(0.25, {"probe": ODD})])
    parse = (openmetrics if form == OPENMETRICS else plain).text_string_to_metric_families
    (back,) = parse(text_of([family], form))
    assert (back.samples[0].labels, back.samples[0].value) == ({"probe": ODD}, 0.25)


def test_polls_are_counted_by_what_came_of_them(tmp_path: Path) -> None:
    """One poll of a probe with two channels is one poll; one faulty value makes it none that is in order."""
    from logger.model import Row
    from logger.service.sources import Sources
    from logger.service.writer import Writer

    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        sources = Sources(store, Writer(store))
        at_ns = time.time_ns()
        good = [Row(f"P1.{name}", at_ns, at_ns + NS, 20.0) for name in ("temperature", "relative_humidity")]
        bad = [Row("P1.temperature", at_ns, at_ns + NS, None, "timeout")]
        for rows in (good, good, bad):
            sources._rows(rows)
        assert sources.status()["polls"] == {"P1": {"ok": 2, "timeout": 1}}
