"""The driver under the tests that every driver must pass: `python -m pytest` in this folder."""

import contextlib
import socket
import threading

import pytest
from lab_bath import BATH, BathTable

from logger.probes.conformance import DriverContract, ShiftedClock
from logger.probes.plug_in import LineFacts, plugin_line


class Bath:
    """A simulated thermometer at address 12 of a gateway: what it says, and what goes wrong on the way."""

    def __init__(self):
        self.value, self.serial, self.fault = 20.031, "AG-0701", ""
        self.ending, self.held, self.port = threading.Event(), [], 0
        self.plug()

    def plug(self):
        self.server = socket.create_server(("127.0.0.1", self.port))
        self.port = self.server.getsockname()[1]
        threading.Thread(target=self.serve, args=(self.server,), daemon=True).start()

    def unplug(self):
        self.server.shutdown(socket.SHUT_RDWR)
        self.server.close()
        for peer in self.held:
            with contextlib.suppress(OSError):
                peer.shutdown(socket.SHUT_RDWR)
        self.held.clear()

    def serve(self, server):
        try:
            while True:
                peer, _ = server.accept()
                self.held.append(peer)
                threading.Thread(target=self.talk, args=(peer,), daemon=True).start()
        except OSError:
            return  # unplugged

    def talk(self, peer):
        try:
            with peer, peer.makefile("r") as questions:
                for question in questions:
                    answer = self.serial if question.strip() == "12 ID?" else f"{self.value} C"
                    self.say(peer, f"12 {answer}\n".encode())
        except (OSError, ValueError):
            return  # unplugged

    def say(self, peer, answer):
        if self.fault == "late":
            self.ending.wait(0.45)
        if self.fault == "broken" and b"C" in answer:
            answer = b"12 OPEN\n"
        if self.fault != "silent":
            peer.sendall(b"\xff\x00 noise\n" if self.fault == "garbage" else answer)


class BathRig:
    values, other_values, other, timeout_s = ((20.031,), (21.5,), (-1.25,)), (), None, 0.3

    def __init__(self):
        self.bath, self.clock = Bath(), ShiftedClock()
        table = BathTable(kind="bath", gateway=f"127.0.0.1:{self.bath.port}", address=12, timeout_s=0.3)
        facts = LineFacts("N1", "bath", BATH.bus(table), {"reading": "N1.temperature"}, serial="AG-0701",
                          units={"N1.temperature": "degC"})
        self.driver = BATH.driver(plugin_line(table, facts), self.clock)

    def answers(self, values):
        self.bath.value, self.bath.serial, self.bath.fault = values[0], "AG-0701", ""

    def silent(self):
        self.bath.fault = "silent"

    def late(self):
        self.bath.fault = "late"

    def garbage(self):
        self.bath.fault = "garbage"

    def faulty(self):
        self.bath.fault = "broken"

    def gone(self):
        self.bath.unplug()

    def back(self):
        self.bath.plug()

    def swapped(self):
        self.bath.serial = "AG-0702"

    def close(self):
        self.driver.close()
        self.bath.ending.set()
        self.bath.unplug()


class TestBath(DriverContract):
    @pytest.fixture
    def rig(self):
        rig = BathRig()
        yield rig
        rig.close()


def test_a_reading_in_another_unit_is_no_value():
    rig = BathRig()
    rig.bath.say = lambda peer, answer: peer.sendall(answer.replace(b" C", b" K"))
    rig.driver.open()
    (row,) = rig.driver.read()
    assert (row.value, row.status, row.raw) == (None, "device-error", "unit: expected degC, found K")
    rig.close()
