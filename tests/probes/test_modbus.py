"""Modbus against peers of another make, and against the answer that comes too late."""

from __future__ import annotations

import asyncio
import os
import socket
import struct
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from logger.model import ModbusLine, Register
from logger.probes import ModbusDriver
from logger.probes.modbus_frames import number, shortest
from logger.probes.serial_line import SerialLine
from logger.simulation.devices import ModbusSpeaker, registers_of
from logger.simulation.wires import PtyWire

from .conftest import asked_again
from .rigs import Spoken

T, RH = Register(10, "float32"), Register(12, "float32")


@pytest.mark.parametrize(
    ("order", "bytes_"),
    [("ABCD", "41ac3d71"), ("CDAB", "3d7141ac"), ("BADC", "ac41713d"), ("DCBA", "713dac41")],
)
def test_all_four_orders_of_a_float(order: str, bytes_: str) -> None:
    """21.53 as IEEE 754 single is 41AC3D71 (computed by Python's struct, checked by hand)."""
    words = struct.unpack(">2H", bytes.fromhex(bytes_))
    register = Register(0, "float32", order=order)  # type: ignore[arg-type]
    assert number(register, words) == 21.53
    assert list(registers_of(register, 21.53).values()) == list(words)


@pytest.mark.parametrize(
    ("register", "words", "value"),
    [
        (Register(0, "int16", scale=0.1), [0xFFFF], -0.1),
        (Register(0, "uint16", scale=0.1), [0xFFFF], 6553.5),
        (Register(0, "int16", none=(-32768.0,)), [0x8000], None),
        (Register(0, "int32", order="CDAB"), [0xFFFE, 0xFFFF], -2.0),
        (Register(0, "float32"), [0x7FC0, 0x0000], None),
        (Register(0, "float32"), [0x7F80, 0x0000], None),
        (Register(0, "float64"), [0x4035, 0x87AE, 0x147A, 0xE148], 21.53),
        (Register(0, "int16", scale=0.01, offset=-40.0), [6003], 20.03),
    ],
)  # fmt: skip
def test_numbers_in_registers(register: Register, words: list[int], value: float | None) -> None:
    assert number(register, words) == value


def test_a_float32_is_stored_as_the_decimal_that_was_meant() -> None:
    """Every hundredth from -40 to 125 goes through four bytes and comes back as written."""
    for n in range(-4000, 12501):
        exact = struct.unpack(">f", struct.pack(">f", n / 100))[0]
        assert float(shortest(exact)) == n / 100


class Outside:
    """pymodbus's server, on a loopback port or a pseudo-terminal, in a loop of its own."""

    def __init__(self, port: str | None = None) -> None:
        self._loop = asyncio.new_event_loop()
        self._port = port
        self.tcp = 0
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        assert self._ready.wait(60)

    def _run(self) -> None:
        self._loop.run_until_complete(self._serve())
        self._loop.close()

    async def _serve(self) -> None:
        self._stopped = asyncio.Event()
        data = [SimData(10, values=[21.5, 40.25], datatype=DataType.FLOAT32)]
        devices = [SimDevice(id=1, simdata=data)]
        if self._port:
            server = ModbusSerialServer(devices, port=self._port, baudrate=115200)  # type: ignore[assignment]
        else:
            with socket.socket() as free:
                free.bind(("127.0.0.1", 0))
                self.tcp = free.getsockname()[1]
            server = ModbusTcpServer(devices, address=("127.0.0.1", self.tcp))  # type: ignore[assignment]
        await server.serve_forever(background=True)
        self._ready.set()
        await self._stopped.wait()
        await server.shutdown()

    def close(self) -> None:
        self._loop.call_soon_threadsafe(self._stopped.set)
        self._thread.join(60)


@pytest.fixture(params=["tcp", "rtu"])
def outside(request: pytest.FixtureRequest) -> Iterator[str]:
    if request.param == "tcp":
        server = Outside()
        yield f"tcp://127.0.0.1:{server.tcp}"
        server.close()
        return
    near, far = os.openpty()
    theirs, ours = os.openpty()
    import tty

    tty.setraw(far), tty.setraw(ours)
    pump = threading.Thread(target=_pump, args=(near, theirs), daemon=True)
    pump.start()
    server = Outside(os.ttyname(far))
    yield os.ttyname(ours)
    server.close()
    for end in (far, ours):
        os.close(end)


def _pump(first: int, other: int) -> None:
    """A null-modem cable between two pseudo-terminals."""
    import select

    try:
        while True:
            for end in select.select([first, other], [], [], 5)[0]:
                os.write(other if end == first else first, os.read(end, 512))
    except OSError:
        return


def line(url: str, **changes: object) -> ModbusLine:
    registers = {"temperature": T, "relative_humidity": RH}
    channels = {"temperature": "P1.temperature", "relative_humidity": "P1.relative_humidity"}
    fields = {"timeout_s": 0.5, "parity": "N", "baudrate": 115200, "function": "holding", **changes}
    return ModbusLine("P1", url, registers, channels, **fields)  # type: ignore[arg-type]


def test_a_server_of_another_make_is_read(outside: str) -> None:
    driver = ModbusDriver(line(outside))
    driver.open()
    for _ in range(3):
        assert [(a.value, a.status) for a in driver.read()] == [(21.5, "ok"), (40.25, "ok")]
    driver.close()


def test_an_address_that_another_make_does_not_have_is_told_as_it_tells_it(outside: str) -> None:
    registers = {"temperature": Register(500, "float32")}
    driver = ModbusDriver(
        ModbusLine(
            "P1",
            outside,
            registers,
            {"temperature": "P1.t"},
            function="holding",
            parity="N",
            baudrate=115200,
            timeout_s=0.5,
        )
    )
    driver.open()
    (answer,) = driver.read()
    assert (answer.status, answer.value) == ("device-error", None)
    assert answer.raw.startswith("exception 2: illegal address")
    driver.close()


def test_a_late_temperature_never_becomes_the_humidity_of_the_next_device(tmp_path: Path) -> None:
    """As measured with a common library: a temperature of 21.0 that came late was taken for 41.0 %RH."""
    wire = PtyWire("bus", tmp_path)
    first = ModbusSpeaker({"v": 21.0}, {"v": Register(0, "float32")}, device=1)
    other = ModbusSpeaker({"v": 41.0}, {"v": Register(2, "float32")}, device=1)
    device = Spoken(wire, first)
    shared = None
    drivers = []
    for name, register in (("temperature", Register(0, "float32")), ("humidity", Register(2, "float32"))):
        line = ModbusLine(f"P-{name}", wire.url, {"v": register}, {"v": name}, parity="N", timeout_s=0.2)
        shared = shared or SerialLine(line)
        drivers.append(ModbusDriver(line, shared))
    temperature, humidity = drivers
    device.fault, device.late_s = "late", 0.3  # beyond the time-out of 0.2 s, within the quiet after it
    temperature.open()
    assert temperature.read()[0].status == "timeout"
    device.fault, device.speaker = "", other
    humidity.open()
    assert [(a.value, a.status) for a in asked_again(humidity)] == [(41.0, "ok")]
    humidity.close()
    device.close()


def test_late_answers_over_tcp_are_known_by_their_transaction() -> None:
    """A peer that answers every request one request late."""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        peer, _ = listener.accept()
        speaker = ModbusSpeaker({"v": 0.0}, {"v": Register(0)}, tcp=True)
        requests: list[bytes] = []
        n = 0
        with peer:
            while data := peer.recv(256):
                speaker.values["v"] = float(n)
                n += 1
                requests += speaker.take(data)
                if n != 1:
                    peer.sendall(b"".join(requests))
                    requests = []

    served = threading.Thread(target=serve, daemon=True)
    served.start()
    url = f"tcp://127.0.0.1:{listener.getsockname()[1]}"
    driver = ModbusDriver(ModbusLine("P1", url, {"v": Register(0)}, {"v": "P1.v"}, timeout_s=0.2))
    driver.open()
    with pytest.raises(TimeoutError):
        driver.block("input", 0, 1)
    assert driver.block("input", 0, 1) == (1,)
    driver.close()
    listener.close()
    served.join(60)
