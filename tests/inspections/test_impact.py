"""What something touches, what must be decided, and what nothing closes without."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.acts import inspections as actions
from logger.acts import work_stops
from logger.config import in_force
from logger.errors import Refused, UnknownName
from logger.inspections import impact as affected
from logger.inspections.cases import case_at, impacts_of
from logger.inspections.readiness import begin, overlong, ready
from logger.instants import NS, parse
from logger.model import Excursion, Inspection
from logger.model.roles import Role
from logger.people import People
from logger.store import Store
from logger.verdicts.verdicts import Verdicts
from tests.inspections.test_lists import NOW

HOUR = 3600 * NS


@pytest.fixture
def verdicts(demo_copy: Path) -> Iterator[Verdicts]:
    with Store.open(demo_copy) as store:
        yield Verdicts(store, in_force(store.setups.versions()).setup)


@pytest.fixture
def monday(verdicts: Verdicts) -> Excursion:
    """Monday 2026-10-19, air from 04:57 to 07:25 local too warm (sample_logs/README.md); settles in 4 h."""
    at_ns = parse("2026-10-19T06:00", verdicts_zone(verdicts))
    (run,) = [
        e
        for e in verdicts.excursions("machine-bay", at_ns, at_ns + 1, NOW)
        if e.rule == "machine-bay.temperature"
    ]
    assert run.to_ns - run.from_ns == 148 * 60 * NS
    return run


def verdicts_zone(verdicts: Verdicts) -> object:
    from zoneinfo import ZoneInfo

    return ZoneInfo(verdicts.setup.room.timezone)


def add(verdicts: Verdicts, key: str, begin_ns: int, hours: float, **more: object) -> None:
    job = Inspection(key, "machine-bay", begin_ns, begin_ns + round(hours * HOUR), key, **more)  # type: ignore[arg-type]
    actions.add_inspection(verdicts.store, verdicts.setup, job, "Radek Sova")


def test_ranked_by_effect_against_tolerance_the_unknown_first(verdicts: Verdicts, monday: Excursion) -> None:
    """By hand: 500 mm of aluminium on a steel scale against 3 µm and 300 µm; one of unknown length leads."""
    part = {"material": "aluminium", "length_mm": 500.0}
    add(verdicts, "tight", monday.from_ns + HOUR, 0.5, tolerance_um=3.0, **part)
    add(verdicts, "wide", monday.from_ns + HOUR, 0.5, tolerance_um=300.0, **part)
    add(verdicts, "unknown", monday.from_ns + HOUR, 0.5)
    impacts = impacts_of(verdicts, case_at(verdicts, "machine-bay", monday.from_ns, NOW), NOW)
    assert [t.job.key for t in impacts][:2] == ["unknown", "tight"]
    assert impacts[-1].job.key == "wide"
    tight, wide = (next(t for t in impacts if t.job.key == k) for k in ("tight", "wide"))
    assert tight.effect_um == wide.effect_um
    assert tight.share == pytest.approx(100 * (wide.share or 0))


def test_a_wrong_probe_touches_what_rests_on_it(verdicts: Verdicts) -> None:
    """P3 stands on the scale: 0.3 K on 420 mm of steel scale are 1.449 µm (by hand)."""
    ends = (parse("2026-10-13", verdicts_zone(verdicts)), parse("2026-10-14", verdicts_zone(verdicts)))
    (first,) = affected.by_probe(verdicts, "P3", ends, NOW, 0.3)
    assert first.job.key == "I-2601"
    assert first.effect_um == pytest.approx(420e3 * 11.5e-6 * 0.3)
    (unknown,) = affected.by_probe(verdicts, "P3", ends, NOW)
    assert unknown.effect_um is None
    with pytest.raises(UnknownName):
        affected.by_probe(verdicts, "P99", ends, NOW)


def test_a_certificate_touches_all_inspections_under_it(verdicts: Verdicts) -> None:
    number = verdicts.setup.certificates_of("P3.temperature")[-1].number
    impacts = affected.by_certificate(verdicts, number, NOW, 0.1)
    assert {t.job.key for t in impacts} == {"I-2601", "I-2603", "I-2604", "I-2605"}
    assert all(t.about.kind == "certificate" for t in impacts)
    moved = affected.by_position(verdicts, "bridge-table", (0, NOW), NOW)
    assert {t.job.key for t in moved} == {t.job.key for t in impacts}


def test_work_is_resumed_by_authority_only(verdicts: Verdicts) -> None:
    store, setup = verdicts.store, verdicts.setup
    people = People(store)
    accounts = {"wirth": ("Jonas Wirth", Role.OPERATOR), "brandt": ("Livia Brandt", Role.QUALITY)}
    for name, (person, role) in accounts.items():
        people.add(name, person, {role}, "a-long-enough-password-7", "Greta Holm")
    work_stops.stop_work(store, setup, "machine-bay", who="Jonas Wirth", why="damper", now_ns=NOW)
    job = Inspection("", "machine-bay", 0, None, "Ring")
    with pytest.raises(Refused, match="stopped by Jonas Wirth"):
        begin(store, setup, job, "Jonas Wirth", NOW)
    assert "Work stopped" in ready(verdicts, "machine-bay", NOW).sentence
    for nobody in ("Jonas Wirth", "A Stranger"):
        with pytest.raises(Refused, match="metrologist or quality"):
            work_stops.resume_work(store, setup, "machine-bay", who=nobody, why="looks fine", now_ns=NOW)
    work_stops.resume_work(store, setup, "machine-bay", who="Livia Brandt", why="checked", now_ns=NOW)
    assert work_stops.stops_in_force(store) == {}
    item = begin(store, setup, job, "Jonas Wirth", NOW)
    assert item.key
    assert overlong(store, NOW + 11 * HOUR) == []
    assert [j.key for j in overlong(store, NOW + 13 * HOUR)] == [item.key]


def test_may_i_start_says_when(verdicts: Verdicts, monday: Excursion) -> None:
    """An hour after the excursion: settling, until four hours after it; afterwards yes; in it no."""
    readiness = ready(verdicts, "machine-bay", monday.to_ns + HOUR)
    assert (readiness.may_start, readiness.reason) == (False, "settling")
    assert readiness.from_ns == pytest.approx(monday.to_ns + 4 * HOUR, abs=60 * NS)
    assert ready(verdicts, "machine-bay", monday.to_ns + 5 * HOUR).may_start
    during = ready(verdicts, "machine-bay", monday.from_ns + HOUR)
    assert (during.may_start, during.from_ns, during.reason) == (False, None, "nonconforming")
