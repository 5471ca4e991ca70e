"""Inspections that run or have run: dropped files, forgotten stops, verdicts that become others."""

from __future__ import annotations

from ..acts.alarms import outbox
from ..acts.inspections import inspections
from ..acts.marks import marks
from ..core.judge.judgement import lookahead_s
from ..inspections.drop_folder import process_files
from ..inspections.readiness import FORGOTTEN_NS, overlong
from ..inspections.revisions import Issue, issues, review
from ..instants import NS, rfc3339
from ..model import Config, Inspection
from ..notify.text import Wording
from ..store import Store
from ..verdicts.verdicts import Verdicts

ASKED = "inspection-asked"
REVIEW_EVERY_NS = 60 * NS
NEWS_NS = 30 * 86_400 * NS
NEVER_NS = 2**62


class InspectionJobs:
    """Looks after inspections beside the judging, by verdicts of its own."""

    def __init__(self, store: Store, config: Config) -> None:
        self._store = store
        self._cursor: int | None = None  # None: everything is looked at
        self._marks = 0
        self._next_ns = 0
        self._announced: set[int] = set()
        self._coming: Config | None = None
        self._config, self._verdicts = config, Verdicts(store, config.setup)

    def use(self, config: Config) -> None:
        """From the next turn on; another setup may say otherwise of all that was."""
        self._coming = config

    def turn(self, now_ns: int) -> None:
        """What was dropped at once; the rest once a minute."""
        coming, self._coming = self._coming, None
        if coming is not None:
            self._config, self._verdicts = coming, Verdicts(self._store, coming.setup)
            self._cursor, self._next_ns = None, 0
        process_files(self._store, self._config.setup, now_ns)
        if abs(now_ns - self._next_ns) < REVIEW_EVERY_NS:
            return
        self._next_ns = now_ns
        self._ask_forgotten(now_ns)
        self._review(now_ns)
        self._notify_changes(now_ns)

    def _notify_changes(self, now_ns: int) -> None:
        """Each verdict that became another one, whoever wrote its revision: once, also over restarts."""
        jobs = {job.key: job for job in inspections(self._store)}
        new = [i for group in issues(self._store).values() for i in group if self._is_news(i, now_ns)]
        for issue in sorted(new, key=lambda i: i.entry):
            self._announced.add(issue.entry)
            key = f"{issue.inspection}.issue-{issue.number}"
            if not outbox(self._store).of(key):
                self._notify(key, _change_wording(jobs[issue.inspection], issue), now_ns)

    def _is_news(self, issue: Issue, now_ns: int) -> bool:
        """A revision of an older program names no origin; its change was notified when it was written."""
        young = issue.at_ns > now_ns - NEWS_NS
        return issue.other_verdict and bool(issue.way) and young and issue.entry not in self._announced

    def _review(self, now_ns: int) -> None:
        marked = len(marks(self._store))
        changed, cursor = self._store.readings.changed_since(-1 if self._cursor is None else self._cursor)
        all_zones = self._cursor is None or marked != self._marks
        affected = None if all_zones else self._affected_keys(changed, now_ns)
        review(self._store, self._verdicts, now_ns, affected)
        self._cursor, self._marks = cursor, marked

    def _affected_keys(self, changed: dict[str, int], now_ns: int) -> set[str]:
        """Jobs whose zone has readings that arrived since, of a time that can change what was issued."""
        setup = self._config.setup
        final = {key for key, group in issues(self._store).items() if not group[-1].provisional}
        first: dict[str, int] = {}
        reach: dict[str, int] = {}
        for zone in setup.zones:
            first[zone] = min((changed[c] for c in setup.channels_in(zone) if c in changed), default=NEVER_NS)
            reach[zone] = lookahead_s(setup, zone) * NS
        ended = [j for j in inspections(self._store) if j.to_ns is not None and j.zone in first]
        return {
            j.key for j in ended if j.key not in final or first[j.zone] <= (j.to_ns or now_ns) + reach[j.zone]
        }

    def _ask_forgotten(self, now_ns: int) -> None:
        """Ask once about each inspection that has run for 12 h."""
        already = {entry.what["inspection"] for entry in self._store.journal.entries(kind=ASKED)}
        for job in overlong(self._store, now_ns):
            if job.key not in already:
                facts = {"inspection": job.key, "zone": job.zone, "since": rfc3339(job.from_ns)}
                self._store.journal.append(ASKED, "stillroom", facts)
                self._notify(f"{job.key}.forgotten", _forgotten_wording(job), now_ns)

    def _notify(self, key: str, words: Wording, now_ns: int) -> None:
        mark = "SIMULATED: " if self._store.simulated else ""
        subject = f"{mark}{self._config.setup.room.name}: {words.subject}"
        with self._store.begin() as conn:
            letter = Wording(subject, words.body)
            outbox(self._store).put_letter(conn, key, letter, self._config.mail, now_ns)


def _change_wording(job: Inspection, issue: Issue) -> Wording:
    return Wording(
        f"inspection {job.key} {issue.difference}",
        f"{job.person or 'Whoever answers for it'}: {job.title} ({job.key}), {issue.difference}.\n"
        f"{issue.because}\n"
        f"Readings that came late, or a correction, changed it: this is revision {issue.number}; the earlier "
        f"ones are kept.\nSee: stillroom inspection issues {job.key}\n",
    )


def _forgotten_wording(job: Inspection) -> Wording:
    return Wording(
        f"inspection {job.key}: still running?",
        f"{job.person or 'Whoever started it'}: {job.title} ({job.key}) has been running for more than "
        f"{FORGOTTEN_NS // NS // 3600} h, since {rfc3339(job.from_ns)}.\n"
        f"If it is over: stillroom inspection stop {job.key}\n",
    )
