"""What was done about cases, read from the journal: numbers, texts, decisions, closing, joins and parts.

What was noted on single excursions before there were cases belongs to the case that holds those excursions.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from zoneinfo import ZoneInfo

from ..core.judge.cases import Case, NumberedCase
from ..instants import parse
from ..model.entry_forms import CaseEntry
from ..store import JournalEntry, Store
from .dispositions import CAUSES, Book, Disposition, book, span_of
from .required import visible

KIND = "case"
UTC = ZoneInfo("UTC")
WITH_TEXTS = ("note", "closed", "effect")  # acts that write texts down
TEXTS = {
    "cause": "a cause from the list",
    "detail": "the cause in words",
    "immediate_action": "the immediate action",
    "impact": "the effect on results",
    "decision": "the decision",
    "customer": "customer: who is notified of what, or why nobody",
}


@dataclass(frozen=True)
class CaseTexts:
    """What is written in a case; empty: nothing yet. `look_on` is an ISO 8601 day.

    effect: what the review of the corrective action on that day showed.
    """

    cause: str = ""
    detail: str = ""
    immediate_action: str = ""
    impact: str = ""
    decision: str = ""
    customer: str = ""
    corrective_action: str = ""
    look_on: str = ""
    effect: str = ""

    @property
    def missing(self) -> list[str]:
        """What is still to be entered before the case can be closed, in words."""
        missing = [words for name, words in TEXTS.items() if not visible(getattr(self, name))]
        if self.cause.strip() and self.cause not in CAUSES:
            missing.append(TEXTS["cause"])
        return missing + (["the day on which the corrective action is reviewed"] if self._no_day else [])

    @property
    def _no_day(self) -> bool:
        return visible(self.corrective_action) and not self.look_on


@dataclass(frozen=True)
class CaseText:
    """One text with who wrote it, when, and in which entry of the journal."""

    text: str
    who: str
    at_ns: int
    entry: int


@dataclass(frozen=True)
class CaseDecision:
    """The newest decision on an affected inspection; `verdict`: its verdict then, "" where not noted."""

    inspection: str
    decision: str
    customer: str
    reason: str
    verdict: str
    who: str
    at_ns: int
    entry: int


@dataclass(frozen=True)
class Closing:
    """The act by which a case was closed; `rules`: those that it covered."""

    who: str
    at_ns: int
    entry: int
    rules: frozenset[str]


@dataclass(frozen=True)
class CaseWork:
    """Everything that was done about a case; `reopened`: why it is open again after it was closed."""

    text_entries: Mapping[str, CaseText] = field(default_factory=dict)
    decisions: Mapping[str, CaseDecision] = field(default_factory=dict)
    closing: Closing | None = None
    reopened: str = ""
    entries: tuple[JournalEntry, ...] = ()

    @property
    def texts(self) -> CaseTexts:
        """The newest text of each field."""
        return CaseTexts(**{name: w.text for name, w in self.text_entries.items()})


@dataclass(frozen=True)
class CaseBook:
    """Every act on cases in order, and what was noted before there were cases."""

    entries: tuple[JournalEntry, ...]
    earlier: Book
    proof: tuple[JournalEntry, ...] = ()  # entries of what was noted before, as they stand in the journal

    @property
    def newest(self) -> int:
        """Number of the newest act on a case; 0 while there is none."""
        return self.entries[-1].number if self.entries else 0

    def numbered(self, zone: str | None = None) -> list[NumberedCase]:
        """Every case that has a number, of one zone or all, as last described."""
        described: dict[int, JournalEntry] = {}
        decided: dict[int, int] = {}
        for entry in self.entries:
            what = _read(entry)
            if "runs" in what and what["act"] in ("opened", "revised"):
                described[what["case"]] = entry
            if what["act"] in ("decision", "closed"):
                decided.setdefault(what["case"], entry.at_ns)
        cases = [_numbered(number, entry, decided.get(number)) for number, entry in described.items()]
        return sorted((c for c in cases if zone in (None, c.zone)), key=lambda c: c.number)

    def last_number(self) -> int:
        """The highest number that was given."""
        return max((_read(e)["case"] for e in self.entries), default=0)

    def void(self) -> dict[int, JournalEntry]:
        """Numbers whose excursions vanished, with the entry that says why."""
        void: dict[int, JournalEntry] = {}
        for entry in self.entries:
            what = _read(entry)
            if what["act"] == "void":
                void[what["case"]] = entry
            elif what["act"] == "revised":
                void.pop(what["case"], None)
        return void

    def joined(self) -> dict[int, int]:
        """Number -> number of the case that a person joined it to, where that still holds."""
        joined: dict[int, int] = {}
        for entry in self.entries:
            what = _read(entry)
            if what["act"] == "joined":
                joined[what["case"]] = what["to_case"]
            elif what["act"] == "parted" and not what.get("at"):
                joined.pop(what["case"], None)
        return joined

    def effect_days(self) -> dict[int, CaseText]:
        """Number of a case -> the newest day on which the effect of its corrective action is to be reviewed.

        Of joined cases under the number that goes on; none of a case that is void, and none whose effect
        was reviewed since that day was written down.
        """
        texts: dict[int, dict[str, CaseText]] = {}
        joined, void = self.joined(), self.void()
        for entry in self.entries:
            what = _read(entry)
            number = joined.get(what["case"], what["case"])
            if what["act"] in WITH_TEXTS and number not in void:
                _read_texts(entry, texts.setdefault(number, {}))
        days = {number: of["look_on"] for number, of in texts.items() if "look_on" in of}
        return {n: day for n, day in days.items() if day.text and not _answers(texts[n].get("effect"), day)}

    def cuts(self, zone: str) -> list[int]:
        """Instants in ns at which a person parted a case of a zone in two."""
        return [
            parse(what["at"], UTC)
            for what in map(_read, self.entries)
            if what["act"] == "parted" and what.get("at") and what["zone"] == zone
        ]

    def decided(self) -> dict[str, str]:
        """Key of an inspection -> the newest decision on it, whatever case it was made in."""
        on_cases = [_case_decision(e) for e in self.entries if e.what["act"] == "decision"]
        on_runs = [_carried_decision(d) for d in self.earlier.of_inspections]
        newest = sorted([*on_runs, *on_cases], key=lambda d: d.entry)
        return {d.inspection: d.decision for d in newest}

    def revision(self, number: int) -> int:
        """How often the description of a case was revised."""
        return sum(what["act"] == "revised" and what["case"] == number for what in map(_read, self.entries))

    def work(self, case: Case) -> CaseWork:
        """Everything that was done about a case, under any of its numbers or on its excursions."""
        acts = [e for e in self.entries if e.what["case"] in case.numbers]
        texts: dict[str, CaseText] = {}
        decisions: dict[str, CaseDecision] = {}
        closing, reopened, carried = self._carried(case, texts, decisions)
        for entry in acts:
            what = _read(entry)
            act = what["act"]
            if act in WITH_TEXTS:
                _read_texts(entry, texts)
            if act == "decision":
                decision = _case_decision(entry)
                decisions[decision.inspection] = decision
            elif act == "closed":
                rules = frozenset(run["rule"] for run in what["runs"])
                closing, reopened = Closing(entry.who, entry.at_ns, entry.number, rules), ""
            elif what.get("reopened") and closing is not None:
                reopened = what["reopened"]
        both = sorted([*carried, *acts], key=lambda e: e.number)
        return CaseWork(texts, decisions, closing, reopened, tuple(both))

    def _carried(
        self, case: Case, texts: dict[str, CaseText], decisions: dict[str, CaseDecision]
    ) -> tuple[Closing | None, str, list[JournalEntry]]:
        """What was noted on single excursions: texts, decisions, and whether each one was closed."""
        spans = [span_of(e) for e in case.runs]
        notes = [d for d in self.earlier.of_excursions if any(d.about.meets(s) for s in spans)]
        deeds = [
            d
            for d in self.earlier.of_inspections
            if d.about.kind == "excursion" and any(d.about.meets(s) for s in spans)
        ]
        for note in notes:
            for name, text in asdict(note.findings).items():
                if visible(text):
                    texts[name] = CaseText(text, note.who, note.at_ns, note.number)
        decisions.update({d.inspection: _carried_decision(d) for d in deeds})
        numbers = {d.number for d in (*notes, *deeds)}
        carried = [e for e in self.proof if e.number in numbers]
        newest = [self.earlier.excursion(e) for e in case.runs if e.asks_disposition]
        last = max((d for d in newest if d is not None and d.closed), key=lambda d: d.number, default=None)
        if last is None or not all(d is not None and d.closed for d in newest):
            return None, "", carried
        rules = frozenset(e.rule for e in case.runs)
        return Closing(last.who, last.at_ns, last.number, rules), "", carried


def case_book(store: Store) -> CaseBook:
    """Read everything that was done about cases."""
    earlier = book(store)
    kinds = ("disposition-excursion", "disposition-inspection")
    proof = [e for kind in kinds for e in store.journal.entries(kind=kind)]
    return CaseBook(tuple(store.journal.entries(kind=KIND)), earlier, tuple(proof))


def _read(entry: JournalEntry) -> CaseEntry:
    return entry.read(CaseEntry)


def _numbered(number: int, entry: JournalEntry, decided_ns: int | None) -> NumberedCase:
    what = _read(entry)
    runs = tuple((run["rule"], parse(run["from"], UTC), parse(run["to"], UTC)) for run in what["runs"])
    return NumberedCase(number, what["zone"], runs, decided_ns)


def _answers(effect: CaseText | None, day: CaseText) -> bool:
    """Whether the effect was reviewed after its day was written down."""
    return effect is not None and visible(effect.text) and effect.entry > day.entry


def _read_texts(entry: JournalEntry, by_name: dict[str, CaseText]) -> None:
    for name, text in (_read(entry).get("texts") or {}).items():
        if name in by_name and by_name[name].text == text:
            continue
        by_name[name] = CaseText(text, entry.who, entry.at_ns, entry.number)


def _case_decision(entry: JournalEntry) -> CaseDecision:
    what = _read(entry)
    return CaseDecision(
        what.get("inspection", ""),
        what.get("decision", ""),
        what.get("customer", ""),
        entry.why,
        what.get("verdict", ""),
        entry.who,
        entry.at_ns,
        entry.number,
    )


def _carried_decision(d: Disposition) -> CaseDecision:
    return CaseDecision(d.inspection, d.decision, d.customer, d.reason, "", d.who, d.at_ns, d.number)


def is_closed(work: CaseWork, case: Case) -> bool:
    """Whether a case is closed, not opened again, and no rule was broken that the closing did not know."""
    if work.closing is None or work.reopened:
        return False
    return {e.rule for e in case.runs if e.asks_disposition} <= work.closing.rules
