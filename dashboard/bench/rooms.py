"""How long page Rooms takes with many rooms: the answer of the server, and the page in a real browser."""

from __future__ import annotations

import socket
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from logger.instants import NS
from logger.model.roles import Role
from logger.people import People
from logger.record.signatures import signing_key
from logger.rooms import registry
from logger.rooms.roles import centre_of
from logger.rooms.summary import FILE, HOLDS_NS, signed
from logger.store import Store

from .. import connections
from ..group.app import Group
from .bench import _browser, _until

PASSWORD, WHO = "twelve or more of them", "visitor"  # of a record that ends with this run
VERDICTS = ("stable", "stable", "not stable", "stable", "not shown")
KEYS = 20  # signing keys; each signs for some rooms
TIMES = 6


@dataclass(frozen=True)
class RoomsPage:
    """Of one run. states_s: all summaries read and verified; paint_s: from the request until it stands."""

    rooms: int
    states_s: float
    paint_s: float
    again_s: float


def page_lines(page: RoomsPage) -> list[str]:
    """What is printed."""
    return [
        f"page Rooms with {page.rooms} rooms: summaries read and verified in {page.states_s:.3f} s; in a "
        f"real browser it stands after {page.paint_s:.2f} s, again after {page.again_s:.2f} s"
    ]


def paint_rooms(count: int, say: Callable[[str], None]) -> RoomsPage:
    """Make signed summaries of so many rooms, and look at the page."""
    with tempfile.TemporaryDirectory(prefix="stillroom-bench-") as scratch:
        say(f"making summaries of {count} rooms")
        file = Path(scratch) / "rooms.toml"
        _make(file, count)
        with centre_of(registry.read(file), simulated=True) as store:
            People(store).add(WHO, "A visitor", (Role.READER,), PASSWORD, "bench")
        group = Group(file)
        begin = time.perf_counter()
        group.states()
        states_s = time.perf_counter() - begin
        with socket.create_server(("127.0.0.1", 0)) as free:
            port = int(free.getsockname()[1])
        server: Any = connections.server(
            group, "127.0.0.1", port, tls=None, proxy="", bodies=group, at_end=group.end_streams
        )
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        try:
            paint_s, again_s = _paint(f"http://127.0.0.1:{port}/", count)
        finally:
            server.close()
            group.close()
    return RoomsPage(count, states_s, paint_s, again_s)


def _make(file: Path, count: int) -> None:
    folder, now_ns = file.parent, time.time_ns()
    keys = []
    for n in range(min(KEYS, count)):
        with Store.open(folder / f"key-{n}", create=True, simulated=True) as store:
            keys.append(signing_key(store, "bench"))
    for n in range(count):
        key, room = keys[n % len(keys)], folder / f"room-{n:03d}"
        room.mkdir()
        (room / FILE).write_bytes(signed(_body(n, now_ns), key))
        registry.add(file, registry.RoomEntry(room.name, Path(room.name), key.name))


def _body(n: int, now_ns: int) -> dict[str, Any]:
    verdict = VERDICTS[n % len(VERDICTS)]
    zones = [
        {
            "zone": f"z{z}", "name": f"Zone {z}", "verdict": verdict, "reason": "made", "next_step": "",
            "since": "2026-10-19T06:00:00Z", "at": "2026-10-19T14:00:00Z",
            "sentence": f"Zone {z}: {verdict}.",
        }
        for z in range(2)
    ]  # fmt: skip
    return {
        "room": f"r{n}", "record": f"made-{n}", "simulated": True, "name": f"Room {n:03d}",
        "site": f"Site {n % 9}", "custodian": "Greta Holm", "timezone": "Europe/Vienna", "at_ns": now_ns,
        "until_ns": now_ns + 100 * HOLDS_NS, "zones": zones, "head": [n + 1, "0" * 64],
        "alarms": {"active": int(n % 7 == 0), "waiting": 0}, "silent_probes": [], "due": [],
        "newest_reading_ns": now_ns - NS, "setup": 1, "software": "made",
    }  # fmt: skip


def _paint(address: str, count: int) -> tuple[float, float]:
    """Seconds until the page stands, by its own clock: the first time, and the median of the others."""
    with _browser() as browser:
        page = browser.new_context(viewport={"width": 1280, "height": 860}).new_page()
        page.goto(f"{address}sign-in")
        page.fill("input[name=name]", WHO)
        page.fill("input[name=password]", PASSWORD)
        page.click("button.act")
        page.wait_for_url(address)
        times = []
        for _ in range(TIMES):
            page.goto(address, wait_until="commit")
            _until(
                page, "list of rooms", f"document.body && document.body.innerText.includes('{count} rooms')"
            )
            times.append(float(page.evaluate("performance.now()")) / 1000)
    return times[0], sorted(times[1:])[len(times[1:]) // 2]
