"""Each edge blocked, flooded, dripped on and killed in turn, and all at once: nobody else notices.

Edges are a 1-Wire file, a program, a line of text, a mail server, a web server, the program of a route, and
the watcher outside. Beside most stands a sound one of the kind: no poll of it is lost, no notice by it waits.
"""

from __future__ import annotations

import os
import socket
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from random import Random

import pytest

from logger.model import AsciiLine, CommandLine, CommandRoute, Heartbeat, OneWire, Row, WebhookRoute
from logger.notify.mail import SmtpSender
from logger.notify.ways import Ways
from logger.probes import buses, stop_all
from logger.service.heartbeat import OutsideHeartbeat
from logger.service.jobs import Jobs
from logger.service.senders import Senders
from logger.simulation.devices import show_one_wire

from .test_deadlines import LONG_S, Peer, dripping, flooding, mail, silent
from .test_whole_service import until

DEADLINE_S = 0.4
SOUND, FAULTS = "sound", ("block", "drip", "flood", "kill")
SHELL = """case $(cat {mode}) in
sound) {say} ;;
block) (setsid sleep 2 &) ; exec sleep 30 ;;
drip) while :; do printf T; sleep 0.05; done ;;
flood) exec cat /dev/zero {to} ;;
kill) kill -9 $$ ;;
esac"""
Talk = Callable[[socket.socket, threading.Event], None]


def killed(peer: socket.socket, _ending: threading.Event) -> None:
    """Closes at once."""


def takes_mail(peer: socket.socket, _ending: threading.Event) -> None:
    peer.sendall(b"220 ready\r\n")
    lines = peer.makefile("rb")
    for line in lines:
        word = line[:4].upper().strip()
        if word == b"DATA":
            peer.sendall(b"354 go on\r\n")
            while lines.readline() != b".\r\n":
                pass
        peer.sendall(b"221 bye\r\n" if word == b"QUIT" else b"250 ok\r\n")


def takes_posts(peer: socket.socket, _ending: threading.Event) -> None:
    lines = peer.makefile("rb")
    length = 0
    while (line := lines.readline()) not in (b"\r\n", b""):
        if line.lower().startswith(b"content-length:"):
            length = int(line.split(b":")[1])
    lines.read(length)
    peer.sendall(b"HTTP/1.1 204 No Content\r\nContent-Length: 0\r\n\r\n")


def answers_text(peer: socket.socket, _ending: threading.Event) -> None:
    for _ in peer.makefile("rb"):
        peer.sendall(b"T=20.5\r\n")


class Edge:
    """One thing outside that can be spoiled; `spoil(SOUND)` mends it."""

    def __init__(self, name: str, spoil: Callable[[str], None]) -> None:
        self.name, self.spoil = name, spoil


class Server(Peer):
    """A peer whose way of talking can be changed; connections that it has are dropped then."""

    def __init__(self, sound: Talk, first: bytes) -> None:
        self._talks: dict[str, Talk] = {
            SOUND: sound,
            "block": silent,
            "drip": dripping(first[:3]),
            "flood": flooding(first),
            "kill": killed,
        }
        self.mode = SOUND
        self._peers: list[socket.socket] = []

        def talk(peer: socket.socket, ending: threading.Event) -> None:
            self._peers = [*self._peers[-20:], peer]
            self._talks[self.mode](peer, ending)

        super().__init__(talk)

    def spoil(self, fault: str) -> None:
        self.mode = fault
        for peer in self._peers:
            with suppress(OSError):
                peer.shutdown(socket.SHUT_RDWR)


class File:
    """A 1-Wire file: a pipe without a writer, or one that says nonsense without end, or gone."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._ending = threading.Event()
        self.spoil(SOUND)

    def spoil(self, fault: str) -> None:
        file = self.folder / "w1_slave"
        self._ending.set()
        file.unlink(missing_ok=True)
        if fault == SOUND:
            show_one_wire(self.folder, 20.5)
        elif fault != "kill":
            os.mkfifo(file)
            self._ending = threading.Event()
            if fault != "block":
                args = (file, self._ending, b"x" if fault == "drip" else b"x" * 10_000)
                threading.Thread(target=self._write, args=args, daemon=True).start()

    def _write(self, file: Path, ending: threading.Event, data: bytes) -> None:
        with suppress(OSError):
            pipe = os.open(file, os.O_RDWR | os.O_NONBLOCK)
            while not ending.is_set():
                with suppress(BlockingIOError):
                    os.write(pipe, data)
                ending.wait(0.01)
            os.close(pipe)


class Script:
    """A program that does what a file beside it says."""

    def __init__(self, folder: Path, name: str, say: str, to: str) -> None:
        self._mode, self._script = folder / f"{name}.mode", folder / f"{name}.sh"
        self.spoil(SOUND)
        self._script.write_text(SHELL.format(mode=self._mode, say=say, to=to))
        self.arguments = ("/bin/sh", str(self._script))

    def spoil(self, fault: str) -> None:
        fresh = self._mode.with_suffix(".new")
        fresh.write_text(fault)
        fresh.replace(self._mode)


class Rig:
    """All edges with their sound neighbours, polled and told without a pause."""

    def __init__(self, folder: Path, interval_s: float, stack: ExitStack) -> None:
        def served(sound: Talk, first: bytes) -> Server:
            item = Server(sound, first)
            stack.callback(item.close)
            return item

        self.rows: list[Row] = []
        self.taken: Counter[str] = Counter()
        self.late_s: list[float] = []
        mails = [served(takes_mail, b"220-hello\r\n") for _ in range(2)]
        posts = [served(takes_posts, b"HTTP/1.1 100 Continue\r\n\r\n") for _ in range(3)]
        texts = [served(answers_text, b"T=1T=1T=1\r\n") for _ in range(2)]
        files = [File(folder / "w1" / f"28-{n}") for n in range(2)]
        reads = [Script(folder, f"read{n}", "echo T=20.5", "") for n in range(2)]
        horns = [Script(folder, f"horn{n}", "cat > /dev/null", ">&2") for n in range(2)]
        parts = {"mail": mails[0], "web": posts[0], "watcher": posts[1], "text": texts[0], "file": files[0]}
        parts |= {"read": reads[0], "horn": horns[0]}
        self.edges = [Edge(name, part.spoil) for name, part in parts.items()]
        self._watcher = Heartbeat(f"http://127.0.0.1:{posts[1].port}/")
        self._mails = {f"mail{n}": mail(server.port) for n, server in enumerate(mails)}
        keys, hooks = ("KEY",), {f"web{n}": posts[2 * n].port for n in range(2)}
        self._ways = {
            **{
                k: WebhookRoute(k, f"http://127.0.0.1:{p}/", keys, LONG_S if k == "web1" else DEADLINE_S)
                for k, p in hooks.items()
            },
            **{
                f"horn{n}": CommandRoute(f"horn{n}", s.arguments, LONG_S if n else DEADLINE_S)
                for n, s in enumerate(horns)
            },
        }
        self.routes = [*self._mails, *self._ways]
        self.senders = Senders(Jobs(lambda _kind, _what: None), self._send_due)
        self._outside = OutsideHeartbeat()
        lines = [
            *(
                AsciiLine(f"T{n}", f"socket://127.0.0.1:{s.port}", "query", r"T=(?P<t>\S+)", {"t": f"T{n}.t"},
                          "READ?", interval_s, LONG_S if n else DEADLINE_S)
                for n, s in enumerate(texts)
            ),
            *(OneWire(f"F{n}", str(f.folder), {"t": f"F{n}.t"}, interval_s, LONG_S if n else DEADLINE_S)
              for n, f in enumerate(files)),
            *(CommandLine(f"P{n}", s.arguments, r"T=(?P<t>\S+)", {"t": f"P{n}.t"}, interval_s,
                          LONG_S if n else 2 * DEADLINE_S) for n, s in enumerate(reads)),
        ]  # fmt: skip
        self.buses = buses(lines, self.rows.extend, lambda *_: None)
        for bus in self.buses:
            bus.start()
        stack.callback(lambda: stop_all(self.buses, LONG_S))

    def round(self, random: Random, faults: dict[str, str]) -> None:
        """Spoils edges, tells everybody, and waits until the sound routes have told."""
        for edge in self.edges:
            edge.spoil(faults.get(edge.name, SOUND))
        before, begun_s = Counter(self.taken), time.monotonic()
        sound = [route for route in self.routes if route.endswith("1")]
        assert until(lambda: not any(self._is_away(route) for route in sound), LONG_S)
        self.senders.send(self.routes)
        self.senders.begin("watcher", lambda: self._outside.beat(self._watcher, {}))
        assert until(lambda: all(self.taken[route] > before[route] for route in sound), LONG_S), faults
        self.late_s.append(time.monotonic() - begun_s)
        time.sleep(random.uniform(0.0, 0.2))

    def values(self, probe: str) -> list[Row]:
        return [row for row in self.rows if row.channel == f"{probe}.t"]

    def _is_away(self, route: str) -> bool:
        thread = self.senders._threads.get(f"send notices by {route}")
        return thread is not None and thread.is_alive()

    def _send_due(self, route: str) -> None:
        if route in self._mails:
            outcome = SmtpSender(timeout_s=LONG_S if route.endswith("1") else DEADLINE_S).send(
                *self._mails[route]
            )
        else:
            outcome = Ways({"KEY": "x", "PATH": os.environ["PATH"]}).send(
                self._ways[route], {"message_id": "1"}
            )
        self.taken[route] += outcome.result == "accepted"


@contextmanager
def rigged(folder: Path, interval_s: float, monkeypatch: pytest.MonkeyPatch) -> Iterator[Rig]:
    monkeypatch.setattr("logger.service.heartbeat.ANSWER_S", DEADLINE_S)
    monkeypatch.setattr("logger.probes.polls.FIRST_PAUSE_S", 0.2)
    monkeypatch.setattr("logger.probes.polls.LONGEST_PAUSE_S", 1.0)
    with ExitStack() as stack:
        yield Rig(folder, interval_s, stack)


def campaign(folder: Path, rounds: int, interval_s: float, monkeypatch: pytest.MonkeyPatch) -> Rig:
    """Each round spoils one edge, every tenth all of them."""
    random = Random(18)
    with rigged(folder, interval_s, monkeypatch) as rig:
        assert until(lambda: all(rig.values(f"{kind}{n}") for kind in "TFP" for n in range(2)), LONG_S)
        for n in range(rounds):
            spoilt = rig.edges if n % 10 == 9 else [random.choice(rig.edges)]
            rig.round(random, {edge.name: random.choice(FAULTS) for edge in spoilt})
        taken = Counter(rig.taken)
        rig.round(random, {})
        back_ns = time.time_ns()

        def back() -> bool:
            rig.senders.send(rig.routes)
            notified = all(rig.taken[route] > taken[route] for route in rig.routes)
            read = all(
                any(row.value == 20.5 and row.taken_ns > back_ns for row in rig.values(f"{kind}0"))
                for kind in "TFP"
            )
            return notified and read

        assert until(back, 4 * LONG_S), rig.taken
        for probe in ("T1", "F1", "P1"):
            lost = [(row.status, row.raw) for row in rig.values(probe) if row.status != "ok"]
            assert lost == [], probe
        assert all(row.raw for row in rig.rows if row.value is None)
    return rig


@pytest.mark.slow
def test_each_edge_in_turn_and_all_at_once_hold_up_nobody_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    campaign(tmp_path, 20, 4.0, monkeypatch)


@pytest.mark.long
def test_a_thousand_times(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rig = campaign(tmp_path, 1000, 4.0, monkeypatch)
    late = sorted(rig.late_s)
    spoilt = Counter(row.status for row in rig.rows if row.channel[1] == "0")
    sound = sum(row.channel[1] == "1" for row in rig.rows)
    print(f"sound polls {sound}, none lost; spoilt {dict(spoilt)}; notices by sound routes after "
          f"{late[len(late) // 2]:.2f} s (median), {late[-1]:.2f} s (longest)")  # fmt: skip
