"""A room of this process's making, the real service as a process on it, and faults at random.

Two instruments and a program are sound throughout; everything else outside the service is spoiled in turn.
An instrument says no value twice: its digits hold the number of the answer, so that each stored one is known.
"""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path
from random import Random
from typing import IO

import paho.mqtt.client as mqtt

from logger.config import example_folder, read_texts
from tests.command_line import run_installed
from tests.incoming.conftest import Broker

from .test_edges_campaign import SOUND, File, Script, Server, takes_posts
from .test_whole_service import until

INTERVAL_S = 2.0
SOUND_TIMEOUT_S = 60.0  # a busy machine makes nobody's answer late
CALM, HOT = 20.05, 21.20  # degC; the bay may be 19.5 to 20.5
FAULTS = ("block", "drip", "flood", "kill")
IN_MEMORY_S = 6.0  # so much of the newest may be in memory when the service is killed: a turn of the writer


class Instrument:
    """Answers READ? with a value whose last six digits count its answers."""

    def __init__(self, form: str, level: float, random: Random) -> None:
        self.form, self.level, self._random = form, level, random
        self.at_ns: list[int] = []  # when answer n was sent whole
        self._turn = threading.Lock()

    def answer(self) -> bytes:
        """The next answer, counted."""
        with self._turn:
            number = len(self.at_ns)
            self.at_ns.append(time.time_ns())
        value = self.level + self._random.gauss(0.0, 0.008)
        return self.form.format(f"{value:.3f}{number:06d}").encode()

    def talk(self, peer: socket.socket, _ending: threading.Event) -> None:
        """As a server's way of talking."""
        for _ in peer.makefile("rb"):
            peer.sendall(self.answer())


def number_of(value: float) -> int:
    """Which answer of an instrument a stored value was."""
    return round(value * 1e9) % 1_000_000


class MailServer(Server):
    """Takes mails; spoiled, it refuses or dies after the mail as well."""

    def __init__(self) -> None:
        super().__init__(self._takes, b"220-hello\r\n")
        self.mails: list[EmailMessage] = []
        self._talks |= {
            "refuses now": lambda peer, ending: self._takes(peer, ending, b"451 try again later\r\n"),
            "refuses for good": lambda peer, ending: self._takes(peer, ending, b"554 not expected here\r\n"),
            "dies after it": lambda peer, ending: self._takes(peer, ending, b""),
        }

    def _takes(self, peer: socket.socket, _ending: threading.Event, reply: bytes = b"250 taken\r\n") -> None:
        peer.sendall(b"220 ready\r\n")
        lines = peer.makefile("rb")
        for line in lines:
            word = line[:4].upper().strip()
            if word == b"DATA":
                peer.sendall(b"354 go on\r\n")
                text = b""
                while (part := lines.readline()) not in (b".\r\n", b""):
                    text += part
                if not reply:
                    return
                peer.sendall(reply)
                if reply.startswith(b"250"):
                    self.mails.append(message_from_bytes(text, policy=policy.default))
                continue
            peer.sendall(b"221 bye\r\n" if word == b"QUIT" else b"250 ok\r\n")


@dataclass
class Course:
    """What was done to the service, for the checks at the end: spans in ns, and a line for each act."""

    away: list[tuple[int, int]] = field(default_factory=list)  # it did not run: from the first loss on
    unstored: list[tuple[int, int]] = field(default_factory=list)  # it ran and could not store
    ended_s: list[float] = field(default_factory=list)
    acts: list[str] = field(default_factory=list)
    trouble: list[str] = field(default_factory=list)


class Room:
    """Everything outside the service, and the service; `stack` takes it down."""

    def __init__(self, folder: Path, random: Random, stack: ExitStack) -> None:
        self.folder, self.random, self.course = folder, random, Course()
        self.config, self.data = folder / "config", folder / "place" / "data"
        self.data.parent.mkdir()
        self._log: IO[str] = stack.enter_context((folder / "service.log").open("a", encoding="utf-8"))
        t, p = "T={} RH=45.0\r\n", "P={}\r\n"
        self.instruments = {
            "P1": Instrument(t, CALM, random), "P3": Instrument(t, CALM, random),
            "P6": Instrument(t, CALM, random), "B1": Instrument(p, 962.4, random),
        }  # fmt: skip

        def served(server: Server) -> Server:
            stack.callback(server.close)
            return server

        lines = {
            key: served(Server(self.instruments[key].talk, b"T=1T=1T=1\r\n")) for key in ("P1", "P3", "B1")
        }
        self.mails = [MailServer(), MailServer()]  # duty, which is spoiled, and deputy
        [served(server) for server in self.mails]
        self._file = File(folder / "w1" / "28-1")
        show = 'echo "T=20.0$(($(date +%s) % 9)) RH=45.0"'  # a value that stood still would be suspect
        self._reads = [Script(folder, f"read{n}", show, "") for n in range(2)]
        self.broker = Broker(folder)
        stack.callback(self.broker.stop)
        self._watched = folder / "loggers"
        self._watched.mkdir()
        watcher = served(Server(takes_posts, b"HTTP/1.1 100 Continue\r\n\r\n"))
        self._ports = {key: server.port for key, server in lines.items()} | {"watcher": watcher.port}
        self.spoil = {
            "P3": lines["P3"].spoil, "P4": self._file.spoil, "P5": self._reads[1].spoil,
            "mail": self.mails[0].spoil, "watcher": watcher.spoil,
        }  # fmt: skip
        self._write_config()
        self.process: subprocess.Popen[str] | None = None
        self._ending = threading.Event()
        publisher = threading.Thread(target=self._publish, daemon=True)
        publisher.start()
        stack.callback(self._ending.set)
        stack.callback(self.kill_silently)

    def kill_silently(self) -> None:
        """Takes the service down at the end of a test that failed."""
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGCONT)
            self.process.kill()
            self.process.wait(30)

    def start(self) -> None:
        """Starts the service, as often as it takes, and waits for its first sound readings."""
        command = [sys.executable, "-P", "-m", "logger.cli", "run", "--config", self.config]
        until_s = time.monotonic() + 1200  # of a machine that does much else
        self._log.write("--- start\n")
        self._log.flush()
        query = {key: len(self.instruments[key].at_ns) for key in ("P1", "B1")}
        while True:
            begun = () if (self.data / "stillroom.db").exists() else ("--begin",)
            self.process = subprocess.Popen(
                [*command, "--data", self.data, *begun, "--who", "Greta Holm"],
                stdout=self._log, stderr=self._log, text=True,
            )  # fmt: skip
            until(lambda: self._has_polled(query) or self._has_ended(), 900)
            if not self._has_ended():
                assert self._has_polled(query), "the service runs and asks no probe"
                return
            assert self.process.returncode != 2, "the service refuses what it is started with"
            assert time.monotonic() < until_s, "the service does not start"
            time.sleep(1.0)

    def kill(self) -> None:
        """kill -9; what was in memory may be lost, nothing else."""
        now_ns = time.time_ns()
        begun = [since for since, end in self.course.unstored if end > now_ns - 2 * 10**9]
        first_ns = min([now_ns, *begun]) - int(IN_MEMORY_S * 1e9)
        assert self.process is not None
        self.process.kill()
        self.process.wait(30)
        self.start()
        self.course.away.append((first_ns, time.time_ns()))

    def terminate(self) -> int:
        """SIGTERM: nothing is lost; the exit code."""
        assert self.process is not None
        now_ns, now_s = time.time_ns(), time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(120)
        self.course.ended_s.append(time.monotonic() - now_s)
        # What it could not store in its time is in a file that the next start takes in.
        self.course.away.append((now_ns - int(1e9), time.time_ns() + int(1e9)))
        return code

    def restart(self) -> None:
        """SIGTERM and start; what was polled until then is stored."""
        code = self.terminate()
        if code not in (0, 3):
            self.course.trouble.append(f"exit code {code} after SIGTERM")
        self.start()
        self.course.away[-1] = (self.course.away[-1][0], time.time_ns())

    def freeze(self, seconds: float) -> None:
        """The machine stands still for the service alone: SIGSTOP."""
        assert self.process is not None
        begun_ns = time.time_ns()
        self.process.send_signal(signal.SIGSTOP)
        time.sleep(seconds)
        self.process.send_signal(signal.SIGCONT)
        self.course.away.append((begun_ns - int(INTERVAL_S * 1e9), time.time_ns() + int(INTERVAL_S * 2e9)))

    def take_folder_away(self, seconds: float) -> None:
        """As if its disk were unmounted and came back."""
        self._unstorable(lambda: self._moved(seconds))

    def lock_database(self, seconds: float) -> None:
        """Another program holds the database."""

        def hold() -> None:
            with closing(
                sqlite3.connect(self.data / "stillroom.db", timeout=30, isolation_level=None)
            ) as other:
                other.execute("BEGIN IMMEDIATE")
                time.sleep(seconds)
                other.execute("ROLLBACK")

        self._unstorable(hold)

    def heat(self, hot: bool) -> None:
        """The air handling of the bay fails, or is mended."""
        self.instruments["P1"].level = self.instruments["P3"].level = HOT if hot else CALM

    def act(self, *words: object) -> subprocess.CompletedProcess[str]:
        """A command on the record."""
        result = run_installed(*words, "--data", self.data, timeout=300)
        if "Traceback" in result.stderr:
            self.course.trouble.append(f"{words}: {result.stderr[-2000:]}")
        return result

    def drop_files(self, number: int) -> None:
        """Into the watched folder what a copying program, a broken logger and a foe leave."""
        kind = number % 6
        file = self._watched / f"plate-bench-{number}.csv"
        if kind == 0:
            os.mkfifo(file)
        elif kind == 1:
            file.mkdir()
        elif kind == 2:
            file.symlink_to(self._watched / "nowhere")
        elif kind == 3:
            file.write_bytes(self.random.randbytes(20_000))
        elif kind == 4:
            file.write_text("[" * 100_000)
        else:
            (self._watched / "\udcff.csv").write_bytes(b"a;b\n1;2\n")

    def _moved(self, seconds: float) -> None:
        aside = self.data.with_name("aside")
        self.data.rename(aside)
        time.sleep(seconds)
        aside.rename(self.data)

    def _unstorable(self, spoil: Callable[[], None]) -> None:
        begun_ns = time.time_ns()
        self.course.unstored.append((begun_ns, 2**63))
        spoil()
        self.course.unstored[-1] = (begun_ns, time.time_ns() + int(20e9))  # it tries again at most so late

    def _has_ended(self) -> bool:
        return self.process is None or self.process.poll() is not None

    def _has_polled(self, before: dict[str, int]) -> bool:
        return all(len(self.instruments[key].at_ns) > count for key, count in before.items())

    def _publish(self) -> None:
        """The radio probe, whose gateway sends what it could not send as soon as it can."""
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="gateway", clean_session=False)
        client.reconnect_delay_set(1, 2)
        client.connect_async("127.0.0.1", self.broker.port)
        client.loop_start()
        while not self._ending.wait(INTERVAL_S):
            value = self.instruments["P6"].answer().decode().split()[0].removeprefix("T=")
            client.publish("room/P6", json.dumps({"time": time.time(), "t": float(value)}), qos=1)
        client.loop_stop()

    def _write_config(self) -> None:
        files = read_texts(example_folder())
        probes = re.sub(
            r"(?m)^sampling_interval_s = .*", f"sampling_interval_s = {INTERVAL_S}", files["probes.toml"]
        )
        values = {"t": "temperature", "rh": "relative_humidity"}
        shape = r"T=(?P<t>-?\d+\.\d+) RH=(?P<rh>\d+\.\d+)"
        both = f'pattern = \'{shape}\'\nvalues = {{ t = "temperature", rh = "relative_humidity" }}\n'

        def text(key: str, rest: str, timeout_s: float) -> str:
            url = f"socket://127.0.0.1:{self._ports[key]}"
            return f'url = "{url}"\nmode = "query"\nquery = "READ?"\ntimeout_s = {timeout_s}\n{rest}'

        def command(script: Script, timeout_s: float) -> str:
            arguments = json.dumps(list(script.arguments))
            return f'kind = "command"\narguments = {arguments}\ntimeout_s = {timeout_s}\n{both}'

        pressure = "pattern = 'P=(?P<p>\\d+\\.\\d+)'\nvalues = { p = \"pressure\" }\n"
        connections = {
            "P1": text("P1", both, SOUND_TIMEOUT_S),
            "P2": command(self._reads[0], SOUND_TIMEOUT_S),
            "P3": text("P3", both, 1.0),
            "P4": f'kind = "one-wire"\nfolder = "{self._file.folder}"\n',
            "P5": command(self._reads[1], 2.0),
            "P6": f'kind = "mqtt"\nurl = "{self.broker.url}"\ntopic = "room/P6"\n'
            f'values = {{ t = "{next(iter(values.values()))}" }}\n',
            "B1": text("B1", pressure, SOUND_TIMEOUT_S),
        }
        for key, connection in connections.items():
            probes = re.sub(
                rf"(\[probes\.{key}\.connection\]\n).*?(?=\n\[|\n# Which)",
                lambda head, new=connection: head[1] + new,  # type: ignore[misc]
                probes, flags=re.DOTALL,
            )  # fmt: skip
        alarms = files["alarms.toml"]
        duty = alarms[alarms.index("[mail.duty]") : alarms.index("[people.greta]")]
        deputy = duty.replace("[mail.duty]", "[mail.deputy]")
        for name, server, part in (("duty", self.mails[0], duty), ("deputy", self.mails[1], deputy)):
            port = re.sub(r"(?m)^port = \d+", f"port = {server.port}", part)
            alarms = alarms.replace(duty, port) if name == "duty" else f"{alarms}\n{port}"
        alarms = alarms.replace('routes = ["screen", "duty"]', 'routes = ["screen", "duty", "deputy"]')
        alarms = re.sub(r"(?m)^off_delay_s = \d+", "off_delay_s = 60", alarms)
        service = (
            f'[heartbeat]\nurl = "http://127.0.0.1:{self._ports["watcher"]}/"\nevery_s = 10.0\n'
            f'[watch]\nfolder = "{self._watched}"\nquiet_s = 1\n'
        )
        files |= {"probes.toml": probes, "alarms.toml": alarms, "service.toml": service}
        for name, written in files.items():
            file = self.config / name
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text(written, encoding="utf-8")


def spoil_for_a_while(room: Room, ending: threading.Event) -> None:
    """One edge after the other, or several at once, until the end; each is mended after a while."""
    random = Random(room.random.random())
    while not ending.is_set():
        names = random.sample(sorted(room.spoil), random.choice((1, 1, 2, len(room.spoil))))
        for name in names:
            ways = (*FAULTS, "refuses now", "refuses for good", "dies after it") if name == "mail" else FAULTS
            fault = random.choice(ways)
            room.course.acts.append(f"{name}: {fault}")
            with suppress(OSError):
                room.spoil[name](fault)
        ending.wait(random.uniform(5.0, 60.0))
        for name in names:
            room.spoil[name](SOUND)
        ending.wait(random.uniform(1.0, 20.0))
