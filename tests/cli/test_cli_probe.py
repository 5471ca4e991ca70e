"""A new probe tried, and the acts on the register, each by the program itself."""

from __future__ import annotations

import re
import struct
import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from logger.config import example_folder, in_force, load_texts, read_texts
from logger.config.edits import added, disconnected, ended, placed, places, with_certificates
from logger.errors import Refused, UnknownName
from logger.instants import to_ns
from logger.simulation.devices import ModbusSpeaker, ScpiSpeaker, Sdi12Speaker, TextSpeaker, show_one_wire
from logger.simulation.wires import SocketWire
from logger.store import Store

from ..probes.rigs import FLOATS, START, Spoken

TEXTS = read_texts(example_folder())
NEW = """# A second witness at the bench.
[probes.P8]
serial = "AG-0499"
description = "Combined probe"

[probes.P8.channels.temperature]
quantity = "temperature"
unit = "degC"
resolution = 0.01
probe_span = [-40.0, 60.0]

[probes.P8.connection]
url = "socket://192.0.2.10:4001"
mode = "query"
query = "READ?"
pattern = 'T=(?P<t>[0-9.]+)'
values = { t = "temperature" }
"""


PAPER = TEXTS["certificates/AG-0412-T.toml"].replace("AG-0412", "AG-0499").replace("P2.", "P8.")
PAPERS = {"AG-0499-T.toml": PAPER}


@pytest.fixture
def spoken() -> Iterator[Any]:
    item: list[Spoken] = []

    def start(speaker: Any) -> str:
        device = Spoken(SocketWire(), speaker)
        item.append(device)
        return device.wire.url

    yield start
    for device in item:
        device.close()


def test_a_text_probe_is_tried_and_its_table_is_one_that_works(stillroom: Any, spoken: Any) -> None:
    url = spoken(TextSpeaker(START))
    result = stillroom("probe", "try", url, "--ask", "READ?", "--timeout", 1)
    assert result.returncode == 0, result.stderr
    assert "received: T=20.03 RH=47.8" in result.stdout
    assert "v1 = 20.03" in result.stdout
    table = tomllib.loads(result.stdout[result.stdout.index("[probes.NEW") :])["probes"]["NEW"]["connection"]
    match = re.fullmatch(table["pattern"], "T=-1.5 RH=100.0")
    assert match is not None
    assert match.groupdict() == {"v1": "-1.5", "v2": "100.0"}


def test_all_orders_of_a_modbus_device_are_shown_and_the_likely_ones_marked(
    stillroom: Any, spoken: Any
) -> None:
    url = spoken(ModbusSpeaker(START, FLOATS, tcp=True)).replace("socket", "tcp")
    result = stillroom(
        "probe", "try", url, "--kind", "modbus", "--register", 10, "--count", 4, "--timeout", 1
    )
    assert result.returncode == 0, result.stderr
    assert re.search(r"\* +10 float32 CDAB +20\.03", result.stdout)
    assert re.search(r"\* +12 float32 ABCD +47\.8", result.stdout)
    for order in ("ABCD", "BADC", "DCBA"):
        assert re.search(rf"\n  +10 float32 {order}", result.stdout), order
    table = tomllib.loads(result.stdout[result.stdout.index("[probes.NEW") :])["probes"]["NEW"]["connection"]
    assert table["registers"]["temperature"]["order"] == "CDAB"
    assert struct.pack(">f", 20.03) == bytes.fromhex("41a03d71")


def test_a_table_keeps_all_by_which_the_probe_was_reached(stillroom: Any, spoken: Any) -> None:
    """A line of seven bits that is pasted without them would be opened with eight."""
    wire = ("--frame", "7E1", "--baud", 1200, "--timeout", 2.5)
    sdi = stillroom("probe", "try", spoken(Sdi12Speaker(START)), "--kind", "sdi-12", *wire)
    scpi = stillroom("probe", "try", spoken(ScpiSpeaker(START)), "--kind", "scpi", *wire)
    for kind, result in (("sdi-12", sdi), ("scpi", scpi)):
        table = tomllib.loads(result.stdout[result.stdout.index("[probes.NEW") :])["probes"]["NEW"][
            "connection"
        ]
        outcome = [table[key] for key in ("kind", "baudrate", "bytesize", "parity", "stopbits", "timeout_s")]
        assert outcome == [kind, 1200, 7, "E", 1, 2.5]
        assert len(table["values"]) == 2
    assert "\\b" not in stillroom("probe", "try", "--help").stdout


def test_what_does_not_answer_says_where_to_look(stillroom: Any, spoken: Any) -> None:
    url = spoken(ModbusSpeaker(START, FLOATS, device=9, tcp=True)).replace("socket", "tcp")
    result = stillroom("probe", "try", url, "--kind", "modbus", "--timeout", 0.3)
    assert result.returncode == 2
    assert "look at device = 1" in result.stdout
    result = stillroom("probe", "try", "/dev/serial/by-id/not-there", "--ask", "READ?")
    assert result.returncode == 2
    assert "not-there" in result.stderr
    assert "no other program uses it" in result.stderr
    assert stillroom("probe", "try", url, "--frame", "9X1").returncode == 2


def test_sdi12_and_one_wire_are_tried(stillroom: Any, spoken: Any, tmp_path: Path) -> None:
    result = stillroom("probe", "try", spoken(Sdi12Speaker(START)), "--kind", "sdi-12")
    assert "value 1 = 20.03" in result.stdout
    show_one_wire(tmp_path / "28-0000", 21.5)
    show_one_wire(tmp_path / "28-0001", None)
    result = stillroom("probe", "try", tmp_path, "--kind", "one-wire")
    assert "28-0000: 21.5 degC" in result.stdout
    assert "28-0001: garbage" in result.stdout


def test_edits_keep_every_comment_and_give_a_sound_setup() -> None:
    at = 1_793_000_000 * 10**9
    texts, key = added(with_certificates(TEXTS, PAPERS), NEW)
    texts = placed(disconnected(ended(texts, "P2", at), "P2"), key, "column-top", at, "probes-P8.toml")
    before, after = load_texts(TEXTS), load_texts(texts)
    assert {line.probe for line in before.lines} - {line.probe for line in after.lines} == {"P2"}
    stands = sorted(
        (p.probe, p.from_ns, p.to_ns) for p in after.setup.placements if p.position == "column-top"
    )
    assert stands == [("P2", before.setup.placements[1].from_ns, at), ("P8", at, None)]
    gone = set(TEXTS["probes.toml"].splitlines()) - set(texts["probes.toml"].splitlines())
    # Of what stands once in the file, the header and address of its connection are all that went.
    assert gone == {"[probes.P2.connection]", 'url = "/dev/serial/by-id/usb-placeholder-AG-0412"'}
    assert len(places(texts)) == len(places(TEXTS)) + 1


@pytest.mark.parametrize("probe", ["P1", "P2", "P3", "P4", "P5", "P6", "B1"])
def test_each_probe_of_the_example_can_be_taken_off_its_line(probe: str) -> None:
    after = load_texts(disconnected(TEXTS, probe))
    assert probe not in {line.probe for line in after.lines}
    assert after.setup.probes.keys() == load_texts(TEXTS).setup.probes.keys()


@pytest.mark.parametrize("text", ["[", "[probes.A]\n[probes.B]", "[room]\nkey = 'x'", "[probes.'../x']\n"])
def test_a_file_that_is_no_single_probe_is_refused(text: str) -> None:
    with pytest.raises(Refused):
        added(TEXTS, text)


def test_a_probe_that_stands_nowhere_cannot_leave() -> None:
    with pytest.raises(UnknownName):
        ended(TEXTS, "P9", 1)
    with pytest.raises(Refused, match="has no position now"):
        ended(ended(TEXTS, "P1", 10**18), "P1", 10**18)


@pytest.mark.slow
def test_a_swap_is_proposed_approved_and_keeps_the_series_of_the_position(
    stillroom: Any, tmp_path: Path
) -> None:
    """The position's series goes on, each reading with its own probe."""
    data, file = tmp_path / "data", tmp_path / "p8.toml"
    file.write_text(NEW)
    paper = tmp_path / "AG-0499-T.toml"
    paper.write_text(PAPER)
    new = ("--file", file, "--certificate", paper)
    result = stillroom(
        "config", "apply", "--begin", "--data", data, "--config", example_folder(), "--who", "Greta Holm"
    )
    assert result.returncode == 0, result.stderr
    to = ("--data", data, "--who", "Greta Holm")
    swap = ("probe", "swap", "P2", "P8", *new, "--at", "2026-10-26T10:00:00Z", *to)
    lost = "relative humidity in zone machine-bay rests on 1 of 2 channels from 2026-10-26 11:00 +01:00 on."
    result = stillroom(*swap)  # P8 has no humidity
    assert (result.returncode, lost in result.stderr, "Add --yes" in result.stderr) == (2, True, True)
    result = stillroom(*swap, "--yes")
    assert result.stdout.splitlines() == [
        "At column-top, P8 replaces P2 from 2026-10-26 11:00 +01:00 on.",
        lost,
        "Proposed as version 2; another person runs: stillroom config approve 2",
    ]
    approve = ("config", "approve", 2, "--data", data, "--who", "Ines Brandl")
    result = stillroom(*approve)
    assert (result.returncode, lost in result.stderr) == (2, True)
    result = stillroom(*approve, "--yes")
    assert result.returncode == 0, result.stderr
    with Store.open(data) as store:
        setup = in_force(store.setups.versions()).setup
        at = to_ns(datetime(2026, 10, 26, 10, tzinfo=UTC))
        there = [p for p in setup.placements if p.position == "column-top"]
        assert [(p.probe, p.from_ns == at, p.to_ns == at) for p in there] == [
            ("P2", False, True), ("P8", True, False),
        ]  # fmt: skip
        assert store.verify().intact
    for arguments, expected in (
        (("move", "P3", "--to", "bench-air"), "P3 is at bench-air from"),
        (("withdraw", "P6", "--why", "sent to calibration"), "P6 leaves bench-air at"),
    ):
        result = stillroom("probe", *arguments, "--yes", *to)
        assert result.stdout.startswith(expected), result.stderr
    result = stillroom("probe", "withdraw", "P1", "--at", "2126-01-01T00:00:00Z", *to)
    assert (result.returncode, "future" in result.stderr) == (2, True)
