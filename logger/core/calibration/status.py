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
OVERDUE = -1  # the step of a notice on or after the due day


@dataclass(frozen=True)
class Confirmation:
    """Of one channel at one instant. `days_left`: 0 on the due day, negative after it; None: no due day."""

    channel: str
    status: Status
    certificate: Certificate | None = None
    due: date | None = None
    days_left: int | None = None


@dataclass(frozen=True)
class DueNotice:
    """A channel whose calibration comes due: `step` is 60, 30, 7, or OVERDUE."""

    confirmation: Confirmation
    step: int

    @property
    def key(self) -> tuple[str, str, int]:
        """Identity of the notice: channel, certificate, step."""
        number = self.confirmation.certificate.number if self.confirmation.certificate else ""
        return self.confirmation.channel, number, self.step


@dataclass(frozen=True)
class RegisterEntry:
    """One line of the register of probes: a channel, its position and confirmation, and what is missing."""

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
    certificate = used[-1]
    due, days_left = _days(certificate, setup, at_ns)
    return Confirmation(channel, _status_of(certificate, days_left, at_ns), certificate, due, days_left)


def _status_of(certificate: Certificate, days_left: int | None, at_ns: int) -> Status:
    if certificate.withdrawn_ns is not None and certificate.withdrawn_ns <= at_ns:
        return "withdrawn"
    if certificate.due_ns is not None and certificate.due_ns <= at_ns:
        return "overdue"
    return "due" if days_left is not None and days_left <= NOTICE_DAYS[0] else "confirmed"


def _days(certificate: Certificate, setup: Setup, at_ns: int) -> tuple[date | None, int | None]:
    if certificate.due_ns is None:
        return None, None
    zone = ZoneInfo(setup.room.timezone)
    due = _day(certificate.due_ns - 1, zone)
    return due, (due - _day(at_ns, zone)).days


def _day(at_ns: int, zone: ZoneInfo) -> date:
    return datetime.fromtimestamp(at_ns // NS, UTC).astimezone(zone).date()


def notices(setup: Setup, at_ns: int, sent: Collection[tuple[str, str, int]] = ()) -> list[DueNotice]:
    """Notices that are due now and are not in `sent`: one a channel, the most urgent step it has reached.

    Left out are channels whose probe is at no position, and those whose next certificate begins in time.
    sent: keys of the notices of before (`DueNotice.key`).
    """
    due = []
    for channel in setup.channels:
        confirmation = status(setup, channel, at_ns)
        notice = _due_notice(confirmation)
        if notice and notice.key not in sent and _needs_notice(setup, confirmation, at_ns):
            due.append(notice)
    return due


def _due_notice(confirmation: Confirmation) -> DueNotice | None:
    days_left = confirmation.days_left
    if days_left is None or confirmation.status not in ("due", "overdue"):
        return None
    steps = [days for days in NOTICE_DAYS if days_left <= days]
    return DueNotice(confirmation, OVERDUE if confirmation.status == "overdue" else steps[-1])


def _needs_notice(setup: Setup, confirmation: Confirmation, at_ns: int) -> bool:
    due_ns = confirmation.certificate.due_ns if confirmation.certificate else None
    later = [c for c in setup.certificates_of(confirmation.channel) if c.valid_from_ns > at_ns]
    in_time = due_ns is not None and any(c.valid_from_ns <= due_ns for c in later)
    return setup.position_at(confirmation.channel, at_ns) is not None and not in_time


def register(setup: Setup, at_ns: int) -> list[RegisterEntry]:
    """Every channel of every probe for an assessor, with what its entry lacks."""
    entries = []
    for key, channel in setup.channels.items():
        probe, confirmation = setup.probes[channel.probe], status(setup, key, at_ns)
        position = setup.position_at(key, at_ns)
        entries.append(
            RegisterEntry(
                probe.key,
                probe.serial,
                probe.description,
                position,
                confirmation,
                _missing(confirmation, position),
            )
        )
    return entries


def _missing(confirmation: Confirmation, position: Position | None) -> tuple[str, ...]:
    missing = [] if position else ["position"]
    certificate = confirmation.certificate
    if certificate is None or confirmation.status == "withdrawn":
        return (*missing, "certificate")
    if confirmation.status == "overdue":
        missing.append("valid certificate")
    if certificate.due_ns is None:
        missing.append("due day")
    if not certificate.accreditation:
        missing.append("accreditation number")
    return tuple(missing)
