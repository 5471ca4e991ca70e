"""Two pages for managers with the sums of the review, and the hand-over: one line an event."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from dashboard.data.queries import Queries
from dashboard.data.source import Source
from dashboard.pages.journal import layout
from logger.acts import inspections as actions
from logger.acts import marks, work_stops
from logger.config import in_force
from logger.errors import Refused
from logger.handouts.hand_over import hand_over
from logger.handouts.management import lost_by_month, management_pages
from logger.instants import NS, to_ns
from logger.model import Config, Inspection, Mark
from logger.model.figures import percent
from logger.record.year import year
from logger.store import Store
from logger.verdicts.verdicts import Verdicts
from tests.command_line import Run
from tests.programs import program

NOW = to_ns(datetime(2026, 11, 10, 12, tzinfo=UTC))
HOUR = 3600 * NS


@pytest.fixture
def store(demo_copy: Path) -> Iterator[Store]:
    with Store.open(demo_copy) as opened:
        yield opened


@pytest.fixture
def config(store: Store) -> Config:
    return in_force(store.setups.versions())


@pytest.fixture
def verdicts(store: Store, config: Config) -> Verdicts:
    return Verdicts(store, config.setup)


def test_two_pages_with_the_sums_of_the_review(
    store: Store, config: Config, verdicts: Verdicts, tmp_path: Path
) -> None:
    """What was lost is what `review year` says, to the minute; read back by pdftotext."""
    (tmp_path / "m.pdf").write_bytes(management_pages(store, config, verdicts, 2026, NOW))
    call = [program("pdftotext"), "-layout", str(tmp_path / "m.pdf"), "-"]
    text = subprocess.run(call, capture_output=True, text=True, check=True).stdout
    review = year(store, verdicts, 2026, [], NOW, config.reviews)
    hours, minutes = divmod(review["not_stable_in_use_s"] // 60, 60)

    assert text.count("\f") == 2
    assert f"{hours}:{minutes:02d} h of the hours of use were lost in 1 case." in text
    for zone in review["zones"]:
        assert percent(zone["stable"]) in text
        assert verdicts.setup.zone(zone["zone"]).name in text
        assert zone["zone"] not in text
    heads = [
        line.split()[0] for line in text.splitlines() if line.split()[:1] in (["zone"], ["cause"], ["day"])
    ]
    assert not heads
    assert "Calibration of P6 temperature is due" in text
    assert "SIMULATED" in text
    months = lost_by_month(verdicts, 2026, NOW)
    assert sum(s or 0 for _, s in months) == pytest.approx(review["not_stable_in_use_s"], abs=60)
    assert (dict(months)["2026-10"] or 0) > 0
    assert dict(months)["2026-02"] is None
    assert "no data" in text


@pytest.mark.slow
def test_the_same_second_gives_the_same_bytes(store: Store, config: Config, verdicts: Verdicts) -> None:
    first = management_pages(store, config, verdicts, 2026, NOW)
    assert management_pages(store, config, verdicts, 2026, NOW) == first


def shift(store: Store, config: Config) -> None:
    """Three events in 8 h: an inspection that began and ended, a mark, and work that was stopped."""
    job = Inspection("H-1", "machine-bay", 0, None, "Ring")
    actions.start_inspection(store, config.setup, job, "Radek Sova", NOW - 5 * HOUR)
    actions.stop_inspection(store, "H-1", "Radek Sova", NOW - 4 * HOUR)
    reason = Mark("plate-bench", NOW - 3 * HOUR, NOW - 2 * HOUR, "door open", "Radek Sova")
    marks.mark(store, config.setup, reason)
    why = {"who": "Radek Sova", "why": "draught", "now_ns": NOW - HOUR}
    work_stops.stop_work(store, config.setup, "plate-bench", **why)


def test_a_shift_of_three_events_is_three_lines(store: Store, config: Config, verdicts: Verdicts) -> None:
    shift(store, config)
    shown = hand_over(verdicts, NOW, NOW - 8 * HOUR)

    assert [line.what for line in shown.lines] == [
        "inspection H-1 (Ring) began, ended",
        "marked by Radek Sova: door open",
        "work stopped by Radek Sova: draught",
    ]
    assert "zone plate-bench: work stopped by Radek Sova" in shown.waiting


def test_the_excursion_of_october_is_one_line(verdicts: Verdicts) -> None:
    """One event with three runs of two rules, as page Cases says it."""
    zone = datetime(2026, 10, 19, 18, tzinfo=UTC)
    shown = hand_over(verdicts, to_ns(zone), to_ns(zone) - 24 * HOUR)
    cases = [line for line in shown.lines if line.what.startswith("case ")]

    assert len(cases) == 1
    assert "3 runs" in cases[0].what
    assert cases[0].waits


@pytest.mark.slow
def test_after_a_sign_off_the_next_hand_over_counts_from_it(demo_copy: Path, stillroom: Run) -> None:
    who = ("--who", "Radek Sova", "--comment", "door sticks", "--data", demo_copy)
    signed = json.loads(stillroom("review", "handover", "--sign", *who, "--json").stdout)
    again = json.loads(stillroom("review", "handover", "--data", demo_copy, "--json").stdout)

    assert signed["entry"] > 0
    assert (again["signed_off_by"], again["lines"]) == ("Radek Sova", [])
    with Store.open(demo_copy) as store:
        assert store.journal.entries(kind="hand-over")[0].why == "door sticks"
        assert store.verify().intact


def test_a_time_to_come_is_refused(verdicts: Verdicts) -> None:
    with pytest.raises(Refused, match="expected a time before now"):
        hand_over(verdicts, NOW, NOW + HOUR)


def test_page_journal_shows_the_hand_over(demo_copy: Path) -> None:
    source = Source(demo_copy)
    with Store.open(demo_copy) as store:
        shift(store, in_force(store.setups.versions()))
    drawn = str(layout(Queries(source, lambda: NOW), ""))
    source.store.close()

    assert "Hand-over: " in drawn
    assert "inspection H-1 (Ring) began, ended" in drawn
