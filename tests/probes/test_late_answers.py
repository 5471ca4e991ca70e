"""No late or foreign answer becomes a value: every value is that of the question that was just asked.

The far end numbers the questions as they come and answers each with its own number, so that a value says to
which question, of which probe, it belongs. A fifth of the answers come up to five time-outs late, each in its
own time: later ones overtake them, as where several devices share a wire. Some are lost.
"""

from __future__ import annotations

import heapq
import itertools
import select
import struct
import subprocess
import threading
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from random import Random

import pytest

from logger.errors import ProbeError
from logger.model import AsciiLine, Line, ModbusLine, Register, Sdi12Line
from logger.probes import ProbeDriver, drivers
from logger.probes.debts import NOT_ASKED, Debts
from logger.probes.lookalikes import are_distinguishable, find_lookalikes
from logger.probes.modbus_frames import crc16
from logger.probes.sdi12 import crc
from logger.simulation.wires import PtyWire, SocketWire, Wire
from tests.programs import program

from .conftest import asked_again

TIMEOUT_S = 0.02
# A driver waits half a time-out longer than the latest answer is planned to take. What this machine delays by
# more than these two together is later than planned.
WAKE_S, SLACK_S = TIMEOUT_S / 10, TIMEOUT_S / 8


@pytest.fixture(scope="module", autouse=True)
def _quiet_in_proportion() -> Iterator[None]:
    """With time-outs this short the ordinary quiet before a question would outlast late answers."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("logger.probes.port.QUIET_S", TIMEOUT_S / 30)
        yield


class Numbering:
    """Devices on one wire that answer each question with its number; late where `random` says so.

    `newest`: the number of the newest question for a value, by whose it is. `delayed`: those whose answers
    this machine held up beyond what was planned, so that they prove nothing about a driver.
    """

    def __init__(self, wire: Wire, random: Random, disturbed: float = 0.2) -> None:
        self.wire, self.newest, self.count = wire, {}, 0  # type: tuple[Wire, dict[str, int], int]
        self.late, self.delayed = 0, set[int]()
        self._random, self._disturbed = random, disturbed
        self._numbers = itertools.count(1)
        self._due: list[tuple[float, int, bytes, set[int]]] = []
        self._received = b""
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._ending.set()
        self._thread.join(60)
        self.wire.unplug()

    def answers(self, data: bytes) -> list[bytes]:
        """Answers to the whole questions in what was received."""
        raise NotImplementedError

    def number(self, whose: str) -> int:
        """The number of a new question for a value."""
        self.newest[whose] = next(self._numbers)
        return self.newest[whose]

    def _serve(self) -> None:
        awake_s = time.monotonic()
        while not self._ending.is_set():
            wait_s = max(0.0, min(WAKE_S, self._due[0][0] - time.monotonic())) if self._due else WAKE_S
            with suppress(OSError, ValueError):
                if select.select(self.wire.files(), [], [], wait_s)[0]:
                    answers = self.answers(self.wire.receive())
                    numbers = set(self.newest.values())
                    if time.monotonic() - awake_s > WAKE_S + SLACK_S:
                        self.delayed |= numbers  # the question may have waited
                    for answer in answers:
                        self._plan(answer, numbers)
            awake_s = time.monotonic()
            while self._due and self._due[0][0] <= time.monotonic():
                self._send(*heapq.heappop(self._due))

    def _send(self, due_s: float, _: int, answer: bytes, numbers: set[int]) -> None:
        if time.monotonic() - due_s > SLACK_S:
            self.delayed |= numbers
        self.wire.send(answer)

    def _plan(self, answer: bytes, numbers: set[int]) -> None:
        self.count += 1
        disturbed = self._random.random() < self._disturbed
        if disturbed and self._random.random() < 0.1:
            return  # lost
        late_s = TIMEOUT_S * self._random.uniform(0.9, 6.0) if disturbed else 0.0
        self.late += disturbed
        heapq.heappush(self._due, (time.monotonic() + late_s, self.count, answer, numbers))


class Registers(Numbering):
    """Modbus devices, whose registers hold the number of the question as 32 bits again and again."""

    def __init__(self, wire: Wire, random: Random, *, tcp: bool, disturbed: float = 0.2) -> None:
        self._tcp = tcp
        super().__init__(wire, random, disturbed)

    def answers(self, data: bytes) -> list[bytes]:
        self._received += data
        length, result = 12 if self._tcp else 8, []
        while len(self._received) >= length:
            frame, self._received = self._received[:length], self._received[length:]
            body = frame[6:] if self._tcp else frame[:6]
            if not self._tcp and crc16(body) != frame[6:]:
                self._received = b""
                break
            result.append(self._answer(frame[:4], *struct.unpack(">BBHH", body)))
        return result

    def _answer(self, head: bytes, device: int, function: int, address: int, count: int) -> bytes:
        number = self.number(f"{device}.{address}")
        words = struct.pack(">I", number) * count
        reply = bytes([device, function, 2 * count]) + words[: 2 * count]
        return head + struct.pack(">H", len(reply)) + reply if self._tcp else reply + crc16(reply)


class Texts(Numbering):
    """Devices that are asked by their names, and answer with or without them."""

    def __init__(self, wire: Wire, random: Random, *, named: bool, disturbed: float = 0.2) -> None:
        self._named = named
        super().__init__(wire, random, disturbed)

    def answers(self, data: bytes) -> list[bytes]:
        *lines, self._received = (self._received + data).split(b"\n")
        return [self._answer(line.strip().decode()) for line in lines]

    def _answer(self, whose: str) -> bytes:
        name = f"{whose} " if self._named else ""
        return f"{name}V={self.number(whose)}\r\n".encode()


class Sdi12(Numbering):
    """Sensors that tell the number of the question for their values."""

    def answers(self, data: bytes) -> list[bytes]:
        *commands, self._received = (self._received + data).split(b"!")
        return [self._answer(command.decode().strip()) for command in commands]

    def _answer(self, command: str) -> bytes:
        address = command[0]
        if command[1:] == "MC":
            return f"{address}0001\r\n".encode()
        body = f"{address}+{self.number(address)}"
        return f"{body}{crc(body)}\r\n".encode()


def _modbus(url: str, probe: str, device: int, address: int) -> ModbusLine:
    return ModbusLine(
        probe, url, {"v": Register(address, "uint32")}, {"v": f"{device}.{address}"}, device=device,
        parity="N", baudrate=115200, timeout_s=TIMEOUT_S,
    )  # fmt: skip


def _text(url: str, name: str, named: bool) -> AsciiLine:
    pattern = rf"{name} V=(?P<v>\d+)" if named else r"V=(?P<v>\d+)"
    return AsciiLine(name, url, "query", pattern, {"v": name}, query=name, timeout_s=TIMEOUT_S)


KINDS: Sequence[str] = (
    "modbus rtu", "modbus rtu over socket", "modbus tcp", "text", "text with addresses", "text over socket",
    "sdi-12",
)  # fmt: skip


@contextmanager
def played(
    kind: str, folder: Path, seed: int, disturbed: float = 0.2
) -> Iterator[tuple[Numbering, list[ProbeDriver]]]:
    """The far end of one line and the drivers of the probes on it."""
    random = Random(seed)
    socket = "socket" in kind or "tcp" in kind
    wire: Wire = SocketWire() if socket else PtyWire(f"line{seed}", folder)
    url = wire.url.replace("socket://", "tcp://") if kind == "modbus tcp" else wire.url
    lines: list[Line]
    far: Numbering
    if kind.startswith("modbus"):
        far = Registers(wire, random, tcp=kind == "modbus tcp", disturbed=disturbed)
        # Two registers of one device and one length, and another device.
        lines = [_modbus(url, "P1", 1, 10), _modbus(url, "P2", 1, 20), _modbus(url, "P3", 2, 10)]
    elif kind == "sdi-12":
        far = Sdi12(wire, random, disturbed)
        lines = [Sdi12Line(f"S{a}", url, {"1": a}, address=a, timeout_s=2 * TIMEOUT_S) for a in "01"]
    else:
        named = kind == "text with addresses"
        far = Texts(wire, random, named=named, disturbed=disturbed)
        lines = [_text(url, name, named) for name in ("A", "B", "C")]
    line_drivers = drivers(lines)  # type: ignore[arg-type]
    try:
        yield far, line_drivers
    finally:
        for driver in line_drivers:
            driver.close()
        far.close()


Campaign = tuple[Counter[str], list[tuple[str, float, int]], int]


def campaign(kind: str, folder: Path, seed: int, polls: int) -> Campaign:
    """How so many questions went, which values were not those of the question, how many were disturbed."""
    went: Counter[str] = Counter()
    wrong: list[tuple[str, float, int]] = []
    with played(kind, folder, seed) as (far, item):
        while far.count < polls:
            for driver in item:
                try:
                    driver.open()
                    (answer,) = driver.read()
                except ProbeError:
                    went["no-port"] += 1
                    continue
                went[NOT_ASKED if answer.raw == NOT_ASKED else answer.status] += 1
                if answer.raw == NOT_ASKED:
                    time.sleep(TIMEOUT_S / 10)
                if answer.value is not None and answer.value != far.newest[answer.channel]:
                    wrong.append((answer.channel, answer.value, far.newest[answer.channel]))
        return went, [item for item in wrong if item[1] not in far.delayed], far.late


@pytest.fixture(scope="module")
def campaigns(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Future[Campaign]]]:
    """A short one for each kind of line, all at once: they do little but wait."""
    with ThreadPoolExecutor(len(KINDS)) as pool:
        yield {kind: pool.submit(campaign, kind, tmp_path_factory.mktemp("late"), 3, 60) for kind in KINDS}


@pytest.mark.parametrize("kind", KINDS)
def test_no_late_answer_becomes_a_value_of_another_register_probe_or_poll(
    kind: str, campaigns: dict[str, Future[Campaign]]
) -> None:
    went, wrong, _ = campaigns[kind].result()
    assert wrong == []
    assert went["ok"]


@pytest.mark.long
@pytest.mark.parametrize("kind", KINDS)
def test_thirty_thousand_questions_a_fifth_of_them_answered_late(kind: str, tmp_path: Path) -> None:
    """5,000 questions for each kind of line: 35,000 in all."""
    each, lines = 500, 10
    result: list[Campaign] = []
    threads = [
        threading.Thread(target=lambda n=n: result.append(campaign(kind, tmp_path, n, each)))
        for n in range(lines)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    went = sum((item for item, _, _ in result), Counter[str]())
    print(kind, dict(went), "late", sum(late for _, _, late in result))
    assert len(result) == lines
    assert [wrong for _, result, _ in result for wrong in result] == []


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["text", "modbus rtu"])
def test_the_campaign_sees_answers_that_belong_to_other_questions(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without waiting and proof the same wires give wrong values: the far end is no easy one."""
    monkeypatch.setattr(Debts, "note", lambda *_: None)
    assert any(campaign(kind, tmp_path, seed, 150)[1] for seed in range(8))


@pytest.mark.parametrize(
    ("first", "other", "apart"),
    [
        (r"#1 (?P<v>.+)", r"#2 (?P<v>.+)", True),
        (r"(?P<v>[\d.]+) \#1", r"(?P<v>[\d.]+) \#2", True),
        (r"V=(?P<v>.+)", r"V=(?P<v>.+)", False),
        (r"V=(?P<v>.+)", r"V=(?P<v>.+) RH=(?P<h>.+)", False),
        (r"1?(?P<v>.+)", r"2?(?P<v>.+)", False),
        (r"A (?P<v>.+)|B (?P<v2>.+)", r"B (?P<v>.+)", False),
        (r"(?i)a(?P<v>.+)", r"A(?P<v>.+)", False),
        (r"A\d(?P<v>.+)", r"A1(?P<v>.+)", False),
        (r"(?P<v>\d+)C?", r"(?P<v>\d+)", False),
        (r".1 (?P<v>.+)", r".2 (?P<v>.+)", False),
    ],
)
def test_patterns_are_told_apart_only_where_no_line_can_match_both(
    first: str, other: str, apart: bool
) -> None:
    """By hand: a line that matches both is easily written down for each that is not told apart."""
    assert are_distinguishable(first, other) is apart
    assert are_distinguishable(other, first) is apart


def test_what_cannot_be_told_apart_is_said_with_what_to_do() -> None:
    alike = [_modbus("bus", "P1", 1, 10), _modbus("bus", "P2", 1, 20), _modbus("bus", "P3", 2, 10)]
    (message,) = find_lookalikes(alike)
    assert message.startswith("Probes P1 and P2 on bus are device 1 and read 2 registers each: a late answer")
    texts = [_text("line", "A", False), _text("line", "B", False), _text("other line", "C", False)]
    (message,) = find_lookalikes(texts)
    assert message.startswith("Probes A and B on line: their patterns name no address")
    assert not list(find_lookalikes([_text("line", "A", True), _text("line", "B", True)]))


@pytest.mark.slow
def test_a_probe_that_names_itself_does_not_wait_for_another_that_is_late(tmp_path: Path) -> None:
    """Nor does the late answer of the one, which its form shows, spoil the poll of the other."""
    wire = PtyWire("line", tmp_path)
    lines = [replace(_text(wire.url, name, named=True), timeout_s=1.0) for name in ("A", "B")]
    far = Late(wire)
    first, other = drivers(lines)
    first.open()
    assert [first.read()[0].status, first.read()[0].raw] == ["timeout", NOT_ASKED]
    begun_s = time.monotonic()
    assert other.read()[0].value == 2.0
    assert time.monotonic() - begun_s < 3.0  # A's answer may still come for five and a half time-outs
    first.close()
    far.close()


class Late(Texts):
    """A never answers in time: its answer comes just before that to the next question."""

    def __init__(self, wire: Wire) -> None:
        self._held = b""
        super().__init__(wire, Random(1), named=True, disturbed=0.0)

    def answers(self, data: bytes) -> list[bytes]:
        answers = super().answers(data)
        late, self._held = self._held, b"".join(answer for answer in answers if answer.startswith(b"A"))
        return [late + answer for answer in answers if not answer.startswith(b"A")]


def test_a_device_that_leaves_other_lengths_unanswered_is_asked_again_all_the_same(tmp_path: Path) -> None:
    """Some do not refuse what they do not have, as the standard wants it, but say nothing."""
    wire = PtyWire("line", tmp_path)
    far = Strict(wire)
    (driver,) = drivers([_modbus(wire.url, "P1", 1, 10)])
    driver.open()
    assert driver.read()[0].status == "timeout"
    far.deaf = False
    until_s = time.monotonic() + 60
    values: list[float] = []
    while not values and time.monotonic() < until_s:
        driver.open()
        values = [answer.value for answer in driver.read() if answer.value is not None]
    assert values == [far.newest["1.10"]]
    assert far.refused >= 1
    driver.close()
    far.close()


class Strict(Registers):
    """Answers two registers from 10 and nothing else; at first not even those."""

    def __init__(self, wire: Wire) -> None:
        self.deaf, self.refused = True, 0
        super().__init__(wire, Random(1), tcp=False, disturbed=0.0)

    def _answer(self, head: bytes, device: int, function: int, address: int, count: int) -> bytes:
        answer = super()._answer(head, device, function, address, count)
        self.refused += not self.deaf and count != 2
        return b"" if self.deaf or count != 2 else answer


def test_a_late_answer_through_a_line_of_another_make_is_no_value(tmp_path: Path) -> None:
    """socat makes the line and a shell the probe: each second answer comes three time-outs late."""
    script = tmp_path / "probe.sh"
    script.write_text(
        "#!/bin/sh\nn=0\nwhile read -r q; do n=$((n + 1)); "
        "if [ $((n % 2)) = 0 ]; then sleep 0.3; fi; printf 'V=%s\\r\\n' $n; done\n"
    )
    script.chmod(0o755)
    name = tmp_path / "socat"
    peer = subprocess.Popen([program("socat"), f"pty,raw,echo=0,link={name}", f"exec:{script}"])
    try:
        until_s = time.monotonic() + 60
        while not name.exists() and time.monotonic() < until_s:
            time.sleep(0.02)
        (driver,) = drivers([replace(_text(str(name), "A", named=False), timeout_s=0.1)])
        driver.open()
        values: list[float] = []
        while len(values) < 3 and time.monotonic() < until_s:
            values += [answer.value for answer in asked_again(driver) if answer.value is not None]
        driver.close()
        assert len(values) == 3
        assert all(value % 2 for value in values)  # the even ones were late
    finally:
        peer.terminate()
        peer.wait(60)
