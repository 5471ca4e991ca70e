"""What the service knows of itself, gathered once a minute for the alarms about loss of view."""

from __future__ import annotations

import shutil
import tomllib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property

from ..acts import alarms as attending
from ..config.notice_tables import ROUTES
from ..core.alarms.system import SystemFacts
from ..core.calibration.status import status
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
        """As of now."""
        box = attending.outbox(self.store)
        waiting = box.undelivered_letters()
        return SystemFacts(
            disk_free_GB=shutil.disk_usage(self.store.folder).free / 1e9,
            disk_trouble=refusal(self.store.folder),
            disk_wanted_GB=self.config.notices.disk_free_GB,
            backup_age_days=self._backup_age_days(now_ns),
            backup_damage="" if self.config.backup is None else damage(self.store),
            clock_step_s=self._clock_step_s(now_ns),
            failing={job: why for job, why in tuple(self.failing.items()) if job != CENTRE},
            stuck=self.stuck(),
            late_routes=dict(self.late_routes),
            refused=_names(box.failed_letters(now_ns - REFUSED_NS)),
            waiting_s=max((now_ns - int(x.body["queued_ns"]) for x in waiting), default=0) / NS,
            unproven=self._unproven_routes(box, now_ns),
            overdue=self._overdue(now_ns),
            strangers=self._strangers(now_ns),
            clock_unsure=self._clock_unsure(),
        )

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


def _routes(texts: Mapping[str, str]) -> set[str]:
    """Keys of the routes that the files of a setup declare."""
    files = [tomllib.loads(text) for name, text in texts.items() if name.endswith(".toml")]
    return {key for file in files for kind in ROUTES for key in file.get(kind, {})}


def _names(letters: Iterable[Letter]) -> list[str]:
    return sorted({letter.body["recipient"] or letter.route for letter in letters})
