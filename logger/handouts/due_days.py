"""What falls due in a room: calibrations, reviews, effects of corrective actions, the restore test, alarms.

Names of channels and certificates, never those of inspections or customers: calendars are read by many.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from ..acts.alarms import alarm_list
from ..acts.case_book import case_book
from ..core.alarms.lifecycle import Alarm
from ..core.calibration.status import NOTICE_DAYS
from ..instants import NS, local
from ..model import Certificate, Config, Setup
from ..model.figures import channel_words
from ..record.reviews import CADENCES, DAY, GRACE_DAYS, days_of, label_of, missing, reviews

if TYPE_CHECKING:
    from ..store import Store

CANCELLED_FOR = timedelta(days=90)
RESTORE_EVERY = timedelta(days=365)


@dataclass(frozen=True)
class DueDay:
    """One thing that falls due: on a day, or at an instant in ns where `at_ns` is given.

    key: its identity, which stays when the day moves; since_ns: when it was laid down, in version `version`
    of the setup; remind_days: how many days before; cancelled: it fell away, and was sent before.
    """

    key: str
    what: str
    why: str
    since_ns: int
    version: int
    day: date | None = None
    at_ns: int | None = None
    remind_days: tuple[int, ...] = ()
    cancelled: bool = False


def due_days(store: Store, config: Config, now_ns: int) -> list[DueDay]:
    """Everything that falls due or is overdue, in order of time; what was cancelled for a while longer."""
    setup, zone = config.setup, ZoneInfo(config.setup.room.timezone)
    versions = store.setups.versions()
    since_ns = versions[-1].at_ns if versions else 0
    today = local(now_ns, zone).date()
    days = [
        *_calibrations(setup, now_ns, since_ns),
        *_reviews(store, config, now_ns, since_ns),
        *_effects(store, setup.version),
        *_restore_test(store, zone, since_ns, setup.version),
        *(_shelving(alarm, setup) for alarm in alarm_list(store) if alarm.shelved_until_ns is not None),
    ]

    def place(item: DueDay) -> tuple[date, str]:
        day = item.day if item.day is not None else local(item.at_ns or 0, zone).date()
        return day, item.key

    stay = (d for d in days if not d.cancelled or place(d)[0] >= today - CANCELLED_FOR)
    return sorted(stay, key=place)


def _calibrations(setup: Setup, now_ns: int, since_ns: int) -> Iterator[DueDay]:
    """One for each certificate of a channel with a due day; of a probe that is placed, or will be."""
    for channel in setup.channels:
        certificates = [c for c in setup.certificates_of(channel) if c.due_ns is not None]
        for number, certificate in enumerate(certificates):
            later = certificates[number + 1 :]
            ends_ns = _superseded_ns(certificate, later)
            if ends_ns is not None and now_ns - ends_ns > CANCELLED_FOR.days * 86_400 * NS:
                continue
            placed = setup.position_at(channel, now_ns) is not None
            fell_away = ends_ns is not None and ends_ns <= now_ns
            if placed or fell_away:
                yield _calibration(setup, channel, certificate, since_ns, fell_away=fell_away)


def _superseded_ns(certificate: Certificate, later: Sequence[Certificate]) -> int | None:
    """When a certificate went out of use before its due day: withdrawn, or followed by another one."""
    ends = [
        c.valid_from_ns for c in later if certificate.due_ns is None or c.valid_from_ns < certificate.due_ns
    ]
    if certificate.withdrawn_ns is not None:
        ends.append(certificate.withdrawn_ns)
    return min(ends, default=None)


def _calibration(
    setup: Setup, channel: str, certificate: Certificate, since_ns: int, *, fell_away: bool
) -> DueDay:
    assert certificate.due_ns is not None  # noqa: S101 (only those are asked for)
    zone = ZoneInfo(setup.room.timezone)
    probe = setup.probes[setup.channels[channel].probe]
    return DueDay(
        f"calibration-{channel}-{certificate.number}",
        f"Calibration of {channel_words(channel)} is due",
        f"Certificate {certificate.number} by {certificate.issuer}; serial number {probe.serial}. After this "
        "day its readings are stored but show nothing.",
        since_ns,
        setup.version,
        day=local(certificate.due_ns - 1, zone).date(),
        remind_days=NOTICE_DAYS,
        cancelled=fell_away,
    )


def _reviews(store: Store, config: Config, now_ns: int, since_ns: int) -> Iterator[DueDay]:
    """Weeks and months whose review is due next or is missing; days are too many for a calendar."""
    setup = config.setup
    today = local(now_ns, ZoneInfo(setup.room.timezone)).date()
    late = [label for label in missing(store, setup, config.reviews, now_ns) if days_of(label)[0] != "daily"]
    coming = [
        label_of(c, today - n * DAY) for c in CADENCES[1:] if c in config.reviews for n in (GRACE_DAYS, 0)
    ]
    reviewed = {r.period for r in reviews(store)}
    for label in dict.fromkeys([*late, *coming]):
        if label not in reviewed:
            yield DueDay(
                f"review-{label}",
                f"Review of {label} is due",
                "Page Records, or: stillroom review sign",
                since_ns,
                setup.version,
                day=days_of(label)[2] + (GRACE_DAYS - 1) * DAY,
            )


def _effects(store: Store, version: int) -> Iterator[DueDay]:
    """Reviews of what the corrective action of a case changed, until they are made."""
    for number, day in case_book(store).effect_days().items():
        yield DueDay(
            f"effect-case-{number}",
            f"Effect of the corrective action of case {number} is to be reviewed",
            f"Page Cases, or: stillroom case effect {number}",
            day.at_ns,
            version + day.entry,
            day=date.fromisoformat(day.text),
            remind_days=(7,),
        )


def _restore_test(store: Store, zone: ZoneInfo, since_ns: int, version: int) -> Iterator[DueDay]:
    """A year after the last restore test by hand; without one, a year after the record was begun."""
    tried = [e.at_ns for e in store.journal.entries(kind="restore-test")]
    begun = store.journal.entries(limit=1)
    if not begun:
        return
    last_ns = tried[-1] if tried else begun[0].at_ns
    yield DueDay(
        "restore-test",
        "Restore test is due",
        "Bring a backup back on another machine: stillroom restore --test-of",
        max(since_ns, last_ns),
        version + len(tried),
        day=local(last_ns, zone).date() + RESTORE_EVERY,
        remind_days=(30,),
    )


def _shelving(alarm: Alarm, setup: Setup) -> DueDay:
    spec = next((a for a in setup.alarms if a.key == alarm.key), None)
    return DueDay(
        f"shelving-{alarm.key}",
        f"Shelved alarm {alarm.key} comes back",
        f"Shelved by {alarm.shelved_by}: {alarm.shelved_why}" + (f". Then: {spec.action}" if spec else ""),
        alarm.shelved_ns or 0,
        setup.version,
        at_ns=alarm.shelved_until_ns,
    )
