"""All parts of the running service in one object: started, watched over, and ended in order."""

from __future__ import annotations

import logging
import os
import time
from collections.abc import Callable
from functools import partial
from importlib.metadata import version

from sqlalchemy import func, select

from ..acts import alarms as attending
from ..config import in_force
from ..config.plug_ins import plug_in_changes
from ..instants import NS, rfc3339
from ..model import Config
from ..notify.mail import Sender, SmtpSender
from ..notify.outbox import gives_up
from ..probes.clock import Clock
from ..processes import waits
from ..store import Store
from ..store.hot import tables
from ..store.store_file import hot_table
from ..verdicts.live_verdicts import LiveVerdicts
from ..verdicts.verdicts import Verdicts
from . import centre_post, systemd
from .alarm_engine import AlarmEngine
from .archive_watch import ArchiveWatch
from .calendar_work import BACKUP, NUMBERS, CalendarWork
from .calibration_notices import notify_due
from .condition_files import JOB as CONDITION_FILES
from .condition_files import ConditionFiles
from .digest import queue_digest
from .folder import WatchedFolder
from .heartbeat import OutsideHeartbeat, beat
from .inspection_jobs import InspectionJobs
from .jobs import Jobs
from .notice_log import NoticeLog
from .publisher import Publications
from .self_check import SelfCheck
from .senders import Senders
from .shared_loops import SharedWork, loop_of
from .sources import ENDS_IN_S, HANGS_AFTER_S, Sources
from .store_failure import StoreFailure
from .writer import Writer

log = logging.getLogger(__name__)

SHORTEST_OUTAGE_NS = 180 * NS
JUDGES_AT_MOST_S = 1800.0  # years that are judged again take their time; longer is a hang
# So long a job may take before it is alarmed as one that does not come back.
LONGEST_S = 300.0
MAY_LAST_S = {
    "judge": JUDGES_AT_MOST_S, "judge now": JUDGES_AT_MOST_S, "import files": 1800.0,
    **dict.fromkeys(("daily seal", "daily check", BACKUP, "month's end"), 6 * 3600.0),
    NUMBERS: 1800.0,
}  # fmt: skip
STILL_S = 45.0  # a share or a file of which nothing has moved for so long is alarmed as well
RESCUED_WITHIN_S = 5.0  # with a database that somebody else holds the start does not wait longer
UNSTORED = "alarm that nothing is stored"
SEND_EVERY_S = 5.0
IMPORT_EVERY_S = 5.0
ATTEND_EVERY_S = 2.0
SUMMARY_EVERY_S = 60.0


class Service:
    """The service on one store with the setup in force. The caller holds `store.lock_service()`."""

    def __init__(
        self,
        store: Store,
        config: Config,
        *,
        clock: Callable[[], int] = time.time_ns,
        judge_every_s: float = 5.0,
        sender: Sender | None = None,
        bus_clock: Clock | None = None,
        connected: Callable[[Config], Config] = lambda config: config,
        shared: SharedWork | None = None,
    ) -> None:
        """`connected` is asked of each setup that is taken over later: other lines than its files say.

        shared: what this room has together with others in this process; None: a process of its own.
        """
        self._shared = shared
        self._store = store
        self._clock = clock
        self._connected = connected
        self._sender = sender or SmtpSender()
        self._unstored = StoreFailure(self._sender, on_server=hot_table(store.folder) is not None)
        self._writer = Writer(store, clock=clock)
        self._jobs = Jobs(self._writer.event)
        self._judging = loop_of(shared, "judge", self._jobs, self._judge, judge_every_s)
        self._sending = loop_of(shared, "send notices", self._jobs, self._send, SEND_EVERY_S)
        self._senders = Senders(self._jobs, self._send_due)
        # Apart from notices that lie in the store, which a silent server holds up.
        alarm = partial(self._senders.begin, UNSTORED, self._alarm_unstored)
        self._storing_alarm = loop_of(shared, "alarm of what is not stored", self._jobs, alarm, SEND_EVERY_S)
        self._archive = ArchiveWatch(store, self._senders)
        self._late_routes: dict[str, str] = {}  # whose last attempt did not end by its deadline, and how
        self._notice_log = NoticeLog()
        self._watchers = OutsideHeartbeat()
        self._jobs_of_people = InspectionJobs(store, config)
        self._condition_files = ConditionFiles(store, config)
        self._attending = loop_of(shared, "inspections", self._jobs, self._attend, ATTEND_EVERY_S)
        self._folder = WatchedFolder(store, clock)
        self._importing = loop_of(shared, "import files", self._jobs, self._import, IMPORT_EVERY_S)
        self._watching = loop_of(
            shared, "watchdog", self._jobs, self._feed, (systemd.watchdog_s() or 30.0) / 3
        )
        self._sources = Sources(store, self._writer, bus_clock)
        self._publications = Publications(store.key, self._writer.event)
        beat_s = config.heartbeat.every_s if config.heartbeat else 60.0
        self._outside = loop_of(shared, "heartbeat outside", self._jobs, self._beat_outside, beat_s)
        self._beaten_s = self._judged_s = time.monotonic()
        self._summary, self._summarised_s = store.folder / "summary.json", -SUMMARY_EVERY_S
        self._calendar = CalendarWork(store, self._writer.event, clock, self._senders, shared)
        self._due_checked_ns = 0  # when it was last looked for what comes due
        self._since_ns = clock()  # before that nobody asked the probes
        self._use(config)

    @property
    def takeover(self) -> str:
        """Who took the record over, as a sentence, "" while nobody did: then this service has to end."""
        return self._writer.takeover or self._jobs.takeover

    @property
    def alive(self) -> bool:
        """Whether every part that must never end still runs."""
        if self.takeover:
            return False
        threads = self._writer.alive and self._judging.alive and self._sending.alive
        return threads and self._sources.alive

    def start(self) -> None:
        """Begins polling and judging; returns at once."""
        self._writer.start()
        self._journal_start()
        self._sources.start(self.config)
        self._publications.use(self.config.publish)
        self._judging.start()
        self._sending.start()
        self._storing_alarm.start()
        self._importing.start()
        self._attending.start()
        self._outside.start()
        self._calendar.start()
        if self._shared is None:  # else who keeps the rooms speaks for all of them
            self._watching.start()
            systemd.notify("READY=1")

    def stop(self, timeout_s: float = ENDS_IN_S) -> bool:
        """Ends polling, stores what is in memory, ends; whether all that came in is stored.

        What hangs outside is not waited for: it is tried again at the next start, and notices are in the
        outbox; what is not judged is judged then. The writer has the last share of the time to itself.
        """
        deadline = time.monotonic() + timeout_s

        def left_s() -> float:
            return max(0.1, deadline - timeout_s / 3 - time.monotonic())

        if self._shared is None:
            systemd.notify("STOPPING=1")
        self._calendar.end()
        loops = (self._judging, self._attending, self._watching, self._importing, self._sending)
        for loop in (*loops, self._storing_alarm, self._outside):
            loop.end()
        in_time = self._sources.stop(left_s() / 2)
        in_time &= self._judging.stop(left_s())
        for loop in loops:
            loop.stop(left_s() / 2)
        self._senders.wait(min(1.0, left_s()))
        self._publications.stop()
        self._writer.event("stop", {"in_time": in_time})
        ended = self._writer.stop(max(0.1, deadline - time.monotonic()))
        self._jobs.run("last heartbeat", lambda: self._beat(stopped=True))
        return ended

    @property
    def remainder(self) -> str:
        """Where readings are that were not stored before the end, in a sentence; "" if all were."""
        return self._writer.remainder

    def status(self) -> dict[str, object]:
        """What the heartbeat and the page Health say of the parts."""
        now_s = time.monotonic()
        return {
            "at": rfc3339(self._clock()),
            "pid": os.getpid(),
            "software": version("stillroom"),
            "setup": self.config.setup.version,
            "queue": self._writer.waiting,
            "readings_lost": self._writer.lost,
            "store_trouble": self._writer.trouble,
            "stored_s_ago": round(now_s - self._writer.passed_s, 1),
            **self._sources.status(self._publications.status()),
            "stuck": self._stuck(),
            "failing": dict(self._jobs.failing),
        }

    def _stuck(self) -> dict[str, str]:
        """What does not come back, by its name, each with for how long or why."""
        lasting = self._jobs.lasting().items()
        late = {job: f"for {s:.0f} s" for job, s in lasting if s > MAY_LAST_S.get(job, LONGEST_S)}
        still = {name: f"for {s:.0f} s" for name, s in waits.lasting().items() if s > STILL_S}
        return {**self._sources.stuck(), **late, **self._jobs.overdue(), **still}

    def _use(self, config: Config) -> None:
        self.config = config
        self._jobs_of_people.use(config)
        self._condition_files.use(config)
        self._verdicts = Verdicts(self._store, config.setup)
        self._live = LiveVerdicts(self._verdicts, measures_gains=False)  # the calendar measures them
        facts = SelfCheck(self._store, config, self._jobs.failing, self._stuck, self._late_routes).facts
        self._alarming = AlarmEngine(self._store, config, self._verdicts, self._since_ns, facts)
        self._calendar.use(config, self._live)

    def _judge(self) -> None:
        """One turn of the job loop."""
        self._jobs.run("take over setup", self._take_over_setup)
        self._jobs.run("look at clock", self._sources.watch.check)
        now_ns = self._clock()
        judged = self._jobs.run("judge now", lambda: self._live.judge(now_ns))
        self._jobs.run("judge sealed days", self._live.refuse_unread)
        alarmed = self._jobs.run("alarms", lambda: self._alarm(now_ns))
        self._judged_s = time.monotonic()
        self._jobs.run(
            "publish verdicts", lambda: self._publications.publish(self._store, self.config.setup, now_ns)
        )
        if judged and alarmed and self._moves():
            self._beat()
        self._summarise(now_ns)

    def _summarise(self, now_ns: int) -> None:
        """Where the room is one of a group, what its page Rooms shows of it, once a minute."""
        grouped = self.config.centre is not None or self._summary.exists()
        if time.monotonic() - self._summarised_s < SUMMARY_EVERY_S or not grouped:
            return
        from ..rooms.summary import write_summary

        self._summarised_s = time.monotonic()
        self._jobs.run("summary", lambda: write_summary(self._store, self.config.setup, now_ns))
        if self.config.centre is not None:  # which may hang, and holds up nothing else
            self._senders.begin(centre_post.JOB, self._post_summary)

    def _post_summary(self) -> None:
        if self.config.centre is not None:
            centre_post.post_summary(self.config.centre, self._summary.read_bytes())

    def _feed(self) -> None:
        """Tells systemd that writer and judge are at work; to judge a record of years again may take long.

        A full disk is no reason to begin anew, which would lose what is in memory; nor is what hangs outside.
        """
        tried_s = time.monotonic() - self._writer.tried_s
        judges = time.monotonic() - self._judged_s < JUDGES_AT_MOST_S
        if judges and tried_s < HANGS_AFTER_S and self.alive:
            systemd.notify(
                f"WATCHDOG=1\nSTATUS=setup {self.config.setup.version}, queue {self._writer.waiting}"
            )

    def _alarm(self, now_ns: int) -> None:
        if self._alarming.turn(now_ns):
            self._sending.wake()

    def _import(self) -> None:
        self._folder.turn(self.config)

    def _attend(self) -> None:
        self._jobs_of_people.turn(self._clock())
        if self.config.conditions is not None:  # a share may hang, which holds up nothing else
            self._senders.begin(CONDITION_FILES, lambda: self._condition_files.turn(self._clock()))

    def _send(self) -> None:
        self._archive.turn()
        self._jobs.run("notices of due days", self._notify_due_days)
        self._jobs.run("daily digest", self._digest)
        self._senders.send(attending.outbox(self._store).routes_due(self._clock()))

    def _send_due(self, route: str) -> None:
        """Every letter of one route that is due."""
        results = attending.outbox(self._store).send_due(
            self._sender, self.config.routes, self._clock(),
            going_on=lambda: not self._sending.ending, route=route,
        )  # fmt: skip
        for letter, outcome in results:
            self._late_routes.pop(route, None)
            if outcome.overdue:
                self._late_routes[route] = outcome.reply
            self._notice_log.note(letter, outcome)
            if gives_up(letter, outcome, self._clock()):
                what = {
                    "route": letter.route, "recipient": letter.body["recipient"], "alarm": letter.alarm
                }  # fmt: skip
                self._writer.event("notice-refused", {**what, "reply": f"{outcome.code} {outcome.reply}"})

    def _take_over_setup(self) -> None:
        """A version that was put in force meanwhile, by a command or the dashboard."""
        with self._store.read() as conn:
            newest = conn.execute(select(func.max(tables.setup.c.version))).scalar()
        if newest is None or newest <= self.config.setup.version:
            return
        config = self._connected(in_force(self._store.setups.versions()))
        other_lines = config.lines != self.config.lines
        if other_lines:
            self._sources.change(config)
        self._use(config)
        self._publications.use(config.publish)
        facts = {"version": config.setup.version, "lines_changed": other_lines}
        self._writer.event("setup-taken-over", facts)
        self._journal_plug_ins()

    def _journal_start(self) -> None:
        now_ns = self._clock()
        self._writer.looked.wait(RESCUED_WITHIN_S)  # what an earlier run left is no outage
        newest = max(self._store.readings.newest_taken().values(), default=None)
        what = {"software": version("stillroom"), "setup": self.config.setup.version}
        self._writer.event("start", {**what, "simulated": self._store.simulated})
        self._journal_plug_ins()
        if newest is None:
            return
        away = {"from": rfc3339(newest), "to": rfc3339(now_ns)}
        if newest > now_ns:
            self._writer.event("clock-before-newest-reading", away)
        elif now_ns - newest > SHORTEST_OUTAGE_NS:
            self._writer.event("outage", {**away, "seconds": (now_ns - newest) // NS})

    def _journal_plug_ins(self) -> None:
        """Drivers of other packages that are not those with which the setup was entered."""
        for kind, packages in plug_in_changes(self.config.texts, self.config.lines).items():
            self._writer.event("plug-in-changed", {"kind": kind, **packages})

    def _alarm_unstored(self) -> None:
        trouble, waiting = self._writer.trouble, self._writer.waiting
        self._unstored.turn(self.config, trouble, waiting, monotonic_s=time.monotonic(), now_ns=self._clock())

    def _digest(self) -> None:
        queue_digest(self._store, self.config, self._verdicts, self._clock())

    def _notify_due_days(self) -> None:
        """Once an hour, and at the start: a service that was away for a month tells at once."""
        now_ns = self._clock()
        if abs(now_ns - self._due_checked_ns) >= 3600 * NS:
            notify_due(self._store, self.config, now_ns)
            self._due_checked_ns = now_ns

    def _moves(self) -> bool:
        """Whether rows get to the disk; asked only when the judge has judged, so that it speaks for both."""
        return time.monotonic() - self._writer.passed_s < HANGS_AFTER_S and self.alive

    def _beat_outside(self) -> None:
        """Only while the heartbeat itself is given: what stops that must be noticed outside."""
        plan = self.config.heartbeat
        if plan is not None and time.monotonic() - self._beaten_s < HANGS_AFTER_S:
            self._watchers.beat(plan, self.status())

    def _beat(self, stopped: bool = False) -> None:
        self._beaten_s = time.monotonic()
        beat(self._store.folder, {**self.status(), "stopped": stopped})
