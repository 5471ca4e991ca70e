"""The demo of many rooms: three invented sites, one room silent, one whose record went back.

Each room is a simulated one with a record of its own, read and judged once a minute in this process. Nothing
is planted in what is shown: the silent room has stopped, and the record that went back is an older copy of
itself, put in its place after the centre had seen the newer one. Each has an inspection, and one a
case whose cause is written down, so that questions to all rooms have answers.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import time
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from ..errors import Refused, StillroomError
from ..instants import NS
from ..model import Config, Row
from ..processes.pages import HOST, address, pages
from ..processes.stop_request import StopRequest
from ..store import Store
from .instruments import SimulatedProbes
from .room import Disturbance, SimulatedRoom

Say = Callable[[str], None]
SITES = ("Almtal Gearworks", "Traunfeld Tooling", "Seeau Optics")
CUSTODIANS = ("Greta Holm", "Radek Sova", "Ines Faber")
PLACES = (
    ("east", "Measuring room East"),
    ("west", "Measuring room West"),
    ("gauges", "Gauge store"),
    ("rings", "Ring bench"),
    ("tools", "Tool room"),
    ("arrivals", "Incoming inspection"),
    ("hall-3", "Hall 3, glass cabin"),
)
HISTORY_NS, MINUTE_NS = 26 * 3600 * NS, 60 * NS  # a span in 24 h is to be shown
SILENT_NS = 47 * MINUTE_NS  # so long ago the silent room was heard last
EVERY_S = 60.0
LEAST, MOST = 3, 200
# Which room is how, by its place in the list; all others are quiet.
SILENT, BACK, STUCK, OVERDUE, RETURNING = 1, 2, 4, 7, 10
STUCK_W, STOPPED_W = 2500.0, 400.0  # heat that nobody takes away; the bay leaves its limits
HOURS = re.compile(r"(?m)^hours_of_use = .*\n")  # three shifts, so that a night or a Sunday counts as well


@dataclass
class GroupRoom:
    """One simulated room with its record."""

    key: str
    folder: Path
    store: Store
    config: Config
    probes: SimulatedProbes
    at_ns: int  # up to here its readings are stored

    def read(self, to_ns: int) -> None:
        """Store a reading of each channel in every minute up to an instant, and judge."""
        from ..verdicts.current import Current
        from ..verdicts.live_verdicts import LiveVerdicts

        rows = []
        for at_ns in range(self.at_ns, to_ns, MINUTE_NS):
            self.probes.advance(at_ns)
            channels = sorted(self.config.setup.channels)
            rows += [Row(c, at_ns, at_ns, self.probes.indication(c)) for c in channels]
            self.at_ns = at_ns + MINUTE_NS
        if rows:
            self.store.append("poll", rows)
        LiveVerdicts(Current(self.store).verdicts).judge(to_ns)

    def tell(self, now_ns: int) -> None:
        """Renew the room's summary."""
        from ..rooms.summary import write_summary

        write_summary(self.store, self.config.setup, now_ns)


def run(folder: Path, count: int, port: int, say: Say, *, browser: bool = True, once: bool = False) -> None:
    """Make the rooms and, unless `once`, keep them and show them until asked to stop."""
    from .demo import port_is_free

    if not LEAST <= count <= MOST:
        raise Refused(f"--rooms: expected {LEAST} to {MOST} rooms, found {count}.")
    if not once and not port_is_free(HOST, port):
        raise Refused(f"Port {port} is in use. Choose another with --port N.")
    with StopRequest() as stop:
        rooms = make(folder, count, say, stop)
        try:
            if not once and not stop.requested:
                _live(folder / "rooms.toml", rooms, port, stop, say, browser=browser)
        finally:
            for room in rooms:
                room.store.close()


def make(folder: Path, count: int, say: Say, stop: StopRequest | None = None) -> list[GroupRoom]:
    """The rooms with a day of history each, those that go on; `folder` must be new or of this demo."""
    if folder.exists() and any(folder.iterdir()) and not (folder / "rooms.toml").exists():
        raise Refused(f"{folder}: expected an empty folder or that of an earlier demo of many rooms.")
    shutil.rmtree(folder, ignore_errors=True)  # a record of yesterday would be of silent rooms
    now_ns = time.time_ns() // MINUTE_NS * MINUTE_NS
    rooms: list[GroupRoom] = []
    say(f"Making {count} rooms at {len(SITES)} invented sites, with a day of readings each.")
    for number in range(count):
        if stop is not None and stop.requested:
            break
        rooms.append(_make_room(folder, number, now_ns))
        if (number + 1) % 10 == 0:
            say(f"  {number + 1} rooms")
    _look(folder / "rooms.toml")
    going_on = [room for n, room in enumerate(rooms) if n not in (SILENT, BACK)]
    for number in {SILENT, BACK} & set(range(len(rooms))):
        rooms[number].store.close()
    if len(rooms) > BACK:
        _put_older_copy_back(rooms[BACK])
    _look(folder / "rooms.toml")
    return going_on


def _make_room(folder: Path, number: int, now_ns: int) -> GroupRoom:
    """A founded room that has been read up to now, is in the list, and has its first summary."""
    from ..acts.inspections import apply_setup
    from ..config import in_force
    from ..people import People, invented
    from ..rooms import registry
    from ..rooms.roles import centre_of
    from ..rooms.summary import write_summary

    key, texts = _texts(number)
    store = Store.open(folder / key, create=True, simulated=True)
    began_ns = now_ns - HISTORY_NS
    apply_setup(store, texts, "demo", "the demo's own setup", "demo, as a second person", began_ns)
    invented.settle(People(store))
    config = in_force(store.setups.versions())
    probes = SimulatedProbes(SimulatedRoom(number + 1, began_ns, _disturbances(number, now_ns)), number + 1)
    room = GroupRoom(key, folder / key, store, config, probes, began_ns)
    end_ns = now_ns - SILENT_NS if number == SILENT else now_ns
    if number == BACK:
        room.read(end_ns - 2 * 3600 * NS)
        store.snapshot(room.folder.with_name(f"{key}.older"))
    room.read(end_ns)
    _write_acts(room, number, now_ns)
    summary = write_summary(store, config.setup, end_ns if number == SILENT else time.time_ns())
    file = folder / "rooms.toml"
    registry.add(file, registry.RoomEntry(key, Path(key), summary.key_name, config.setup.room.name))
    if number == 0:
        with centre_of(registry.read(file), simulated=True) as centre:
            invented.settle(People(centre))
    return room


def _write_acts(room: GroupRoom, number: int, now_ns: int) -> None:
    """An inspection of two hours in each room; the cause of the case, where there was one and is over."""
    from ..acts.cases import note
    from ..acts.inspections import add_inspection
    from ..inspections.cases import cases_in
    from ..model import Inspection
    from ..verdicts.current import Current

    begin, who = now_ns - 300 * MINUTE_NS, CUSTODIANS[number % len(SITES)]
    title, part = ("Gear case", "GC-114") if number % 2 else ("Valve body", "VB-9")
    job = Inspection(
        f"J-{number + 1:03d}",
        "machine-bay",
        begin,
        begin + 120 * MINUTE_NS,
        title,
        part,
        "aluminium",
        420.0,
        30.0,
    )
    add_inspection(room.store, room.config.setup, job, who)
    if number == RETURNING:
        texts = {
            "cause": "air handling",
            "detail": "fan stopped by its motor protection",
            "immediate_action": "reset",
        }
        for record in cases_in(
            Current(room.store).verdicts, "machine-bay", room.at_ns - HISTORY_NS, now_ns, now_ns
        ):
            note(room.store, record.case, texts, who)


def _texts(number: int) -> tuple[str, dict[str, str]]:
    """Key and configuration of a room: the example with its own name, site and custodian."""
    from ..config import example_folder, read_texts

    site = SITES[number % len(SITES)]
    place, name = PLACES[number // len(SITES) % len(PLACES)]
    lap = number // (len(SITES) * len(PLACES))
    key = f"{site.split()[0].lower()}-{place}" + (f"-{lap + 1}" if lap else "")
    texts = read_texts(example_folder())
    room = texts["room.toml"].replace('key = "east"', f'key = "{key}"')
    room = room.replace("Measuring room East", f"{name} {lap + 1}" if lap else name)
    room = room.replace('site = "Almtal Gearworks"', f'site = "{site}"')
    room = HOURS.sub("", room)
    texts["room.toml"] = room.replace(
        'custodian = "Greta Holm"', f'custodian = "{CUSTODIANS[number % len(SITES)]}"'
    )
    for file in texts:
        if file.startswith("certificates/"):
            text = texts[file] if number == OVERDUE else texts[file].replace("= 2026-10-21", "= 2027-10-21")
            mark = "RH-03" if file.endswith("-H.toml") else "RT-09" if number % len(SITES) == 2 else "RT-07"
            texts[file] = text.replace("\nissuer =", f'\nreferences = ["{mark}"]\nissuer =', 1)
    return key, texts


def _disturbances(number: int, now_ns: int) -> tuple[Disturbance, ...]:
    """What happens in a room; nothing in most."""
    if number == STUCK:
        return (Disturbance("heater stuck", now_ns - 50 * MINUTE_NS, None, STUCK_W),)
    if number == RETURNING:
        begin, end = now_ns - 300 * MINUTE_NS, now_ns - 130 * MINUTE_NS
        return (Disturbance("air handling stopped", begin, end, STOPPED_W),)
    return ()


def _look(file: Path) -> None:
    """Let the centre see its rooms, as page Rooms does."""
    from ..rooms.registry import read
    from ..rooms.sightings import Sightings

    registry = read(file)
    Sightings(registry.centre).look(registry, time.time_ns())


def _put_older_copy_back(room: GroupRoom) -> None:
    """Put the room's record of two hours ago in the place of the newer one, as a careless restore does."""
    for name in ("stillroom.db", "stillroom.db-wal", "stillroom.db-shm"):
        (room.folder / name).unlink(missing_ok=True)
    room.folder.with_name(f"{room.key}.older").replace(room.folder / "stillroom.db")
    with Store.open(room.folder) as older:
        room.store = older
        room.tell(time.time_ns())


def _live(
    file: Path, rooms: list[GroupRoom], port: int, stop: StopRequest, say: Say, *, browser: bool
) -> None:
    with pages(file, port, stop, rooms=True) as shown:
        say(f"\nThe rooms are at {address(port)}  (their people are invented; stop with Ctrl-C)")
        say(f"In another window:  stillroom rooms list --rooms {file}")
        if browser:
            import webbrowser

            webbrowser.open(address(port))
        while shown.poll() is None and not stop.requested:
            until_s = time.monotonic() + EVERY_S
            for room in rooms:
                now_ns = time.time_ns()
                room.read(now_ns // MINUTE_NS * MINUTE_NS)
                room.tell(now_ns)
            stop.wait(partial(_waits, shown, until_s))
    if not stop.requested:
        raise StillroomError("The pages ended by themselves; the demo stops.")
    say("The demo has stopped.")


def _waits(shown: subprocess.Popen[bytes], until_s: float) -> bool:
    return time.monotonic() < until_s and shown.poll() is None
