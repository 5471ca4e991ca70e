"""Whether a channel is confirmed, and until when: the metrological confirmation of ISO 10012, in days.

A calibration is due through the end of its day in the room's time zone. What is overdue, withdrawn or
has no certificate supports no verdict; due is what will be overdue within 60 days.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Literal
from zoneinfo import ZoneInfo

from ...instants import NS
from ...model import Certificate, Position, Setup

Status = Literal["confirmed", "due", "overdue", "withdrawn", "none"]
NOTICE_DAYS = (60, 30, 7)
OVERDUE = -1  # stands for "0 days passed" among the notices


@dataclass(frozen=True)
class Confirmation:
    """Of one channel at one instant. `days_left`: 0 on the due day, negative after it; None: no due day."""

    channel: str
    status: Status
    certificate: Certificate | None = None
    due: date | None = None
    days_left: int | None = None


@dataclass(frozen=True)
class Notice:
    """A channel whose calibration comes due: `step` is 60, 30, 7, or OVERDUE."""

    confirmation: Confirmation
    step: int

    @property
    def key(self) -> tuple[str, str, int]:
        """What makes it the same notice again: channel, certificate, step."""
        number = self.confirmation.certificate.number if self.confirmation.certificate else ""
        return self.confirmation.channel, number, self.step


@dataclass(frozen=True)
class Entry:
    """One line of the register of probes: a channel with its place, its confirmation, and what is missing."""

    probe: str
    serial: str
    description: str
    position: Position | None
    confirmation: Confirmation
    missing: tuple[str, ...]


def status(setup: Setup, channel: str, at_ns: int) -> Confirmation:
    """The confirmation of a channel by the certificate in use at an instant."""
    used = [c for c in setup.certificates_of(channel) if c.valid_from_ns <= at_ns]
    if not used:
        return Confirmation(channel, "none")
    paper = used[-1]
    due, left = _days(paper, setup, at_ns)
    return Confirmation(channel, _word(paper, left, at_ns), paper, due, left)


def _word(paper: Certificate, days_left: int | None, at_ns: int) -> Status:
    if paper.withdrawn_ns is not None and paper.withdrawn_ns <= at_ns:
        return "withdrawn"
    if paper.due_ns is not None and paper.due_ns <= at_ns:
        return "overdue"
    return "due" if days_left is not None and days_left <= NOTICE_DAYS[0] else "confirmed"


def _days(paper: Certificate, setup: Setup, at_ns: int) -> tuple[date | None, int | None]:
    if paper.due_ns is None:
        return None, None
    zone = ZoneInfo(setup.room.timezone)
    due = _day(paper.due_ns - 1, zone)
    return due, (due - _day(at_ns, zone)).days


def _day(at_ns: int, zone: ZoneInfo) -> date:
    return datetime.fromtimestamp(at_ns // NS, UTC).astimezone(zone).date()


def notices(setup: Setup, at_ns: int, told: Collection[tuple[str, str, int]] = ()) -> list[Notice]:
    """What a person is to be told now and was not yet: one a channel, the most urgent that was reached.

    Channels that stand nowhere are left out, and those whose next certificate is at hand in time.
    """
    found = []
    for channel in setup.channels:
        confirmation = status(setup, channel, at_ns)
        notice = _reached(confirmation)
        if notice and notice.key not in told and _needed(setup, confirmation, at_ns):
            found.append(notice)
    return found


def _reached(confirmation: Confirmation) -> Notice | None:
    left = confirmation.days_left
    if left is None or confirmation.status not in ("due", "overdue"):
        return None
    steps = [days for days in NOTICE_DAYS if left <= days]
    return Notice(confirmation, OVERDUE if confirmation.status == "overdue" else steps[-1])


def _needed(setup: Setup, confirmation: Confirmation, at_ns: int) -> bool:
    due_ns = confirmation.certificate.due_ns if confirmation.certificate else None
    later = [c for c in setup.certificates_of(confirmation.channel) if c.valid_from_ns > at_ns]
    in_time = due_ns is not None and any(c.valid_from_ns <= due_ns for c in later)
    return position_of(setup, confirmation.channel, at_ns) is not None and not in_time


def position_of(setup: Setup, channel: str, at_ns: int) -> Position | None:
    """Where the probe of a channel stood at an instant; None: nowhere."""
    stays = [p for p in setup.placements_of(channel) if p.from_ns <= at_ns]
    if not stays or (stays[-1].to_ns is not None and stays[-1].to_ns <= at_ns):
        return None
    return setup.positions.get(stays[-1].position)


def register(setup: Setup, at_ns: int) -> list[Entry]:
    """Every channel of every probe as an assessor wants to see it, complete or with what is missing."""
    entries = []
    for key, channel in setup.channels.items():
        probe, confirmation = setup.probes[channel.probe], status(setup, key, at_ns)
        place = position_of(setup, key, at_ns)
        entries.append(
            Entry(
                probe.key, probe.serial, probe.description, place, confirmation, _missing(confirmation, place)
            )
        )
    return entries


def _missing(confirmation: Confirmation, place: Position | None) -> tuple[str, ...]:
    missing = [] if place else ["position"]
    paper = confirmation.certificate
    if paper is None or confirmation.status == "withdrawn":
        return (*missing, "certificate")
    if confirmation.status == "overdue":
        missing.append("confirmation")
    if paper.due_ns is None:
        missing.append("due day")
    if not paper.accreditation:
        missing.append("accreditation number")
    return tuple(missing)
