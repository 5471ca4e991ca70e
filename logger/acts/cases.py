"""Acts on cases: texts, decisions, closing, joins and parts, each an entry of the journal of kind `case`.

A case closes only when it has ended, every affected inspection has a decision and all texts are there
(ISO/IEC 17025:2017, 7.10 and 8.7). No entry is ever changed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import date
from zoneinfo import ZoneInfo

from sqlalchemy import func, select

from ..core.judge.cases import Case, NumberedCase, Run
from ..errors import Refused
from ..instants import rfc3339, wall
from ..model.roles import refuse_unseen
from ..store import Store
from ..store.hot.tables import journal
from ..store.types import JSON
from .case_book import KIND, TEXTS, CaseBook, CaseTexts, CaseWork, case_book, is_closed
from .dispositions import CAUSES, DECISIONS
from .required import required_person, required_text, visible

MACHINE = "stillroom"  # what gives numbers


def _describe(case: Case, number: int, act: str) -> dict[str, JSON]:
    """What every act on a case says: its number, and the interval that it is about."""
    span: dict[str, JSON] = {"from": rfc3339(case.from_ns), "to": rfc3339(case.to_ns)}
    return {"case": number, "act": act, "zone": case.zone, **span}


def _runs(runs: Iterable[Run]) -> list[JSON]:
    return [{"rule": rule, "from": rfc3339(begin), "to": rfc3339(end)} for rule, begin, end in runs]


@dataclass(frozen=True)
class Registration:
    """What changed in the list of cases since it was last written down.

    `opened`: cases that get a number. `revised`: number, case, what changed in words, and why it is open
    again ("" where it is not). `void`: numbers whose excursions vanished.
    """

    opened: Sequence[Case] = ()
    revised: Sequence[tuple[int, Case, str, str]] = ()
    void: Sequence[NumberedCase] = ()

    def __bool__(self) -> bool:
        return bool(self.opened or self.revised or self.void)


def register(store: Store, changes: Registration, cases: CaseBook) -> bool:
    """Give numbers and write down revisions, all in one transaction.

    False, with nothing written, where somebody else wrote about cases since `cases` was read.
    """
    with store.begin() as conn:
        newest = conn.execute(select(func.max(journal.c.number)).where(journal.c.kind == KIND)).scalar()
        if (newest or 0) != cases.newest:
            return False
        for number, case in enumerate(changes.opened, cases.last_number() + 1):
            what: dict[str, JSON] = {**_describe(case, number, "opened"), "runs": _runs(case.keys)}
            store.journal.append(KIND, MACHINE, what, conn=conn)
        for number, case, changed, reopened in changes.revised:
            what = {**_describe(case, number, "revised"), "runs": _runs(case.keys), "changed": changed}
            what["revision"] = cases.revision(number) + 1
            if reopened:
                what["reopened"] = reopened
            store.journal.append(KIND, MACHINE, what, conn=conn)
        for old in changes.void:
            span: dict[str, JSON] = {"from": rfc3339(old.span[0]), "to": rfc3339(old.span[1])}
            vanished: dict[str, JSON] = {"case": old.number, "act": "void", "zone": old.zone, **span}
            why = "as judged now, no limit was exceeded in this time"
            store.journal.append(KIND, MACHINE, vanished, why, conn)
    return True


def _number_of(case: Case) -> int:
    if case.number is None:
        raise Refused("This case has no number: it is outside hours of use, and no decision is needed.")
    return case.number


def note(store: Store, case: Case, texts: Mapping[str, str], who: str, *, reopen: str = "") -> CaseTexts:
    """Write down texts of a case; fields that are not given stay. Gives the texts as they are then.

    A closed case takes none, unless `reopen` says why it is opened again.
    """
    who, work = required_person(who), case_book(store).work(case)
    texts = {name: check_text(name, text) for name, text in texts.items()}
    changed = {name: text for name, text in texts.items() if text != getattr(work.texts, name)}
    if is_closed(work, case) and not visible(reopen):
        if not changed:
            return work.texts
        raise Refused(
            f"Case {_number_of(case)} was closed by {_closer(work)}; nothing was changed. To change it, open "
            "it again with the reason: --reopen TEXT."
        )
    if not texts and not visible(reopen):
        raise Refused(f"Case {_number_of(case)}: nothing entered, nothing saved.")
    if changed or visible(reopen):
        what: dict[str, JSON] = {**_describe(case, _number_of(case), "note"), "texts": dict(changed)}
        if is_closed(work, case):
            what["reopened"] = required_text(reopen, "reason for opening the case again")
        store.journal.append(KIND, who, what, reopen.strip())
    return CaseTexts(**{**asdict(work.texts), **texts})


def check_text(name: str, text: str) -> str:
    """A text that may be written into a field of a case; Refused with what to enter instead."""
    names = [f.name for f in fields(CaseTexts)]
    if name not in names:
        raise Refused(f"A case has no text {name!r}; it has: {', '.join(names)}. Nothing was changed.")
    text = refuse_unseen(text.strip(), f"text of {name.replace('_', ' ')}")
    if name == "cause" and text and text not in CAUSES:
        causes = ", ".join(CAUSES)
        raise Refused(f"Expected a cause, one of: {causes}; found {text!r}. Nothing was changed.")
    if name == "look_on" and text:
        try:
            date.fromisoformat(text)
        except ValueError:
            raise Refused(
                f"Expected a day such as 2026-11-20; found {text!r}. Nothing was changed."
            ) from None
    return text


def _closer(work: CaseWork) -> str:
    return work.closing.who if work.closing else ""


def decide_in(
    store: Store, case: Case, key: str, verdict: str, *,
    decision: str, customer: str, reason: str, who: str,
) -> None:  # fmt: skip
    """Decide once on an inspection that a case affects; `verdict`: that of the inspection now."""
    who = required_person(who)
    if decision not in DECISIONS:
        raise Refused(
            f"Inspection {key}: expected a decision, one of: {'; '.join(DECISIONS)}; found "
            f"{decision!r}. Nothing was changed."
        )
    words = {"customer": customer, "reason": reason}
    labels = {
        "customer": f"text on the {TEXTS['customer']}",
        "reason": f"reason of the decision on {key}",
    }
    customer, reason = (required_text(words[name], labels[name]) for name in words)
    what = {**_describe(case, _number_of(case), "decision"), "inspection": key, "verdict": verdict}
    store.journal.append(KIND, who, {**what, "decision": decision, "customer": customer}, reason)


def close(store: Store, case: Case, who: str, *, running: bool, undecided: Sequence[str]) -> None:
    """Close a case; Refused, with everything that is missing, where it is not complete.

    running: whether a rule is still broken. undecided: keys of affected inspections without a decision.
    """
    who, work = required_person(who), case_book(store).work(case)
    if is_closed(work, case) and not undecided:
        raise Refused(f"Case {_number_of(case)} was closed by {_closer(work)} already; nothing was changed.")
    missing = list(lacking(work.texts, running=running, undecided=undecided))
    if missing:
        raise Refused(
            f"Case {_number_of(case)} is not closed. Missing: {'; '.join(missing)}. What you entered is kept."
        )
    what = {**_describe(case, _number_of(case), "closed"), "texts": asdict(work.texts)}
    store.journal.append(KIND, who, {**what, "runs": _runs(case.keys)}, work.texts.decision)


def review_effect(store: Store, case: Case, text: str, who: str) -> None:
    """Write down what the review of a corrective action's effect showed; a closed case stays closed.

    Refused where the case has no corrective action with a day of review, or nothing is entered.
    """
    who, texts = required_person(who), case_book(store).work(case).texts
    if not visible(texts.corrective_action) or not texts.look_on:
        raise Refused(
            f"Case {_number_of(case)} has no corrective action with a day on which its effect is reviewed. "
            "Nothing was changed."
        )
    text = check_text("effect", required_text(text, "effect of the corrective action, as you reviewed it"))
    what: dict[str, JSON] = {**_describe(case, _number_of(case), "effect"), "texts": {"effect": text}}
    store.journal.append(KIND, who, what)


def lacking(texts: CaseTexts, *, running: bool, undecided: Sequence[str]) -> Iterator[str]:
    """What is missing before a case can be closed, in words."""
    if running:
        yield "its end: still out of limits"
    if undecided:
        yield f"a decision on {', '.join(undecided)}"
    yield from texts.missing


def join_cases(store: Store, case: Case, lead: Case, who: str, why: str) -> None:
    """Join a case to another, of this zone or another one: one cause, one set of texts, one closing."""
    who, why = required_person(who), required_text(why, "reason for joining the cases")
    numbers = sorted((_number_of(case), _number_of(lead)))
    if numbers[0] == numbers[1]:
        raise Refused(f"Case {numbers[0]} cannot be joined to itself; nothing was changed.")
    first, second = (case, lead) if case.number == numbers[1] else (lead, case)
    what = {**_describe(first, numbers[1], "joined"), "to_case": numbers[0]}
    store.journal.append(KIND, who, {**what, "zones": [*first.zones, *second.zones]}, why)


def part_case(
    store: Store, case: Case, number: int, at_ns: int | None, *, who: str, why: str, clock: ZoneInfo
) -> None:
    """Part a case: runs that begin at an instant or later are another case; without one, undo a join.

    clock: the time zone of the room, in which a refusal names times.
    """
    who, why = required_person(who), required_text(why, "reason for splitting the case")
    what = _describe(case, number, "parted")
    if at_ns is None:
        if number not in case_book(store).joined():
            raise Refused(f"Case {number} was not joined to another one; to split it, give --at TIME.")
    elif not any(e.from_ns < at_ns for e in case.runs) or not any(e.from_ns >= at_ns for e in case.runs):
        first, last = (wall(ns, clock) for ns in (case.from_ns, max(e.from_ns for e in case.runs)))
        raise Refused(
            f"Case {number} cannot be split there: all its excursions begin on one side of "
            f"{wall(at_ns, clock)}. Choose a time "
            f"after {first} and not after {last}. Nothing was changed."
        )
    else:
        what["at"] = rfc3339(at_ns)
    store.journal.append(KIND, who, what, why)
