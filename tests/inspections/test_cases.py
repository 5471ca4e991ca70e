"""One event is one case: numbered for good, decided once, closed with one form, and nothing is lost."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from logger.acts import inspections as actions
from logger.acts.case_book import CaseTexts, CaseWork, case_book
from logger.acts.cases import close, join_cases, note, part_case, review_effect
from logger.cli.case_lines import headline
from logger.config import in_force
from logger.core.judge.cases import Case
from logger.errors import IntervalError, Refused, UnknownName
from logger.inspections.case_record import CaseRecord
from logger.inspections.case_timeline import case_timeline
from logger.inspections.cases import all_cases, case_at, case_of, decide_on_case, impacts_of, lost_time
from logger.instants import NS, parse, rfc3339
from logger.model import Excursion, Inspection
from logger.store import Store
from logger.verdicts.verdicts import Verdicts
from tests.inspections.test_lists import NOW

VIENNA = ZoneInfo("Europe/Vienna")
HOUR, DAY = 3600 * NS, 86_400 * NS
WHO = "Ines Faber"
TEXTS = {
    "cause": "air handling",
    "detail": "damper stuck",
    "immediate_action": "no work until 12:00",
    "impact": "see each",
    "decision": "repair",
    "customer": "told by mail",
}
WORDS = {"decision": "measure again", "customer": "a day later", "reason": "4 µm of 12 µm"}


@pytest.fixture
def verdicts(demo_copy: Path) -> Iterator[Verdicts]:
    with Store.open(demo_copy) as store:
        yield Verdicts(store, in_force(store.setups.versions()).setup)


def monday(verdicts: Verdicts, hour: str = "06:00") -> CaseRecord:
    """Monday 2026-10-19, air from 04:57 to 07:25 local too warm (sample_logs/README.md); settles in 4 h."""
    zone = ZoneInfo(verdicts.setup.room.timezone)
    return case_at(verdicts, "machine-bay", parse(f"2026-10-19T{hour}", zone), NOW)


def shut(verdicts: Verdicts, who: str = WHO) -> None:
    record = monday(verdicts)
    close(verdicts.store, record.case, who, running=record.running, undecided=record.undecided)


def decide_all(verdicts: Verdicts) -> None:
    for key in monday(verdicts).affected:
        decide_on_case(verdicts, monday(verdicts), key, WORDS, WHO, NOW)


def test_one_event_is_one_case_with_one_decision_on_each_inspection(verdicts: Verdicts) -> None:
    """Temperature twice and the span in an hour were broken: one case, both inspections in it once."""
    records = all_cases(verdicts, NOW)
    assert [(r.number, len(r.case.runs), r.state) for r in records] == [(1, 3, "open")]
    assert [i.job.key for i in impacts_of(verdicts, records[0], NOW)] == ["I-2603", "I-2604"]
    assert monday(verdicts, "07:50").number == 1  # while the span alone is broken
    assert records[0].settled_ns == {"machine-bay": parse("2026-10-19T11:25", VIENNA)}
    with pytest.raises(IntervalError, match="no excursion"):
        monday(verdicts, "20:00")
    with pytest.raises(UnknownName, match="case"):
        case_of(verdicts, 99, NOW)


def test_exactly_those_that_overlap_it_or_its_settling(verdicts: Verdicts) -> None:
    """Ten jobs beside the two of the history; inside, settling and at its end overlap."""
    case = monday(verdicts).case
    end = parse("2026-10-19T11:25", VIENNA)
    begins = {
        "inside": case.from_ns + HOUR,
        "settling": end - HOUR,
        "last": end - 60 * NS,
        "before": case.from_ns - 3 * HOUR,
        **{f"other {i}": end + (i + 1) * HOUR for i in range(7)},
    }
    for key, begin in begins.items():
        job = Inspection(key, "machine-bay", begin, begin + HOUR // 2, key)
        actions.add_inspection(verdicts.store, verdicts.setup, job, "Radek Sova")
    assert set(monday(verdicts).affected) == {"inside", "settling", "last", "I-2603", "I-2604"}


@pytest.mark.slow
def test_nothing_closes_empty_and_a_refused_close_loses_nothing(verdicts: Verdicts) -> None:
    """ISO/IEC 17025:2017, 7.10: cause, action, effect, decision, customer; and each inspection decided."""
    store = verdicts.store
    with pytest.raises(Refused, match=r"a decision on I-2603, I-2604; a cause from the list; .*customer"):
        shut(verdicts)
    note(store, monday(verdicts).case, {k: v for k, v in TEXTS.items() if k != "impact"}, WHO)
    with pytest.raises(Refused, match="Missing: a decision on I-2603, I-2604; the effect on results"):
        shut(verdicts)
    assert monday(verdicts).work.texts == CaseTexts(**(TEXTS | {"impact": ""}))
    with pytest.raises(Refused, match="customer"):
        decide_on_case(verdicts, monday(verdicts), "I-2603", WORDS | {"customer": " "}, WHO, NOW)
    with pytest.raises(Refused, match="does not affect inspection 'I-2601'"):
        decide_on_case(verdicts, monday(verdicts), "I-2601", WORDS, WHO, NOW)
    decide_all(verdicts)
    note(store, monday(verdicts).case, {"impact": "see each"}, WHO)
    assert (monday(verdicts).state, monday(verdicts).missing, monday(verdicts).waits) == ("decided", [], True)
    assert headline(monday(verdicts)) == "Case 1 is decided: it can be closed."
    with pytest.raises(Refused, match="name of the person who"):
        shut(verdicts, " ")
    shut(verdicts)
    assert (monday(verdicts).state, monday(verdicts).waits) == ("closed", False)
    assert headline(monday(verdicts)) == "Case 1 is closed, by Ines Faber."
    with pytest.raises(Refused, match="closed by Ines Faber already"):
        shut(verdicts)
    assert store.verify().intact


@pytest.mark.parametrize(
    ("texts", "match"),
    [
        ({"cause": "gremlins"}, "one of: door or traffic"),
        ({"look_on": "soon"}, "a day such as"),
        ({"colour": "red"}, "has no text 'colour'"),
        ({"detail": "turned \u202e text"}, "right-to-left override"),
        ({}, "nothing entered, nothing saved"),
    ],
)
def test_texts_that_cannot_be_are_refused(verdicts: Verdicts, texts: dict[str, str], match: str) -> None:
    before = case_book(verdicts.store).newest if monday(verdicts) else 0
    with pytest.raises(Refused, match=match):
        note(verdicts.store, monday(verdicts).case, texts, WHO)
    assert case_book(verdicts.store).newest == before


def test_a_corrective_action_needs_the_day_on_which_it_is_looked_at(verdicts: Verdicts) -> None:
    decide_all(verdicts)
    note(verdicts.store, monday(verdicts).case, TEXTS | {"corrective_action": "new damper"}, WHO)
    with pytest.raises(Refused, match="Missing: the day on which"):
        shut(verdicts)
    note(verdicts.store, monday(verdicts).case, {"look_on": "2026-11-20"}, WHO)
    shut(verdicts)


def test_the_effect_of_a_corrective_action_is_reviewed_on_a_closed_case(verdicts: Verdicts) -> None:
    """ISO/IEC 17025:2017, 8.7.1 e: its effectiveness is reviewed, later than the case is closed."""
    decide_all(verdicts)
    note(verdicts.store, monday(verdicts).case, TEXTS, WHO)
    with pytest.raises(Refused, match="no corrective action with a day"):
        review_effect(verdicts.store, monday(verdicts).case, "better", WHO)
    note(
        verdicts.store,
        monday(verdicts).case,
        {"corrective_action": "new damper", "look_on": "2026-11-20"},
        WHO,
    )
    shut(verdicts)
    with pytest.raises(Refused, match="Enter the effect of the corrective action"):
        review_effect(verdicts.store, monday(verdicts).case, " ", WHO)
    assert set(case_book(verdicts.store).effect_days()) == {1}
    review_effect(verdicts.store, monday(verdicts).case, "none in 30 days, 9 before", "Greta Holm")
    record = monday(verdicts)
    assert (record.state, record.work.texts.effect) == ("closed", "none in 30 days, 9 before")
    assert record.work.text_entries["effect"].who == "Greta Holm"
    assert case_book(verdicts.store).effect_days() == {}
    assert any("none in 30 days" in h.what for h in case_timeline(verdicts.store, verdicts.setup, record))


def test_a_closed_case_is_opened_again_with_a_reason_only(verdicts: Verdicts) -> None:
    decide_all(verdicts)
    note(verdicts.store, monday(verdicts).case, TEXTS, WHO)
    shut(verdicts)
    with pytest.raises(Refused, match="was closed by Ines Faber; nothing was changed"):
        note(verdicts.store, monday(verdicts).case, {"impact": "none"}, "Greta Holm")
    note(
        verdicts.store,
        monday(verdicts).case,
        {"impact": "none"},
        "Greta Holm",
        reopen="I-2603 was recalculated",
    )
    assert (monday(verdicts).state, monday(verdicts).work.reopened) == ("decided", "I-2603 was recalculated")
    shut(verdicts)
    assert monday(verdicts).state == "closed"


def test_an_inspection_entered_later_opens_a_closed_case(verdicts: Verdicts) -> None:
    decide_all(verdicts)
    note(verdicts.store, monday(verdicts).case, TEXTS, WHO)
    shut(verdicts)
    begin = monday(verdicts).case.from_ns + HOUR
    job = Inspection("late", "machine-bay", begin, begin + HOUR, "Late entry")
    actions.add_inspection(verdicts.store, verdicts.setup, job, "Radek Sova")
    assert (monday(verdicts).state, monday(verdicts).undecided) == ("open", ["late"])


class Rejudged(Verdicts):
    """Stored verdicts as late readings would leave them: `change` of the excursions of the machine bay."""

    def __init__(self, verdicts: Verdicts, change: Any) -> None:
        super().__init__(verdicts.store, verdicts.setup)
        self._change = change

    def excursions(self, *where: Any, **how: Any) -> list[Excursion]:
        return list(self._change(super().excursions(*where, **how)))


def test_bounds_that_move_are_a_revision_and_close_stays_while_it_covers(verdicts: Verdicts) -> None:
    decide_all(verdicts)
    note(verdicts.store, monday(verdicts).case, TEXTS, WHO)
    shut(verdicts)
    moved = Rejudged(verdicts, lambda runs: [replace(e, to_ns=e.to_ns + 600 * NS) for e in runs])
    record = case_of(moved, 1, NOW)
    assert (record.number, record.revision, record.state) == (1, 1, "closed")
    assert "ends 2026-10-19T06:21:00Z, was 2026-10-19T06:11:00Z" in str(
        record.work.entries[-1].what["changed"]
    )
    assert case_of(moved, 1, NOW).revision == 1  # written once
    more = Rejudged(
        verdicts, lambda runs: [*runs, *(replace(e, rule="machine-bay.humidity") for e in runs[:1])]
    )
    record = case_of(more, 1, NOW)
    assert record.state == "decided"
    assert record.work.reopened == "another rule was out of limits, too: machine-bay.humidity"


def test_excursions_that_vanish_leave_a_void_number(verdicts: Verdicts) -> None:
    note(verdicts.store, monday(verdicts).case, TEXTS, WHO)
    gone = Rejudged(verdicts, lambda runs: [])
    assert all_cases(gone, NOW) == []
    with pytest.raises(Refused, match="Case 1 is void since"):
        case_of(gone, 1, NOW)
    back = monday(verdicts)
    assert (back.number, back.work.texts.cause) == (1, "air handling")


def test_parts_and_joins_keep_numbers_and_texts(verdicts: Verdicts) -> None:
    store = verdicts.store
    note(store, monday(verdicts).case, TEXTS, WHO)
    with pytest.raises(Refused, match=r"cannot be split there: .* one side of 2026-10-19 \d\d:\d\d \+02:00"):
        part_case(
            store, monday(verdicts).case, 1, monday(verdicts).case.to_ns, who=WHO, why="door", clock=VIENNA
        )
    at = parse("2026-10-19T07:00", VIENNA)
    part_case(store, monday(verdicts).case, 1, at, who=WHO, why="another door", clock=VIENNA)
    numbers = [(r.number, len(r.case.runs), r.cause) for r in all_cases(verdicts, NOW)]
    assert numbers == [(1, 2, "air handling"), (2, 1, "no cause yet")]
    with pytest.raises(Refused, match="itself"):
        join_cases(store, case_of(verdicts, 1, NOW).case, case_of(verdicts, 1, NOW).case, WHO, "same")
    with pytest.raises(Refused, match="reason for joining"):
        join_cases(store, case_of(verdicts, 1, NOW).case, case_of(verdicts, 2, NOW).case, WHO, "")
    join_cases(store, case_of(verdicts, 1, NOW).case, case_of(verdicts, 2, NOW).case, WHO, "same damper")
    joined = case_of(verdicts, 2, NOW)
    assert (joined.number, joined.case.continued, len(joined.case.runs)) == (1, (2,), 3)
    part_case(store, joined.case, 2, None, who=WHO, why="no, two causes", clock=VIENNA)
    assert [r.number for r in all_cases(verdicts, NOW)] == [1, 2]
    with pytest.raises(Refused, match="was not joined"):
        part_case(store, case_of(verdicts, 2, NOW).case, 2, None, who=WHO, why="again", clock=VIENNA)


def test_a_join_of_zones_holds_from_either_side(verdicts: Verdicts) -> None:
    """A case of the bench joined to that of the bay is one case, whichever zone is asked for."""

    def with_bench(runs: list[Excursion]) -> list[Excursion]:
        bench = [replace(e, zone="plate-bench", rule="plate-bench.temperature") for e in runs]
        return [e for e in runs if e.zone == "machine-bay"] + bench[:1]

    class TwoZones(Rejudged):
        def excursions(self, zone: str | None, *where: Any, **how: Any) -> list[Excursion]:
            runs = Verdicts.excursions(self, "machine-bay", *where, **how)
            return [e for e in with_bench(runs) if zone in (None, e.zone)]

    both = TwoZones(verdicts, None)
    assert [r.number for r in all_cases(both, NOW)] == [1, 2]
    join_cases(both.store, case_of(both, 2, NOW).case, case_of(both, 1, NOW).case, WHO, "one chiller")
    for zone in ("machine-bay", "plate-bench"):
        (record,) = all_cases(both, NOW, zone)
        assert (record.number, set(record.case.zones)) == (1, {"machine-bay", "plate-bench"})


def test_what_is_joined_to_a_closed_case_has_to_be_closed_too(verdicts: Verdicts) -> None:
    """The closing did not know the rule of the other part: the case is decided, and closes once more."""
    store = verdicts.store
    at = parse("2026-10-19T07:28", VIENNA)  # between the band and the span of an hour
    part_case(store, monday(verdicts).case, 1, at, who=WHO, why="another event", clock=VIENNA)
    first, second = all_cases(verdicts, NOW)
    assert [r.number for r in (first, second)] == [1, 2]
    for key in first.affected:
        decide_on_case(verdicts, case_of(verdicts, 1, NOW), key, WORDS, WHO, NOW)
    note(store, first.case, TEXTS, WHO)
    close(store, first.case, WHO, running=False, undecided=[])
    assert case_of(verdicts, 1, NOW).state == "closed"
    join_cases(store, first.case, second.case, WHO, "one cause after all")
    joined = case_of(verdicts, 1, NOW)
    assert (joined.state, joined.missing) == ("decided", [])
    close(store, joined.case, WHO, running=False, undecided=[])
    assert case_of(verdicts, 2, NOW).state == "closed"


def earlier_note(e: Excursion, texts: dict[str, str], *, closed: bool) -> dict[str, Any]:
    """An entry on a single excursion, as programs wrote it before there were cases."""
    about = {
        "of": "excursion",
        "zone": e.zone,
        "what": e.rule,
        "from": rfc3339(e.from_ns),
        "to": rfc3339(e.to_ns),
    }
    return {"about": about, "findings": texts, "closed": closed}


def test_what_was_noted_on_excursions_belongs_to_their_case(verdicts: Verdicts) -> None:
    """Texts, decisions and who wrote them are there; closed is the case when each of its excursions was."""
    now = 0
    runs = verdicts.excursions("machine-bay", now, NOW, NOW)
    journal = verdicts.store.journal
    journal.append(
        "disposition-excursion", "Greta Holm", earlier_note(runs[0], TEXTS | {"impact": ""}, closed=False)
    )
    journal.append("disposition-excursion", "Ines Faber", earlier_note(runs[1], TEXTS, closed=True))
    about = earlier_note(runs[1], {}, closed=False)["about"]
    what = {"inspection": "I-2603", "about": about, "decision": "stands", "customer": "nothing to tell"}
    journal.append("disposition-inspection", "Ines Faber", what, "0.4 µm of 12 µm")
    record = monday(verdicts)
    assert (record.state, record.undecided) == ("open", ["I-2604"])
    assert asdict(record.work.texts) == asdict(CaseTexts(**TEXTS))
    assert record.work.text_entries["impact"].who == "Ines Faber"
    assert record.work.decisions["I-2603"].reason == "0.4 µm of 12 µm"
    assert [e.kind for e in record.work.entries].count("disposition-excursion") == 2
    decide_on_case(verdicts, record, "I-2604", WORDS, WHO, NOW)
    assert monday(verdicts).state == "decided"
    for e in (runs[0], runs[2]):
        journal.append("disposition-excursion", "Greta Holm", earlier_note(e, TEXTS, closed=True))
    assert monday(verdicts).state == "closed"


def test_hours_by_cause_are_all_hours_not_stable_in_use(verdicts: Verdicts) -> None:
    """Monday in the bay: too warm 04:52 to 07:25 and settling to 11:25, each minute once; used from 06:00."""
    records = all_cases(verdicts, NOW)
    extent = verdicts.store.readings.extent()
    assert extent is not None
    lost = lost_time(verdicts, records, "machine-bay", (extent[0], NOW), NOW)
    used = verdicts.setup.zone("machine-bay").hours_of_use
    assert used is not None
    assert [(c.cause, c.cases, c.lost_ns // (60 * NS)) for c in lost.causes] == [
        ("no cause yet", 1, 5 * 60 + 25)
    ]
    assert lost.rest_ns + lost.causes[0].lost_ns == lost.not_stable_ns


def test_of_a_case_that_asks_for_nothing_nothing_is_missing() -> None:
    """Outside hours of use, and still out of limits: page Now said "-1 missing" of it."""
    out = Excursion(
        "bay",
        "bay.temperature",
        0,
        HOUR,
        20.8,
        0,
        20.5,
        0.3,
        "degC",
        0.1,
        ("P1",),
        True,
        asks_disposition=False,
    )
    record = CaseRecord(Case((out,)), CaseWork(), {}, running=True, affected=())
    assert (record.state, record.missing, record.missing_count) == ("no decision needed", [], 0)
    asks = replace(record, case=Case((replace(out, asks_disposition=True),)))
    assert asks.state == "running"
    assert asks.missing_count == len(asks.missing) - 1 > 0  # its end is no entry of a person
