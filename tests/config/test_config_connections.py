"""Connections of every kind: read, and each fault told with its place."""

from __future__ import annotations

import pytest

from logger import config
from logger.errors import ConfigError
from logger.model import AsciiLine, CommandLine, ModbusLine, MqttTopic, OneWire, PushedLine, Sdi12Line

TEXTS = config.read_texts(config.example_folder())
BEGIN = "[probes.B1.connection]\n"
REGISTER = 'registers = { pressure = { address = 0, type = "float32" } }'


def texts(table: str, more: str = "") -> dict[str, str]:
    """The example with another connection of the barometer."""
    before, _, after = TEXTS["probes.toml"].partition(BEGIN)
    rest = after[after.index("\n# Which probe stood where") :]
    return TEXTS | {"probes.toml": before + more + BEGIN + table + "\n" + rest}


@pytest.mark.parametrize(
    ("table", "kind"),
    [
        ('url = "COM3"\nmode = "stream"\npattern = "(?P<p>.*)"\nvalues = { p = "pressure" }', AsciiLine),
        ('kind = "scpi"\nurl = "COM3"\nvalues = ["pressure"]', AsciiLine),
        ('kind = "sdi-12"\nurl = "COM3"\nvalues = ["pressure"]', Sdi12Line),
        (f'kind = "modbus"\nurl = "tcp://192.0.2.1:502"\n{REGISTER}', ModbusLine),
        ('kind = "one-wire"\nfolder = "/sys/bus/w1/devices/28-1"\nvalue = "pressure"', OneWire),
        (
            'kind = "command"\narguments = ["x"]\npattern = "(?P<p>.*)"\nvalues = { p = "pressure" }',
            CommandLine,
        ),
        ('kind = "mqtt"\nurl = "mqtt://192.0.2.1"\ntopic = "b"\nvalues = { p = "pressure" }', MqttTopic),
        ('kind = "push"\nnode = "annex"\nvalues = { p = "pressure" }', PushedLine),
    ],
)
def test_every_kind_of_connection_is_read(table: str, kind: type) -> None:
    line = config.load_texts(texts(table)).lines[-1]
    assert isinstance(line, kind)
    assert (line.probe, list(line.channels.values()), line.interval_s) == ("B1", ["B1.pressure"], 60.0)


@pytest.mark.parametrize(
    ("table", "expected"),
    [
        ('kind = "modbuss"\nurl = "x"', "[probes.B1.connection] kind: expected one of text, scpi"),
        ('kind = "modbus"\nurl = "x"\nregisters = { presure = { address = 0 } }', "registers: expected a"),
        (
            'kind = "modbus"\nurl = "x"\nregisters = { pressure = { address = 0, type = "text" } }',
            "registers.pressure: expected a number with a scale",
        ),
        (
            'kind = "modbus"\nurl = "x"\nregisters = { pressure = { address = 65535, type = "float64" } }',
            "registers: expected all registers within 125",
        ),
        ('kind = "mqtt"\nurl = "http://x"\ntopic = "a"\nvalues = { p = "pressure" }', "connection] url"),
        ('kind = "mqtt"\nurl = "mqtt://x"\ntopic = "a/#"\nvalues = { p = "pressure" }', "connection] topic"),
        ('kind = "sdi-12"\nurl = "x"\ncommand = "R"\nvalues = ["pressure"]', "connection] command"),
        (
            'url = "/dev/serial/by-id/usb-placeholder-AG-0411"\nmode = "stream"\npattern = "(?P<p>.*)"\n'
            'values = { p = "pressure" }',
            "mode: expected a line of its own where a probe speaks by itself, found P1",
        ),
        (
            f'kind = "modbus"\nurl = "/dev/serial/by-id/usb-placeholder-AG-0411"\n{REGISTER}',
            "url: expected one protocol and one speed on a line",
        ),
        (
            'url = "x"\nmode = "stream"\nidentity = "ID?"\npattern = "(?P<p>.)"\nvalues = { p = "pressure" }',
            "identity: expected a probe that is asked",
        ),
    ],
)  # fmt: skip
def test_a_fault_of_a_connection_is_told_with_its_place(table: str, expected: str) -> None:
    with pytest.raises(ConfigError) as refused:
        config.load_texts(texts(table))
    assert expected in str(refused.value)


def test_an_interval_that_does_not_divide_a_day_is_refused_with_the_configuration() -> None:
    faulty = TEXTS["probes.toml"].replace("sampling_interval_s = 60.0", "sampling_interval_s = 7.0")
    with pytest.raises(ConfigError, match="an interval that divides a day, found 7 s"):
        config.load_texts(TEXTS | {"probes.toml": faulty})
