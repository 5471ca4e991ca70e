"""Reference standards over all rooms of a group: what rests on one of them."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

import typer

from ..errors import IntervalError, Refused
from ..instants import parse
from ..model.figures import number_of
from .command_list import command_group
from .options import AnyTo, Json
from .output import answer, table
from .rooms import DEFAULT_ROOMS, RoomsFile

if TYPE_CHECKING:
    from ..rooms.uses import AffectedRoom

reference_app = command_group("Reference standards, and what rests on them.")
UTC = ZoneInfo("UTC")
SHOWN = 20  # keys of inspections that a line names


def add_to(app: typer.Typer) -> None:
    app.add_typer(reference_app, name="reference")


@reference_app.command("impact")
def impact(
    reference: Annotated[
        str, typer.Argument(metavar="MARK", help="As certificates name it in `references`: RT-07.")
    ],
    *,
    start: Annotated[
        str,
        typer.Option("--from", metavar="TIME", help="From when on it was wrong: a day or time, UTC."),
    ],
    end: AnyTo = None,
    rooms: RoomsFile = DEFAULT_ROOMS,
    as_json: Json = False,
) -> None:
    """Which inspections anywhere does this reference's error affect? Rooms that are not known come first.

    Only keys are given: ask a room itself what each inspection was, with your role there:
    `stillroom inspection impact --certificate NUMBER --data DIR`.
    Exits with 0, with 10 where a room is affected, with 11 where a room could not be asked.

    \b
    Example:
      stillroom reference impact RT-07 --from 2026-10-01 --rooms rooms.toml
    """
    from ..rooms.registry import read
    from ..rooms.uses import FOR_EVER_NS, affected_rooms, index, references

    from_ns = parse(start, UTC, "--from")
    to_ns = parse(end, UTC, "--to") if end else FOR_EVER_NS
    if from_ns >= to_ns:
        raise IntervalError("--from is not before --to.")
    answers = index(read(rooms), time.time_ns())
    marks = references(answers)
    away = [a for a in answers if a.why]
    if reference not in marks and not away:
        listed = ", ".join(marks) or "none"
        raise Refused(f"No certificate names reference {reference!r}. Certificates name: {listed}.")
    affected = affected_rooms(answers, reference, from_ns, to_ns)
    answer([t.to_dict() for t in affected], as_json, _lines(reference, affected))
    answered = [t for t in affected if not t.why]
    raise typer.Exit(11 if away else 10 if answered else 0)


@reference_app.command("list")
def list_references(*, rooms: RoomsFile = DEFAULT_ROOMS, as_json: Json = False) -> None:
    """Every reference that a certificate names, with how many certificates and rooms rest on it."""
    from ..rooms.registry import read
    from ..rooms.uses import index, references

    marks = references(index(read(rooms), time.time_ns()))
    rows = [{"reference": m, "certificates": c, "rooms": r} for m, (c, r) in marks.items()]
    cells = [[str(x) for x in row.values()] for row in rows]
    first = f"{number_of(len(rows), 'reference')}."
    answer(rows, as_json, [first, *table(("reference", "certificates", "rooms"), cells)] if rows else [first])


def _lines(reference: str, rooms: list[AffectedRoom]) -> list[str]:
    answered = [room for room in rooms if not room.why]
    jobs = sum(len(room.jobs) for room in answered)
    first = (
        f"{reference} affects {number_of(len(answered), 'room')} and {number_of(jobs, 'inspection')}"
        f"{_unknown(rooms)}."
    )
    return [first, *(line for room in rooms for line in _room_lines(room))]


def _unknown(rooms: list[AffectedRoom]) -> str:
    away = sum(bool(room.why) for room in rooms)
    return f"; {number_of(away, 'room')} not known" if away else ""


def _room_lines(room: AffectedRoom) -> list[str]:
    head = f"{room.room}: not known: {room.why}" if room.why else f"{room.room}:"
    lines = [head]
    if room.certificates:
        lines.append(f"  certificates {_some(room.certificates, 6)}")
    by_zone: dict[str, list[str]] = {}
    for zone, key in room.jobs:
        by_zone.setdefault(zone, []).append(key)
    for zone, keys in by_zone.items():
        lines.append(f"  {zone}: {number_of(len(keys), 'inspection')}: {_some(keys, SHOWN)}")
    return lines


def _some(names: Sequence[str], count: int) -> str:
    more = f" and {len(names) - count} more" if len(names) > count else ""
    return f"{', '.join(names[:count])}{more}"
