"""The real service under faults at random: what must hold of its record, its notices and its log at the end.

`STILLROOM_CAMPAIGN_S=10800 pytest -m long -s tests/service/test_random_faults.py` is the run of three hours.
"""

from __future__ import annotations

import json
import os
import re
import threading
import time
from collections import Counter
from contextlib import ExitStack
from pathlib import Path
from random import Random

import numpy as np
import pytest

from logger.acts import alarms as attending
from logger.config import load
from logger.core.alarms.recipients import default_routes
from logger.probes.bus import SKIPPED
from logger.store import Store

from .random_faults import INTERVAL_S, Room, number_of, spoil_for_a_while
from .test_whole_service import until

NS = 10**9
LATE = 3  # exit code of a service that could not store everything in its time, on a busy machine
WHO = ("--who", "Greta Holm")
SOUND = {"P1.temperature": "P1", "B1.pressure": "B1"}
LINES_OF_AN_ACT = 20  # in the log, at most
NOTICE_WITHIN_S = 120.0  # of a turn of the judge, gathering, and the transaction; more while it was away


@pytest.mark.slow
def test_a_kill_a_lost_folder_and_spoiled_edges_cost_no_reading_and_no_notice(tmp_path: Path) -> None:
    """One fault of each kind, the shortest way."""
    with ExitStack() as stack:
        room = Room(tmp_path, Random(18), stack)
        room.start()
        for name, spoil in room.spoil.items():
            spoil("flood" if name == "P5" else "block")
        room.lock_database(2.0)
        room.kill()
        for spoil in room.spoil.values():
            spoil("sound")
        room.take_folder_away(2.0)
        finish(room, alarmed=False)


@pytest.mark.long
def test_hours_of_random_faults(tmp_path: Path) -> None:
    """`STILLROOM_CAMPAIGN_S` says how long, in seconds; without it ten minutes."""
    random = Random(int(os.environ.get("STILLROOM_CAMPAIGN_SEED", "1819")))
    end_s = time.monotonic() + float(os.environ.get("STILLROOM_CAMPAIGN_S", "600"))
    with ExitStack() as stack:
        room = Room(tmp_path, random, stack)
        room.start()
        ending = threading.Event()
        stack.callback(ending.set)
        spoiler = threading.Thread(target=spoil_for_a_while, args=(room, ending), daemon=True)
        spoiler.start()
        turn = 0
        while time.monotonic() < end_s:
            turn += 1
            act = random.choices(list(ACTS), weights=[weight for weight, _ in ACTS.values()])[0]
            room.course.acts.append(act)
            ACTS[act][1](room, random, turn)
            time.sleep(random.uniform(2.0, 30.0))
            died = room.process is None or room.process.poll()
            assert died is None, f"the service ended by itself with {died} after {room.course.acts[-5:]}"
        ending.set()
        spoiler.join(120)
        finish(room, alarmed=True)


def _acknowledge(room: Room, random: Random, _: int) -> None:
    key = random.choice(("bay-temperature", "bay-span-1h", "bench-temperature", "system.stuck"))
    room.act("alarm", "acknowledge", key, "--comment", "seen", *WHO)


def _compare(room: Room, random: Random, _: int) -> None:
    """Of the spoiled probes; the clock may be anything."""
    shown = time.time() + random.choice((-3e7, -3600, -30, 0.5, 45, 7200, 4e7))
    shows = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(shown))
    probe = random.choice(("P3", "P4", "P5", "P6"))
    room.act("clock", "compare", probe, "--shows", shows, "--why", "read off", *WHO)


ACTS = {
    "kill": (2, lambda room, random, _: room.kill()),
    "restart": (1, lambda room, random, _: room.restart()),
    "freeze": (1, lambda room, random, _: room.freeze(random.uniform(2, 40))),
    "folder away": (2, lambda room, random, _: room.take_folder_away(random.uniform(1, 60))),
    "database locked": (2, lambda room, random, _: room.lock_database(random.uniform(1, 45))),
    "heat": (3, lambda room, random, _: room.heat(True)),
    "cool": (2, lambda room, random, _: room.heat(False)),
    "acknowledge": (2, _acknowledge),
    "compare a clock": (2, _compare),
    "drop files": (2, lambda room, random, turn: room.drop_files(turn)),
    "broker away": (1, lambda room, random, _: _without_broker(room, random.uniform(1, 30))),
    "verify": (1, lambda room, random, _: room.act("verify")),
    "nothing": (3, lambda room, random, _: time.sleep(random.uniform(1, 60))),
}  # fmt: skip


def _without_broker(room: Room, seconds: float) -> None:
    room.broker.stop()
    time.sleep(seconds)
    room.broker.start()


def finish(room: Room, alarmed: bool) -> None:
    """Everything is mended; what is on its way arrives; then the record, the notices and the log."""
    if alarmed:
        room.heat(True)
        assert until(lambda: _stands(room, "bay-temperature"), 600), "no high alarm at the end"
    assert until(lambda: _stored_up_to_now(room), 120), "readings do not arrive in the store"
    if alarmed:
        with Store.open(room.data) as store, store.begin() as conn:  # what waits to be tried again is due now
            conn.exec_driver_sql("UPDATE notice SET next_ns = 0 WHERE state = 'waiting'")
        assert until(lambda: not _waiting(room), 300), "notices stay in the outbox"
    assert room.terminate() in (0, LATE)
    verified = room.act("verify")
    assert verified.returncode == 0, verified.stdout + verified.stderr
    log = (room.folder / "service.log").read_text(encoding="utf-8", errors="replace")
    with Store.open(room.data) as store:
        for channel, key in SOUND.items():
            _check_readings(room, store, channel, key)
        _check_once(store, "P3.temperature")
        _check_once(store, "P6.temperature")
        _check_notices(room, store, alarmed)
        _print(room, store, log)
    assert room.course.trouble == []
    assert "Traceback" not in log


def _stands(room: Room, key: str) -> bool:
    """Whether the alarm stands, perhaps acknowledged: the heat may have been on for long."""
    with Store.open(room.data) as store:
        return any(
            alarm.key == key and alarm.state.value in ("unacknowledged", "acknowledged")
            for alarm in attending.alarm_list(store)
        )


def _stored_up_to_now(room: Room) -> bool:
    with Store.open(room.data) as store:
        newest = store.readings.newest(ok=True)
    return all(c in newest and newest[c].taken_ns > time.time_ns() - 10 * NS for c in SOUND)


def _waiting(room: Room) -> int:
    with Store.open(room.data) as store, store.read() as conn:
        return int(conn.exec_driver_sql("SELECT count(*) FROM notice WHERE state = 'waiting'").scalar_one())


def _away(room: Room, at_ns: int, slack_s: float = 0.0) -> bool:
    slack_ns = int(slack_s * NS)
    return any(since - slack_ns <= at_ns <= end + slack_ns for since, end in room.course.away)


def _check_readings(room: Room, store: Store, channel: str, key: str) -> None:
    """Each whole answer is stored once, but for those that a kill took; no poll is missing between."""
    columns = store.readings.columns(channel, 0, 2**63 - 1)
    faults = [r for r in columns.rows() if r.status != "ok" and not _away(room, r.taken_ns, INTERVAL_S)]
    overruns = _overruns(store)
    refused = [r for r in faults if r.raw != SKIPPED or not any(s <= r.taken_ns <= e for s, e in overruns)]
    assert refused == [], (channel, Counter(columns.status))
    ok = columns.status == 0
    numbers = [number_of(value) for value in columns.value[ok]]
    assert len(numbers) == len(set(numbers)), f"{channel}: a reading was stored twice"
    missing = set(range(len(room.instruments[key].at_ns))) - set(numbers)
    lost = [n for n in missing if not _away(room, room.instruments[key].at_ns[n])]
    assert lost == [], f"{channel}: answers {lost[:10]} are not stored, {_seen(room, key, lost[:3])}"
    taken = np.sort(columns.taken_ns[ok])
    gaps = np.flatnonzero(np.diff(taken) > 1.9 * INTERVAL_S * NS)
    expected_gaps = room.course.away + overruns
    unasked = [g for g in gaps if not any(s <= taken[g + 1] and taken[g] <= e for s, e in expected_gaps)]
    assert unasked == [], f"{channel}: no poll after {[int(taken[g]) for g in unasked[:3]]}"


def _overruns(store: Store) -> list[tuple[int, int]]:
    """When a busy machine left out polls: said by events, which come together for a minute."""
    entries = [e for e in store.journal.entries(kind="event") if e.what["event"] == "overrun"]
    return [(e.at_ns - 70 * NS, e.at_ns + 70 * NS) for e in entries]


def _seen(room: Room, key: str, numbers: list[int]) -> list[str]:
    return [time.strftime("%H:%M:%S", time.gmtime(room.instruments[key].at_ns[n] / NS)) for n in numbers]


def _check_once(store: Store, channel: str) -> None:
    columns = store.readings.columns(channel, 0, 2**63 - 1)
    numbers = [number_of(value) for value in columns.value[columns.status == 0]]
    assert len(numbers) == len(set(numbers)), f"{channel}: a reading was stored twice"


def _check_notices(room: Room, store: Store, alarmed: bool) -> None:
    """Each high alarm that was raised has a notice that names it, or was over before; each notice its end."""
    config = load(room.config)
    high = {
        s.key for s in attending.alarm_specs(config.setup, default_routes(config)) if s.priority == "high"
    }
    entries = [(e.at_ns, e) for e in store.journal.entries() if e.kind in ("alarm", "notice")]
    unnamed = []
    for at_ns, entry in entries:
        key = entry.what.get("alarm")
        if entry.kind != "alarm" or key not in high or entry.what.get("is") != "unacknowledged":
            continue
        if entry.what.get("was") not in ("normal", "suppressed by design"):
            continue
        end_ns = at_ns + int(NOTICE_WITHIN_S * NS)
        end_ns += sum(
            e - s for s, e in (*room.course.away, *room.course.unstored) if s < end_ns and e > at_ns
        )
        later = [e for t, e in entries if at_ns - 5 * NS <= t <= end_ns]
        named = any(e.kind == "notice" and key in (e.what["alarm"], *e.what["also"]) for e in later)
        changed = any(e.kind == "alarm" and e.what["alarm"] == key and e.number > entry.number for e in later)
        if not named and not changed:
            unnamed.append((entry.number, key))
    assert unnamed == []
    with store.read() as conn:
        letters = list(conn.exec_driver_sql("SELECT route, state, alarm, body FROM notice"))
    refused = [e for e in store.journal.entries(kind="event") if e.what["event"] == "notice-refused"]
    failed = [letter for letter in letters if letter[1] == "failed"]
    waiting = set() if alarmed else {"waiting"}  # the short form does not wait for a letter's next attempt
    assert {letter[1] for letter in letters} <= {"sent", "failed"} | waiting
    assert {letter[0] for letter in failed} <= {"duty"}
    assert bool(failed) == bool(refused)
    taken = {mail["Message-ID"] for mail in room.mails[1].mails}
    sent = {json.loads(x[3])["message_id"] for x in letters if (x[0], x[1]) == ("deputy", "sent")}
    assert sent <= taken, "the sound mail server never had what the outbox calls sent"


def _print(room: Room, store: Store, log: str) -> None:
    """Figures of the run (`pytest -s`)."""
    rows = {c: len(store.readings.columns(c, 0, 2**63 - 1)) for c in store.readings.channels()}
    answers = {k: len(i.at_ns) for k, i in room.instruments.items()}
    ended = sorted(room.course.ended_s)
    print(f"\nacts {dict(Counter(room.course.acts))}\nanswers {answers}\nrows {rows}")
    print(f"ends after SIGTERM: {len(ended)}, longest {ended[-1]:.1f} s; {len(room.course.away)} times away")
    print(
        f"mails taken by the sound server {len(room.mails[1].mails)}, "
        f"by the spoiled {len(room.mails[0].mails)}"
    )
    lines = [re.sub(r"\d+", "N", line)[:160] for line in log.split("\n")]
    print(f"{len(lines)} lines of log, most often {Counter(lines).most_common(3)}")
    assert len(lines) < 200 + LINES_OF_AN_ACT * len(room.course.acts), "more than anybody reads"
    events = Counter(str(e.what["event"]) for e in store.journal.entries(kind="event"))
    print(f"events {dict(events)}")
