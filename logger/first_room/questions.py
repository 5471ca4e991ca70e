"""The eight questions of a first room: their fields, what is proposed, and what an answer must be."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from ..errors import Refused, you_entered
from ..model import MEDIA
from ..model.roles import refuse_unseen
from .certificates import certificate_fields, certificate_summary, check_certificates
from .draft import MEDIA_WORDS, Draft, Field, is_zone, needed, number, numbers
from .probe_questions import check_reach, check_units, reach_fields, reach_summary, unit_fields, unit_summary


@dataclass(frozen=True)
class Question:
    """One of the eight: a title for lists, the question itself, and why it is asked."""

    key: str
    title: str
    ask: str
    hint: str
    fields: Callable[[Draft], tuple[Field, ...]]
    check: Callable[[Draft], None]
    summary: Callable[[Draft], str]
    of_file: tuple[str, str] = ("", "")  # question and why, where the room begins from a logger's file

    def words(self, draft: Draft) -> tuple[str, str]:
        """The question and why it is asked."""
        return self.of_file if draft.described is not None and self.of_file[0] else (self.ask, self.hint)


def system_zone() -> str:
    """The IANA name of this machine's time zone; UTC where it does not say."""
    named = os.environ.get("TZ", "").lstrip(":")
    if named and is_zone(named):
        return named
    try:
        _, _, name = str(Path("/etc/localtime").resolve()).partition("zoneinfo/")
        name = name or Path("/etc/timezone").read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        return "UTC"
    return name if is_zone(name) else "UTC"


# 1 and 2: the room and its zone


def _room_fields(_: Draft) -> tuple[Field, ...]:
    return (
        Field("room", "Name of the room", hint="for example Measuring room 2"),
        Field("site", "Site", hint="works or company, as records print it"),
        Field("timezone", "Time zone", system_zone(), "an IANA name such as Europe/Vienna"),
        Field("size", "Length, width and height, m", hint="for example 6 4 3"),
    )


def _check_room(draft: Draft) -> None:
    needed(draft, "room", "Name of the room", "a name such as Measuring room 2")
    needed(draft, "site", "Site", "the works or company")
    zone = needed(draft, "timezone", "Time zone", "an IANA name such as Europe/Vienna")
    if not is_zone(zone):
        raise Refused(f"Time zone: enter an IANA name such as Europe/Vienna.{you_entered(zone)}")
    size_of(draft)


def size_of(draft: Draft) -> list[float]:
    """Length, width and height in m."""
    size = numbers(draft, "size", "Length, width and height", "6 4 3")
    if len(size) != 3 or min(size) <= 0:
        entered = draft.text("size")
        raise Refused(
            f"Length, width and height: enter three lengths in m such as 6 4 3.{you_entered(entered)}"
        )
    return size


def _zone_fields(_: Draft) -> tuple[Field, ...]:
    return (
        Field("zone", "Name of the zone", hint="the machine or bench whose surroundings are judged as one"),
        Field(
            "settling_h", "Hours that machine and parts settle", "4", "common practice, no source; up to 48"
        ),
    )


def _check_zone(draft: Draft) -> None:
    needed(draft, "zone", "Name of the zone", "a name such as Gear bay")
    hours = number(draft, "settling_h", "Hours that machine and parts settle", "4")
    if not 0 <= hours <= 48:
        raise Refused(f"Hours that machine and parts settle: enter 0 to 48. You entered “{hours:g}”.")


# 3: limits


def _limit_fields(_: Draft) -> tuple[Field, ...]:
    return (
        Field("lower", "Lower limit, °C", hint="for example 19.5"),
        Field("upper", "Upper limit, °C", hint="for example 20.5"),
        Field("span", "Largest change within 1 h, K", hint="for example 0.5", empty="no such limit"),
        Field(
            "basis",
            "Basis: where these limits come from",
            hint="a specification, a drawing tolerance, a house instruction",
        ),
    )


def _check_limits(draft: Draft) -> None:
    lower, upper = (number(draft, key, f"{key.capitalize()} limit", "19.5") for key in ("lower", "upper"))
    if lower >= upper:
        raise Refused(f"Upper limit: enter one above the lower limit {lower:g} °C. You entered “{upper:g}”.")
    if draft.text("span") and number(draft, "span", "Largest change within 1 h", "0.5") <= 0:
        raise Refused("Largest change within 1 h: enter a number above 0 such as 0.5, or nothing.")
    needed(draft, "basis", "Basis", "where the limits come from, such as machine specification, annex B")


def _limits_summary(draft: Draft) -> str:
    span = f", {draft.text('span')} K in 1 h" if draft.text("span") else ""
    return f"{draft.text('lower')} to {draft.text('upper')} °C{span}; {draft.text('basis')}"


# 4: where the probe hangs


def _position_fields(draft: Draft) -> tuple[Field, ...]:
    return tuple(field for probe in draft.probes for field in _position_of(draft, probe))


def _position_of(draft: Draft, probe: str) -> Iterator[Field]:
    of = f"{probe}: " if draft.described is not None else ""
    barometer = {c.quantity for c in draft.channels if c.probe == probe} == {"pressure"}
    name = f"At {probe}" if draft.described is not None else ""
    yield Field(
        f"position.{probe}",
        f"{of}Name of the position" if not of else f"{of}name of the position",
        name,
        "for example Table",
    )
    media = tuple((medium, MEDIA_WORDS.get(medium, medium)) for medium in MEDIA)
    yield Field(
        f"medium.{probe}",
        f"{of}it is in" if of else "It is in",
        "pressure" if barometer else "air",
        options=media,
    )
    example = "from the south-west corner at the floor, for example 2.1 1.4 1.0"
    later = "a placeholder, marked in room.toml" if draft.described is not None else ""
    yield Field(f"xyz.{probe}", f"{of}x, y and z, m", hint=example, empty=later)


def _check_position(draft: Draft) -> None:
    for probe in draft.probes:
        needed(draft, f"position.{probe}", "Name of the position", "a name such as Table")
        if draft.text(f"xyz.{probe}") or draft.described is None:
            xyz_of(draft, probe)


def xyz_of(draft: Draft, probe: str) -> list[float]:
    """Where a probe hangs, inside the room."""
    xyz = numbers(draft, f"xyz.{probe}", "x, y and z", "2.1 1.4 1.0")
    size = size_of(draft)
    if len(xyz) != 3 or not all(0 <= at <= most for at, most in zip(xyz, size, strict=True)):
        within = " × ".join(f"{most:g}" for most in size)
        entered = draft.text(f"xyz.{probe}")
        raise Refused(
            f"x, y and z: enter three numbers within the room of {within} m, such as 2.1 1.4 1.0. You "
            f"entered “{entered}”."
        )
    return xyz


def _position_summary(draft: Draft) -> str:
    first = draft.probes[0]
    place = ", ".join(filter(None, (draft.text(f"position.{first}"), draft.text(f"xyz.{first}"))))
    more = f" and {len(draft.probes) - 1} more" if len(draft.probes) > 1 else ""
    return f"{place}, {draft.text(f'medium.{first}')}{more}"


# 5: how it is reached, or how its files are written


# 6: units


# 8: who is notified


def _notice_fields(draft: Draft) -> tuple[Field, ...]:
    action = f"Stop measuring in {draft.text('zone')}. Check that the air handling runs and the door is shut."
    fields = [
        Field("custodian", "Full name of the custodian", hint="responsible for the room; is notified"),
        Field("mail", "Mail address", empty="the screen alone"),
    ]
    if draft.text("mail"):
        fields += [
            Field("mail.host", "Mail server", hint="its name or address"),
            Field("mail.port", "Port of the mail server", "587"),
            Field(
                "mail.tls",
                "Encryption",
                "starttls",
                options=(("starttls", "STARTTLS"), ("tls", "TLS"), ("none", "none")),
            ),
        ]
    alone = (("no", "a second person approves them"), ("yes", "nobody else: one person approves them"))
    return (
        *fields,
        Field("action", "What to do first when the temperature is out of limits", action, kind="long"),
        Field("alone", "Later changes of the setup", "no", options=alone),
    )


def _check_notices(draft: Draft) -> None:
    name = needed(draft, "custodian", "Full name of the custodian", "a name such as Greta Holm")
    refuse_unseen(name, "name")
    if mail := draft.text("mail"):
        if not all((*mail.partition("@"),)) or " " in mail:
            raise Refused(f"Mail address: enter one such as g.holm@works.example.{you_entered(mail)}")
        needed(draft, "mail.host", "Mail server", "its name or address")
        port = number(draft, "mail.port", "Port of the mail server", "587")
        if not (port.is_integer() and 0 < port < 65536):
            raise Refused(f"Port of the mail server: enter 1 to 65535. You entered “{port:g}”.")
    needed(draft, "action", "What to do first", "a sentence: a notice that asks for nothing is overlooked")


def _notice_summary(draft: Draft) -> str:
    way = f"screen and mail to {draft.text('mail')}" if draft.text("mail") else "screen alone"
    bare = not any(draft.text(f"certificate.{c.key}") not in ("", "none") for c in draft.channels)
    later = "; no alarm of a limit before there is a certificate" if bare else ""
    return f"{draft.text('custodian')}, {way}{later}"


QUESTIONS: tuple[Question, ...] = (
    Question(
        "room",
        "The room",
        "Which room is it?",
        "As pages and records print it. Times are shown in its time zone.",
        _room_fields,
        _check_room,
        lambda d: f"{d.text('room')}, {d.text('site')}; {d.text('timezone')}",
    ),
    Question(
        "zone",
        "The zone",
        "Which part of it is judged as one?",
        "One zone for the whole room to begin with; more can follow in room.toml.",
        _zone_fields,
        _check_zone,
        lambda d: f"{d.text('zone')}, settling {d.text('settling_h')} h",
    ),
    Question(
        "limits",
        "The limits",
        "Within which limits must it stay?",
        "Every limit states its basis; an assessor asks for it first.",
        _limit_fields,
        _check_limits,
        _limits_summary,
    ),
    Question(
        "position",
        "The position",
        "Where does the probe hang?",
        "A rule about air takes no probe that sits in a scale or a plate.",
        _position_fields,
        _check_position,
        _position_summary,
        (
            "Where do the probes hang?",
            "A rule about air takes no probe that sits in a scale or a plate.",
        ),
    ),
    Question(
        "reach",
        "The probe",
        "How is the probe reached?",
        "It is tried at once. Caution: mains wiring is the work of a qualified person; feed probes with "
        "safety extra-low voltage.",
        reach_fields,
        check_reach,
        reach_summary,
        ("How is the file written?", "Only what the file does not show is asked; further files can follow."),
    ),
    Question(
        "unit",
        "The units",
        "What do its numbers mean?",
        "Readings are stored as the probe sends them, in the unit named here.",
        unit_fields,
        check_units,
        unit_summary,
        ("What do its columns mean?", "Only columns whose headings name no unit are asked."),
    ),
    Question(
        "certificate",
        "The certificate",
        "What does its certificate say?",
        "From it come the correction and the uncertainty U. Without it the room can be watched, but never "
        "proven.",
        certificate_fields,
        check_certificates,
        certificate_summary,
    ),
    Question(
        "notices",
        "Who is notified",
        "Who is notified when a limit is exceeded?",
        "A mail route can be tested afterwards: stillroom alarm prove.",
        _notice_fields,
        _check_notices,
        _notice_summary,
    ),
)  # fmt: skip
