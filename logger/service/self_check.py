"""What the service knows of itself, gathered once a minute for the alarms about loss of view."""

from __future__ import annotations

import shutil
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from ..acts import alarms as attending
from ..config.notice_tables import ROUTES
from ..core.alarms.system import SystemFacts
from ..core.calibration.status import status
from ..errors import SeparateErrors, sentence_of
from ..instants import NS
from ..model import Config
from ..notify.outbox import Letter, Outbox
from ..store import Store
from ..store.place import refusal
from . import centre_post
from .backups import damage, newest_backup_ns

CLOCK_NS = 600 * NS  # a step of the clock is notified for so long
REFUSED_NS = 86_400 * NS
STRANGE_NS = 3600 * NS
# A centre that is away shows this room as silent itself: an alarm in each of its rooms would add nothing.
CENTRE = centre_post.JOB
DAY_NS = 86_400 * NS


@dataclass(frozen=True)
class SelfCheck:
    """Gathers `SystemFacts` of one store under one configuration; `failing` is the job loop's own list.

    stuck: what does not come back outside, by name; late_routes: those whose last attempt was overdue.
    """

    store: Store
    config: Config
    failing: Mapping[str, str]
    stuck: Callable[[], Mapping[str, str]] = dict
    late_routes: Mapping[str, str] = field(default_factory=dict)

    def facts(self, now_ns: int) -> SystemFacts:
        """As of now. What cannot be learnt is named as a job that fails, and silences none of the others."""
        errors, facts = SeparateErrors(), {}
        for name, (field_name, learn) in self._questions(now_ns).items():
            with errors.of(name):
                facts[field_name] = learn()
        failing = {job: why for job, why in tuple(self.failing.items()) if job != CENTRE}
        failing |= {name: sentence_of(error) for name, error in errors.by_name.items()}
        return SystemFacts(
            disk_wanted_GB=self.config.notices.disk_free_GB,
            failing=failing,
            stuck=self.stuck(),
            late_routes=dict(self.late_routes),
            **facts,
        )

    def _questions(self, now_ns: int) -> dict[str, tuple[str, Callable[[], Any]]]:
        """What is looked at -> the field of `SystemFacts`, and how it is learnt."""
        box = attending.outbox(self.store)
        return {
            "look at the disk": ("disk_free_GB", lambda: shutil.disk_usage(self.store.folder).free / 1e9),
            "look at the data folder": ("disk_trouble", lambda: refusal(self.store.folder)),
            "look at the age of backups": ("backup_age_days", lambda: self._backup_age_days(now_ns)),
            "look at backups": (
                "backup_damage",
                lambda: "" if self.config.backup is None else damage(self.store),
            ),
            "look at steps of the clock": ("clock_step_s", lambda: self._clock_step_s(now_ns)),
            "look at refused notices": ("refused", lambda: _names(box.failed_letters(now_ns - REFUSED_NS))),
            "look at waiting notices": ("waiting_s", lambda: _waiting_s(box, now_ns)),
            "look at proofs of routes": ("unproven", lambda: self._unproven_routes(box, now_ns)),
            "look at calibrations": ("overdue", lambda: self._overdue(now_ns)),
            "look at who answers": ("strangers", lambda: self._strangers(now_ns)),
            "look at corrections of the clock": ("clock_unsure", self._clock_unsure),
        }

    def _backup_age_days(self, now_ns: int) -> float | None:
        if self.config.backup is None:
            return None
        newest = newest_backup_ns(self.store)
        return None if newest is None else (now_ns - newest) / DAY_NS

    def _clock_step_s(self, now_ns: int) -> float | None:
        for entry in self.store.journal.entries(kind="event", newest_first=True, limit=100):
            if now_ns - entry.at_ns > CLOCK_NS:
                return None
            if entry.what.get("event") == "clock-step" and entry.at_ns <= now_ns:
                return float(str(entry.what.get("step_s", 0.0)))
        return None

    def _unproven_routes(self, box: Outbox, now_ns: int) -> dict[str, float]:
        """Routes that took nothing for longer than planned, counted from the setup that brought them."""
        last, begun = box.receipts(), self._routes_since
        ages = {
            key: (now_ns - max(last.get(key, 0), begun.get(key, now_ns))) / DAY_NS
            for key in self.config.routes
        }
        return {key: days for key, days in ages.items() if days > self.config.notices.proof_days}

    @cached_property
    def _routes_since(self) -> dict[str, int]:
        """Since when each route stands in every version of the setup."""
        begun: dict[str, int] = {}
        for version in self.store.setups.versions():
            begun = {key: begun.get(key, version.at_ns) for key in _routes(version.texts)}
        return begun

    def _strangers(self, now_ns: int) -> dict[str, str]:
        """Probes whose newest polls found another one at the line."""
        newest = self.store.readings.newest(since_ns=now_ns - STRANGE_NS)
        mine = {channel: line.probe for line in self.config.lines for channel in line.channels.values()}
        return {
            mine[channel]: row.raw or "another one answers"
            for channel, row in newest.items()
            if channel in mine and row.status == "wrong-probe" and now_ns - row.taken_ns < STRANGE_NS
        }

    def _clock_unsure(self) -> str:
        waiting = self.store.clocks.unsure_boots()
        if not waiting:
            return ""
        why = next(iter(waiting.values())).why
        return f"readings wait for a correction of this machine's clock ({why}); see `stillroom clock list`"

    def _overdue(self, now_ns: int) -> list[str]:
        setup = self.config.setup
        here = (c for c in setup.channels if setup.position_at(c, now_ns) is not None)
        return [c for c in here if status(setup, c, now_ns).status == "overdue"]


def _waiting_s(box: Outbox, now_ns: int) -> float:
    """Age of the oldest notice that nobody took yet."""
    queued_ns = (int(letter.body["queued_ns"]) for letter in box.undelivered_letters())
    return max((now_ns - ns for ns in queued_ns), default=0) / NS


def _routes(texts: Mapping[str, str]) -> set[str]:
    """Keys of the routes that the files of a setup declare."""
    files = [tomllib.loads(text) for name, text in texts.items() if name.endswith(".toml")]
    return {key for file in files for kind in ROUTES for key in file.get(kind, {})}


def _names(letters: Iterable[Letter]) -> list[str]:
    return sorted({letter.body["recipient"] or letter.route for letter in letters})
