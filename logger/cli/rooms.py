"""The rooms of a group: which there are, how they are, and what a person accepted of them."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..errors import Refused
from ..instants import rfc3339
from ..model.figures import number_of
from ..model.roles import Act
from .authority import authorised
from .command_list import command_group
from .context import open_session, require_applied_setup
from .options import Json, Who
from .output import answer, table

if TYPE_CHECKING:
    from ..rooms.sightings import RoomState

rooms_app = command_group("The rooms of a group: which there are, and how they are.")
DEFAULT_ROOMS = Path("rooms.toml")
HOUR_NS = 3600 * 10**9

RoomsFile = Annotated[
    Path, typer.Option("--rooms", metavar="FILE", help="The list of rooms; default: ./rooms.toml.")
]
RoomKey = Annotated[
    str,
    typer.Argument(metavar="KEY", help="Name of the room in addresses: /KEY/."),
]


def add_to(app: typer.Typer) -> None:
    app.add_typer(rooms_app, name="rooms")


@rooms_app.command("add")
def add(
    key: RoomKey,
    *,
    data: Annotated[Path, typer.Option("--data", metavar="DIR", help="Data folder of the room.")],
    rooms: RoomsFile = DEFAULT_ROOMS,
    as_json: Json = False,
) -> None:
    """Add a room to the list, with the key that signs for it; from then on its service renews its summary.

    Compare the printed key with the one that the room itself prints: `stillroom record key --list`.

    \b
    Example:
      stillroom rooms add hall-3 --data /srv/rooms/hall-3
    """
    from ..rooms import registry
    from ..rooms.summary import write_summary

    registry.refuse_key(key)
    with open_session(data, None) as session:
        require_applied_setup(session)
        summary = write_summary(session.store, session.setup, session.now_ns)
        name = session.setup.room.name
    folder = data if data.is_absolute() else _relative(data, rooms)
    registry.add(rooms, registry.RoomEntry(key, folder, summary.key_name, name))
    lines = [
        f"{name} is room {key} of {rooms}. Its summaries are signed by key {summary.key_name}.",
        "Its service renews the summary once a minute; it is looked at without opening the record.",
        f"See all rooms: stillroom serve --rooms {rooms}",
    ]
    answer({"room": key, "name": name, "key": summary.key_name, "file": str(rooms)}, as_json, lines)


@rooms_app.command("confirm")
def confirm(
    key: RoomKey,
    *,
    key_name: Annotated[
        str,
        typer.Option(
            "--key", metavar="SHA256", help="Key that signs for it, as `stillroom record key --list` has it."
        ),
    ],
    rooms: RoomsFile = DEFAULT_ROOMS,
    as_json: Json = False,
) -> None:
    """Add a room that sends its summary here to the list, after its key was compared with the site's own.

    \b
    Example:
      stillroom rooms confirm annex --key 5f0c3a…
    """
    from ..rooms import registry
    from ..rooms.receipts import FOLDER, Receipts

    listed = registry.read(rooms)
    waiting = {r.summary.key_name: r.summary for r in Receipts(listed.centre).unlisted(listed)}
    if key_name not in waiting:
        names = ", ".join(f"{s.body['name']} {name}" for name, s in waiting.items()) or "none"
        raise Refused(f"--key: expected a key that has sent a summary and is in no list; there are: {names}.")
    name = str(waiting[key_name].body["name"])
    folder = listed.centre.relative_to(rooms.parent) / FOLDER / key
    registry.add(rooms, registry.RoomEntry(key, folder, key_name, name))
    lines = [
        f"{name} is room {key} of {rooms}: its state is on page Rooms from now on.",
        "Its record is not on this machine; to enter the room, put its data folder under `data` there.",
    ]
    answer({"room": key, "name": name, "key": key_name, "file": str(rooms)}, as_json, lines)


@rooms_app.command("list")
def list_rooms(*, rooms: RoomsFile = DEFAULT_ROOMS, as_json: Json = False) -> None:
    """Every room, the worst first: what it says, or why that does not count.

    \b
    Example:
      stillroom rooms list --rooms rooms.toml
    """
    from ..rooms.receipts import Receipts
    from ..rooms.registry import read
    from ..rooms.sightings import Sightings

    registry, now_ns = read(rooms), time.time_ns()
    states = Sightings(registry.centre).look(registry, now_ns)
    quiet = sum(state.quiet for state in states)
    first = f"{number_of(len(states), 'room')}, {quiet} of them stable and without an alarm."
    rows = [_row(state) for state in states]
    heads = ["room", "site", "custodian", "alarms", "state"]
    cells = [
        [
            r["room"],
            r["site"],
            r["custodian"],
            str(r["alarms"]),
            "; ".join(filter(None, (r["state"], r["clock"]))),
        ]
        for r in rows
    ]
    waiting = [r.summary for r in Receipts(registry.centre).unlisted(registry)]
    unlisted = [
        f"{s.body['name']} sends a summary and is in no list: compare its key with the site's own, then "
        f"`stillroom rooms confirm KEY --key {s.key_name}`."
        for s in waiting
    ]
    answer(rows, as_json, [first, *table(heads, cells), *unlisted])


@rooms_app.command("verify")
def verify(*, rooms: RoomsFile = DEFAULT_ROOMS, as_json: Json = False) -> None:
    """Verify every record, and that each still holds the newest head that was seen of it.

    Exits with 0 where all are intact, with 10 where one is not, with 11 where one could not be asked.

    \b
    Example:
      stillroom rooms verify
    """
    from ..errors import StillroomError
    from ..rooms.registry import read
    from ..rooms.roles import room_store
    from ..rooms.sightings import Sightings

    registry = read(rooms)
    heads = Sightings(registry.centre).heads()
    rows: list[dict[str, Any]] = []
    for key, entry in registry.rooms.items():
        try:
            with room_store(entry, read_only=True) as store:
                result = store.verify([heads[key]] if key in heads else [])
                intact = False if result.faults else None if result.unread else True
                rows.append({"room": key, "intact": intact, "faults": [*result.faults, *result.unread]})
        except StillroomError as error:
            rows.append({"room": key, "intact": None, "faults": [str(error)]})
    words = {True: "intact", False: "not intact", None: "not known"}
    lines = [
        line for row in rows for line in (f"{row['room']}: {words[row['intact']]}", *_indented(row["faults"]))
    ]
    answer(rows, as_json, lines)
    states = {row["intact"] for row in rows}
    raise typer.Exit(10 if False in states else 11 if None in states else 0)


@rooms_app.command("index")
def make_index(*, rooms: RoomsFile = DEFAULT_ROOMS) -> None:
    """Ask every room anew which references it used when: a cache, renewed with each question."""
    from ..rooms.registry import read
    from ..rooms.uses import index

    answers = index(read(rooms), time.time_ns(), anew=True)
    uses, jobs = sum(len(a.uses) for a in answers), sum(len(a.jobs) for a in answers)
    typer.echo(
        f"{number_of(len(answers), 'room')}: {number_of(uses, 'use')}, {number_of(jobs, 'inspection')}."
    )
    for away in (a for a in answers if a.why):
        typer.echo(f"{away.room}: not known: {away.why}", err=True)
    raise typer.Exit(11 if any(a.why for a in answers) else 0)


@rooms_app.command("due")
def due(*, rooms: RoomsFile = DEFAULT_ROOMS, as_json: Json = False) -> None:
    """Which certificates anywhere are overdue or come due within 90 days, the first due first.

    From the newest summaries; rooms of which nothing counts now are named, not left out.

    \b
    Example:
      stillroom rooms due
    """
    from ..rooms.registry import read
    from ..rooms.sightings import Sightings

    registry = read(rooms)
    states = Sightings(registry.centre).look(registry, time.time_ns())
    rows: list[dict[str, Any]] = [{"room": s.key, "site": s.site, **d} for s in states for d in s.due]
    rows.sort(key=lambda row: (row["due"], row["room"], row["certificate"]))
    heads = ("due", "room", "site", "certificate", "probe", "status")
    away = [s.key for s in states if s.trouble]
    first = f"{number_of(len(rows), 'certificate')} overdue or due within 90 days."
    unknown = [f"Not known: {', '.join(away)}."] if away else []
    cells = [[str(row[h]) for h in heads] for row in rows]
    payload = {"certificates": rows, "not_known": away}
    answer(payload, as_json, [first, *unknown, *(table(heads, cells) if rows else [])])
    raise typer.Exit(11 if away else 0)


@rooms_app.command("lost")
def lost(
    *,
    start: Annotated[str, typer.Option("--from", metavar="TIME", help="Start: a day, or a time; UTC.")],
    end: Annotated[str, typer.Option("--to", metavar="TIME", help="End, not itself included.")],
    rooms: RoomsFile = DEFAULT_ROOMS,
    as_json: Json = False,
) -> None:
    """Where was time lost, and to what? Hours of use that were not stable, by room and by cause.

    \b
    Example:
      stillroom rooms lost --from 2026-10-01 --to 2026-11-01
    """
    from zoneinfo import ZoneInfo

    from ..errors import IntervalError
    from ..instants import parse
    from ..rooms.lost_time import by_cause, losses
    from ..rooms.registry import read

    from_ns, to_ns = (parse(t, ZoneInfo("UTC"), o) for t, o in ((start, "--from"), (end, "--to")))
    if from_ns >= to_ns:
        raise IntervalError("--from is not before --to.")
    rows = losses(read(rooms), from_ns, to_ns, time.time_ns())
    answered = [row for row in rows if not row.why]
    hours = sum(row.not_stable_ns for row in answered) / HOUR_NS
    causes = by_cause(answered)
    rest_ns = sum(row.rest_ns for row in answered)
    lossy = [[r.room, _hours(r.not_stable_ns)] for r in answered if r.not_stable_ns]
    lines = [
        f"{hours:.1f} h of use not stable in {number_of(len(answered), 'room')}.",
        *(f"{row.room}: not known: {row.why}" for row in rows if row.why),
        *(
            table(("cause", "hours", "rooms"), [[c, _hours(ns), str(n)] for c, ns, n in causes])
            if causes
            else ()
        ),
        *([f"no case: {_hours(rest_ns)} h"] if hours else ()),
        *(table(("room", "hours not stable"), lossy) if lossy else ()),
    ]
    payload = {
        "not_stable_h": round(hours, 3),
        "causes": [{"cause": c, "hours": round(ns / HOUR_NS, 3), "rooms": n} for c, ns, n in causes],
        "no_case_h": round(rest_ns / HOUR_NS, 3),
        "rooms": [{"room": r.room, "hours": round(r.not_stable_ns / HOUR_NS, 3), "why": r.why} for r in rows],
    }
    answer(payload, as_json, lines)
    raise typer.Exit(11 if len(answered) < len(rows) else 0)


def _hours(span_ns: int) -> str:
    return f"{span_ns / HOUR_NS:.1f}"


@rooms_app.command("accept")
def accept(
    key: RoomKey,
    *,
    why: Annotated[str, typer.Option("--why", metavar="TEXT", help="What was checked, and the cause.")],
    who: Who = "",
    rooms: RoomsFile = DEFAULT_ROOMS,
) -> None:
    """Begin anew with a record that went back or signs by another key, after a person looked into it.

    \b
    Example:
      stillroom rooms accept hall-3 --why "restored from the backup of 12 October after a dead disk"
    """
    from ..model.roles import refuse_unseen
    from ..rooms import registry as listed
    from ..rooms.roles import centre_of
    from ..rooms.sightings import Sightings
    from ..rooms.summary import SummaryFault

    reason = refuse_unseen(why.strip(), "reason")
    if not reason:
        raise Refused("--why: enter what was checked, and the cause. Nothing was changed.")
    registry = listed.read(rooms)
    entry = registry.room(key)
    with centre_of(registry) as store:
        by = authorised(store, who, Act.ADMINISTER)
        before = Sightings(registry.centre).heads().get(key)
        try:
            summary = Sightings(registry.centre).accept(entry)
        except (SummaryFault, OSError) as error:
            raise Refused(f"Nothing was changed: room {key}: {error}.") from error
        if summary.key_name != entry.key_name:
            listed.confirm_key(rooms, key, summary.key_name)
        facts: dict[str, Any] = {"head": list(summary.head), "before": list(before or ())}
        facts["key"] = summary.key_name
        store.journal.append("rooms", by, {"act": "accept", "room": key, **facts}, reason)
    number, sha256 = summary.head
    typer.echo(
        f"Room {key} is accepted as it is now: entry {number}, {sha256[:16]}…, key {summary.key_name[:16]}…."
    )


def _relative(data: Path, rooms: Path) -> Path:
    """The folder as the list of rooms is to name it: relative to the list where it lies below it."""
    absolute, base = data.absolute(), rooms.absolute().parent
    return absolute.relative_to(base) if absolute.is_relative_to(base) else absolute


def _row(state: RoomState) -> dict[str, Any]:
    from ..rooms.words import clock_words, state_words

    return {
        "room": state.key,
        "name": state.name,
        "site": state.site,
        "custodian": state.custodian,
        "verdict": state.verdict,
        "trouble": state.trouble,
        "state": state_words(state, time.time_ns()),
        "clock": clock_words(state),
        "zones": [dict(zone) for zone in state.zones],
        "alarms": state.active,
        "waiting": state.waiting,
        "silent_probes": list(state.silent_probes),
        "due": [dict(due) for due in state.due],
        "at": None if state.at_ns is None else rfc3339(state.at_ns),
    }


def _indented(faults: list[str]) -> list[str]:
    return [f"  {fault}" for fault in faults]
