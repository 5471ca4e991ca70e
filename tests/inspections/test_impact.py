"""What something touches, what must be decided, and what nothing closes without."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from logger.acts import dispositions, work_stops
from logger.acts import inspections as actions
from logger.acts.dispositions import Findings, book, note_excursion
from logger.config import in_force
from logger.errors import Refused, UnknownName
from logger.inspections import impact as affected
from logger.inspections.readiness import begin, overlong, ready
from logger.instants import NS, parse
from logger.model import Excursion, Inspection
from logger.model.roles import Role
from logger.people import People
from logger.store import Store
from logger.verdicts.verdicts import Verdicts
from tests.inspections.test_lists import NOW

HOUR = 3600 * NS
FULL = Findings("air handling", "damper stuck", "no work until 12:00", "see each", "repair", "told by mail")


@pytest.fixture
def verdicts(demo_copy: Path) -> Iterator[Verdicts]:
    with Store.open(demo_copy) as store:
        yield Verdicts(store, in_force(store.setups.versions()).setup)


@pytest.fixture
def monday(verdicts: Verdicts) -> Excursion:
    """Monday 2026-10-19, air from 04:57 to 07:25 local too warm (sample_logs/README.md); settles in 4 h."""
    at_ns = parse("2026-10-19T06:00", verdicts_zone(verdicts))
    found = affected.excursion_at(verdicts, "machine-bay", at_ns, NOW, "temperature")
    assert found.to_ns - found.from_ns == 148 * 60 * NS
    return found


def verdicts_zone(verdicts: Verdicts) -> object:
    from zoneinfo import ZoneInfo

    return ZoneInfo(verdicts.setup.room.timezone)


def add(verdicts: Verdicts, key: str, begin_ns: int, hours: float, **more: object) -> None:
    job = Inspection(key, "machine-bay", begin_ns, begin_ns + round(hours * HOUR), key, **more)  # type: ignore[arg-type]
    actions.add_inspection(verdicts.store, verdicts.setup, job, "Radek Sova")


def test_exactly_those_that_overlap_it_or_its_settling(verdicts: Verdicts, monday: Excursion) -> None:
    """Ten jobs beside the two of the history; three more overlap: inside, settling, at its end."""
    settled = monday.to_ns + 4 * HOUR
    add(verdicts, "inside", monday.from_ns + HOUR, 0.5)
    add(verdicts, "settling", monday.to_ns + 3 * HOUR, 0.5)
    add(verdicts, "last", settled - 60 * NS, 1.0)
    for i in range(7):
        add(verdicts, f"other {i}", settled + (i + 1) * HOUR, 0.5)
    found = affected.by_excursion(verdicts, monday, NOW)
    assert affected.settled_ns(verdicts, monday, NOW) == settled
    assert {t.job.key for t in found} == {"inside", "settling", "last", "I-2603", "I-2604"}


def test_ranked_by_effect_against_tolerance_the_unknown_first(verdicts: Verdicts, monday: Excursion) -> None:
    """By hand: 500 mm of aluminium on a steel scale against 3 µm and 300 µm; one of unknown length leads."""
    part = {"material": "aluminium", "length_mm": 500.0}
    add(verdicts, "tight", monday.from_ns + HOUR, 0.5, tolerance_um=3.0, **part)
    add(verdicts, "wide", monday.from_ns + HOUR, 0.5, tolerance_um=300.0, **part)
    add(verdicts, "unknown", monday.from_ns + HOUR, 0.5)
    found = affected.by_excursion(verdicts, monday, NOW)
    assert [t.job.key for t in found][:2] == ["unknown", "tight"]
    assert found[-1].job.key == "wide"
    tight, wide = (next(t for t in found if t.job.key == k) for k in ("tight", "wide"))
    assert tight.effect_um == wide.effect_um
    assert tight.share == pytest.approx(100 * (wide.share or 0))


def test_nothing_closes_empty(verdicts: Verdicts, monday: Excursion) -> None:
    """ISO/IEC 17025:2017, 7.10: cause, action, impact, decision, customer; and each inspection decided."""
    store = verdicts.store
    with pytest.raises(Refused, match="what it means for results"):
        note_excursion(store, monday, replace(FULL, impact=""), "Ines Faber", close=True)
    saved = book(store).excursion(monday)
    assert saved is not None
    assert (saved.closed, saved.findings) == (False, replace(FULL, impact=""))
    touched = affected.by_excursion(verdicts, monday, NOW)
    left = affected.undecided(touched)
    assert left == ["I-2603", "I-2604"]
    with pytest.raises(Refused, match="I-2603, I-2604"):
        note_excursion(store, monday, FULL, "Ines Faber", close=True, undecided=left)
    words = {"decision": "measure again", "reason": "4 µm of 12 µm", "who": "Ines Faber"}
    with pytest.raises(Refused, match="customer"):
        affected.decide_on(store, touched[0], customer=" ", **words)
    for one in touched:
        affected.decide_on(store, one, customer="a day later", **words)
    after = affected.by_excursion(verdicts, monday, NOW)
    assert affected.undecided(after) == []
    note_excursion(store, monday, FULL, "Ines Faber", close=True)
    word = book(store).excursion(monday)
    assert word is not None
    assert (word.closed, word.who, word.findings) == (True, "Ines Faber", FULL)
    assert store.verify().intact


def test_a_refused_close_leaves_a_closed_excursion_closed(verdicts: Verdicts, monday: Excursion) -> None:
    """Closing again with less is refused and writes no open note over the closed one."""
    note_excursion(verdicts.store, monday, FULL, "Ines Faber", close=True)
    with pytest.raises(Refused, match="stays closed as it was"):
        note_excursion(verdicts.store, monday, replace(FULL, impact=""), "Greta Holm", close=True)
    word = book(verdicts.store).excursion(monday)
    assert word is not None
    assert (word.closed, word.findings) == (True, FULL)


def test_late_readings_that_move_its_ends_keep_the_decision(verdicts: Verdicts, monday: Excursion) -> None:
    note_excursion(verdicts.store, monday, Findings(detail="seen"), "Ines Faber", close=False)
    moved = replace(monday, from_ns=monday.from_ns - 600 * NS)
    assert book(verdicts.store).excursion(moved) is not None
    elsewhere = replace(monday, rule="machine-bay.span-1h")
    assert book(verdicts.store).excursion(elsewhere) is None


def test_a_wrong_probe_touches_what_rests_on_it(verdicts: Verdicts) -> None:
    """P3 stands on the scale: 0.3 K on 420 mm of steel scale are 1.449 µm (by hand)."""
    ends = (parse("2026-10-13", verdicts_zone(verdicts)), parse("2026-10-14", verdicts_zone(verdicts)))
    (one,) = affected.by_probe(verdicts, "P3", ends, NOW, 0.3)
    assert one.job.key == "I-2601"
    assert one.effect_um == pytest.approx(420e3 * 11.5e-6 * 0.3)
    (unknown,) = affected.by_probe(verdicts, "P3", ends, NOW)
    assert unknown.effect_um is None
    with pytest.raises(UnknownName):
        affected.by_probe(verdicts, "P99", ends, NOW)


def test_a_certificate_touches_all_inspections_under_it(verdicts: Verdicts) -> None:
    number = verdicts.setup.certificates_of("P3.temperature")[-1].number
    found = affected.by_certificate(verdicts, number, NOW, 0.1)
    assert {t.job.key for t in found} == {"I-2601", "I-2603", "I-2604", "I-2605"}
    assert all(t.about.kind == "certificate" for t in found)
    moved = affected.by_position(verdicts, "bridge-table", (0, NOW), NOW)
    assert {t.job.key for t in moved} == {t.job.key for t in found}


def test_the_third_of_a_cause_in_thirty_days_is_a_repeat(verdicts: Verdicts, monday: Excursion) -> None:
    days = [
        replace(monday, from_ns=monday.from_ns + d * 24 * HOUR, to_ns=monday.to_ns + d * 24 * HOUR)
        for d in (-40, 0, 8, 20)
    ]
    for e in days:
        note_excursion(verdicts.store, e, Findings(cause="door or traffic"), "Ines Faber", close=False)
    assert [book(verdicts.store).repetitions(e) for e in days] == [1, 1, 2, 3]
    counted = dispositions.pareto([*days, replace(days[0], rule="x")], book(verdicts.store))
    assert [(c.cause, c.excursions) for c in counted] == [("door or traffic", 4), ("not named yet", 1)]


def test_before_and_after_an_action(monday: Excursion) -> None:
    """Nine excursions, 14 h, then two, 1.5 h (made for this test): 9 → 2 and 14 → 1.5."""
    at = monday.from_ns
    lengths = [(-d, 14 / 9) for d in range(1, 10)] + [(3, 0.75), (5, 0.75), (-40, 1.0), (40, 1.0)]
    made = [
        replace(monday, from_ns=at + d * 24 * HOUR, to_ns=at + d * 24 * HOUR + round(h * HOUR))
        for d, h in lengths
    ]
    found = dispositions.before_after(made, at, at + 60 * 24 * HOUR)
    assert (found.before, found.after, found.days) == (9, 2, 30)
    assert (found.before_h, found.after_h) == (pytest.approx(14), pytest.approx(1.5))


def test_work_is_resumed_by_authority_only(verdicts: Verdicts) -> None:
    store, setup = verdicts.store, verdicts.setup
    people = People(store)
    known = {"wirth": ("Jonas Wirth", Role.OPERATOR), "brandt": ("Livia Brandt", Role.QUALITY)}
    for name, (person, role) in known.items():
        people.add(name, person, {role}, "a-long-enough-password-7", "Greta Holm")
    work_stops.stop_work(store, setup, "machine-bay", who="Jonas Wirth", why="damper", now_ns=NOW)
    job = Inspection("", "machine-bay", 0, None, "Ring")
    with pytest.raises(Refused, match="stopped by Jonas Wirth"):
        begin(store, setup, job, "Jonas Wirth", NOW)
    assert "work is stopped" in ready(verdicts, "machine-bay", NOW).sentence
    for nobody in ("Jonas Wirth", "A Stranger"):
        with pytest.raises(Refused, match="metrologist or quality"):
            work_stops.resume_work(store, setup, "machine-bay", who=nobody, why="looks fine", now_ns=NOW)
    work_stops.resume_work(store, setup, "machine-bay", who="Livia Brandt", why="checked", now_ns=NOW)
    assert work_stops.stops_in_force(store) == {}
    made = begin(store, setup, job, "Jonas Wirth", NOW)
    assert made.key
    assert overlong(store, NOW + 11 * HOUR) == []
    assert [j.key for j in overlong(store, NOW + 13 * HOUR)] == [made.key]


def test_may_i_start_says_when(verdicts: Verdicts, monday: Excursion) -> None:
    """An hour after the excursion: settling, until four hours after it; afterwards yes; in it no."""
    told = ready(verdicts, "machine-bay", monday.to_ns + HOUR)
    assert (told.may_start, told.reason) == (False, "settling")
    assert told.from_ns == pytest.approx(monday.to_ns + 4 * HOUR, abs=60 * NS)
    assert ready(verdicts, "machine-bay", monday.to_ns + 5 * HOUR).may_start
    during = ready(verdicts, "machine-bay", monday.from_ns + HOUR)
    assert (during.may_start, during.from_ns, during.reason) == (False, None, "nonconforming")
