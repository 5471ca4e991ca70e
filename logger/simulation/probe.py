"""The probes of the simulated room as a process of their own, behind lines like real ones.

    python -m logger.simulation.probe --seed 7

prints one line of JSON with the url of each probe and then answers `READ?` with a line such as
`T=20.03 RH=47.8` or `P=962.4`, and `ID?` with the serial number. What it does not know it leaves
unanswered, as such instruments do. It ends when its standard input ends, so that it never
outlives the program that started it. Lines of JSON on its standard input change it, each confirmed by a
line of JSON: {"probe": "P1", "fault": "silence"} and {"drift": true}.
"""

from __future__ import annotations

import argparse
import json
import os
import select
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from ..instants import NS
from .climate import instant
from .instruments import BAROMETER, BAROMETER_SERIAL, INSTRUMENTS, SimulatedProbes
from .room import Disturbance, SimulatedRoom
from .wires import PtyWire, SocketWire, Wire

FAULTS = ("none", "silence", "garbage", "half line", "fault word", "unplug")
PROBES = (*INSTRUMENTS, BAROMETER)
# A heater of that strength, stuck, takes the bay out of 20.5 degC within two to three minutes.
STUCK_HEATER_W = 3600.0


class SimulatedProbe:
    """One probe at its wire: collects a query up to its line end and answers it."""

    def __init__(self, key: str, wire: Wire, panel: SimulatedProbes) -> None:
        self.key = key
        self.wire = wire
        self.fault = "none"
        self._panel = panel
        self._received = b""

    def set_fault(self, fault: str) -> None:
        """From now on behaves like that; "none" is health, the wire plugged in."""
        self.fault = fault
        self._received = b""
        if fault == "unplug":
            self.wire.unplug()
        else:
            self.wire.plug()

    def answer_all(self) -> None:
        """Answers every whole query that has come."""
        self._received = (self._received + self.wire.receive())[-256:]
        while b"\n" in self._received:
            query, _, self._received = self._received.partition(b"\n")
            answer = self._answer(query.strip())
            if answer:
                self.wire.send(answer)

    def say(self) -> None:
        """Sends its reading unasked, as a streaming probe does."""
        self.wire.send(self._answer(b"READ?"))

    def _answer(self, query: bytes) -> bytes:
        if self.fault == "silence" or query not in (b"READ?", b"ID?"):
            return b""
        if self.fault == "garbage":
            return b"\xfe\x81T=2#\x00.1\r\n"
        line = self._reading() if query == b"READ?" else self._serial()
        return line[: len(line) // 2].encode() if self.fault == "half line" else f"{line}\r\n".encode()

    def _reading(self) -> str:
        if self.key == BAROMETER:
            return f"P={self._panel.pressure():.1f}"
        temperature = "---" if self.fault == "fault word" else f"{self._panel.temperature(self.key):.2f}"
        return f"T={temperature} RH={self._panel.relative_humidity(self.key):.1f}"

    def _serial(self) -> str:
        return BAROMETER_SERIAL if self.key == BAROMETER else INSTRUMENTS[self.key].serial


class Twin:
    """All simulated probes and the room that they stand in."""

    def __init__(self, panel: SimulatedProbes, wires: Mapping[str, Wire], now_ns: Callable[[], int]) -> None:
        self._panel = panel
        self._now_ns = now_ns
        self.probes = {key: SimulatedProbe(key, wire, panel) for key, wire in wires.items()}

    def drift(self, strength_W: float, after_s: float = 0.0) -> None:
        """Lets the heater of the air handling stick, after so many seconds of the room's time."""
        start_ns = self._now_ns() + int(after_s * NS)
        self._panel.room.disturb(Disturbance("heater stuck", start_ns, None, strength_W))

    def files(self) -> list[int]:
        """Descriptors to wait on."""
        return [file for probe in self.probes.values() for file in probe.wire.files()]

    def serve_once(self) -> None:
        """Brings the room up to now and answers what has been asked."""
        self._panel.advance(self._now_ns())
        for probe in self.probes.values():
            if probe.fault != "unplug":
                probe.answer_all()

    def say_all(self) -> None:
        """Every probe sends its reading unasked."""
        self._panel.advance(self._now_ns())
        for probe in self.probes.values():
            if probe.fault != "unplug":
                probe.say()

    def close(self) -> None:
        """Lets go of all wires."""
        for probe in self.probes.values():
            probe.wire.unplug()


class Orders:
    """Standard input, read by a thread because Windows cannot wait for it together with sockets."""

    def __init__(self) -> None:
        self._ours, self._theirs = socket.socketpair()
        self._received = b""
        threading.Thread(target=self._read, daemon=True).start()

    def fileno(self) -> int:
        """Becomes readable when there is an order, or at the end."""
        return self._ours.fileno()

    def take(self) -> list[dict[str, Any]] | None:
        """Whole orders that have come; None at the end of standard input."""
        data = self._ours.recv(4096)
        if not data:
            return None
        *lines, self._received = (self._received + data).split(b"\n")
        return [_order(line) for line in lines if line.strip()]

    def _read(self) -> None:
        # Not sys.stdin: its lock, held by a waiting thread, would stop the interpreter from ending.
        while data := os.read(0, 4096):
            self._theirs.sendall(data)
        self._theirs.close()


def _order(line: bytes) -> dict[str, Any]:
    """An order, or the text of what is none, which will be refused."""
    try:
        order = json.loads(line)
    except ValueError:
        order = None
    return order if isinstance(order, dict) else {"text": line.decode("utf-8", "backslashreplace")}


def serve(twin: Twin, orders: Orders, period_s: float | None, drift_W: float) -> None:
    """Answers until standard input ends; with a period, also sends unasked."""
    next_s = time.monotonic() + (period_s or 0)
    while True:
        left_s = max(0.0, next_s - time.monotonic()) if period_s else None
        ready, _, _ = select.select([orders.fileno(), *twin.files()], [], [], left_s)
        if orders.fileno() in ready:
            orders_now = orders.take()
            if orders_now is None:
                return
            for order in orders_now:
                _obey(twin, order, drift_W)
        twin.serve_once()
        if period_s and time.monotonic() >= next_s:
            twin.say_all()
            next_s += period_s


def _obey(twin: Twin, order: Mapping[str, Any], drift_W: float) -> None:
    if order.get("drift"):
        twin.drift(drift_W)
    elif order.get("probe") in twin.probes and order.get("fault") in FAULTS:
        twin.probes[order["probe"]].set_fault(order["fault"])
    else:
        _say({"refused": dict(order), "probes": list(twin.probes), "faults": list(FAULTS)})
        return
    _say({"done": dict(order)})


def _say(message: Mapping[str, Any]) -> None:
    print(json.dumps(message), flush=True)


def _arguments(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m logger.simulation.probe", description=__doc__)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--since", help="start of the simulated room, ISO 8601 with offset; default: now")
    parser.add_argument("--socket", action="store_true", help="sockets on 127.0.0.1, no pseudo-terminals")
    parser.add_argument("--probes", default=",".join(PROBES), help="comma between keys; default: all")
    parser.add_argument("--stream-s", type=float, help="also send every so many seconds, unasked")
    parser.add_argument("--time-factor", type=float, default=1.0, help="the room's time by real time")
    parser.add_argument("--drift", action="store_true", help="let the heater stick")
    parser.add_argument("--drift-after-s", type=float, default=5.0, help="in the room's time; default 5")
    parser.add_argument("--drift-power-W", type=float, default=STUCK_HEATER_W, dest="drift_W")
    return parser.parse_args(argv)


def main(argv: Sequence[str] | None = None) -> None:
    """Runs the twin until standard input ends."""
    args = _arguments(argv)
    start_ns, start_s = time.time_ns(), time.monotonic()
    panel = SimulatedProbes(
        SimulatedRoom(args.seed, instant(args.since) if args.since else start_ns), args.seed
    )

    def now_ns() -> int:
        return start_ns + int((time.monotonic() - start_s) * args.time_factor * NS)

    with tempfile.TemporaryDirectory(prefix="stillroom-probes-") as folder:
        keys = args.probes.split(",")
        pty = not args.socket and hasattr(os, "openpty")
        twin = Twin(panel, {k: PtyWire(k, Path(folder)) if pty else SocketWire() for k in keys}, now_ns)
        twin.serve_once()
        if args.drift:
            twin.drift(args.drift_W, args.drift_after_s)
        _say({"urls": {key: probe.wire.url for key, probe in twin.probes.items()}})
        try:
            serve(twin, Orders(), args.stream_s, args.drift_W)
        finally:
            twin.close()


if __name__ == "__main__":
    try:
        main()
    except KeyboardInterrupt:
        sys.exit(130)
