"""Connections to probes: one frozen dataclass for each kind.

Each has `probe`, `channels` (name of a value at the probe -> key of the channel), `interval_s`, and
`bus`: probes with an equal `bus` share one wire and are polled one after the other.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal

RegisterType = Literal["int16", "uint16", "int32", "uint32", "float32", "float64", "text"]
WordOrder = Literal["ABCD", "CDAB", "BADC", "DCBA"]


@dataclass(frozen=True)
class AsciiLine:
    """A probe that speaks lines of text, over a serial port or a socket (`url` as pyserial takes it).

    `pattern` must match the whole line; its named groups are values, `channels` says of which
    channel. `mode` "query" sends `query` for each poll; "stream" listens. Where `identity` is given, it is
    sent at each opening, and the group `serial` of `identity_pattern` must be `serial`. `after_silence` is
    sent when no answer came, for instruments that queue their errors.
    """

    kind: ClassVar[str] = "text"

    probe: str
    url: str
    mode: Literal["query", "stream"]
    pattern: str
    channels: Mapping[str, str]
    query: str = ""
    interval_s: float = 60.0
    timeout_s: float = 1.0
    baudrate: int = 9600
    parity: Literal["N", "E", "O"] = "N"
    bytesize: int = 8
    stopbits: int = 1
    serial: str = ""
    identity: str = ""
    identity_pattern: str = r"(?P<serial>.*)"
    after_silence: str = ""

    @property
    def bus(self) -> str:
        """The wire."""
        return self.url


@dataclass(frozen=True)
class Sdi12Line:
    """An SDI-12 sensor behind a transparent adapter that makes the break and the timing itself.

    `command` is that between address and "!": "MC" and its like with CRC, "M" without. `channels` has
    the places of the values as keys, from "1". `asks_identity`: the answer to "aI!" must end with `serial`.
    """

    kind: ClassVar[str] = "sdi-12"

    probe: str
    url: str
    channels: Mapping[str, str]
    address: str = "0"
    command: str = "MC"
    interval_s: float = 60.0
    timeout_s: float = 3.0
    baudrate: int = 9600
    parity: Literal["N", "E", "O"] = "N"
    bytesize: int = 8
    stopbits: int = 1
    serial: str = ""
    asks_identity: bool = False

    @property
    def bus(self) -> str:
        """The wire."""
        return self.url


@dataclass(frozen=True)
class Register:
    """A number in Modbus registers: `address` counts from 0; value = stored number × scale + offset.

    `order` names the bytes of a 32-bit number as they travel; a number in `none` means that there is none.
    """

    address: int
    type: RegisterType = "int16"
    scale: float = 1.0
    offset: float = 0.0
    order: WordOrder = "ABCD"
    none: tuple[float, ...] = ()
    length: int = 1  # registers of a text

    @property
    def count(self) -> int:
        """How many registers it takes."""
        return {"int32": 2, "uint32": 2, "float32": 2, "float64": 4, "text": self.length}.get(self.type, 1)


@dataclass(frozen=True)
class ModbusLine:
    """A Modbus device: tcp://host:port speaks Modbus TCP, everything else RTU.

    All registers lie in one block that a single request reads. `identity` holds the serial number.
    """

    kind: ClassVar[str] = "modbus"

    probe: str
    url: str
    registers: Mapping[str, Register]
    channels: Mapping[str, str]
    device: int = 1
    function: Literal["input", "holding"] = "input"
    interval_s: float = 60.0
    timeout_s: float = 1.0
    baudrate: int = 9600
    parity: Literal["N", "E", "O"] = "E"
    bytesize: int = 8
    stopbits: int = 1
    echoes: bool = False  # the adapter hears what it sends
    serial: str = ""
    identity: Register | None = None

    @property
    def bus(self) -> str:
        """The wire."""
        return self.url


@dataclass(frozen=True)
class OneWire:
    """A temperature sensor on Linux 1-Wire: the folder of its slave device; the name is its identity."""

    kind: ClassVar[str] = "one-wire"

    probe: str
    folder: str
    channels: Mapping[str, str]
    interval_s: float = 60.0
    timeout_s: float = 2.0

    @property
    def bus(self) -> str:
        """The folder that holds the devices of one master."""
        return "1-wire:" + self.folder.rsplit("/", 1)[0]


@dataclass(frozen=True)
class CommandLine:
    """A program that prints one line for each reading; `arguments` are not given to a shell."""

    kind: ClassVar[str] = "command"

    probe: str
    arguments: tuple[str, ...]
    pattern: str
    channels: Mapping[str, str]
    interval_s: float = 60.0
    timeout_s: float = 10.0

    @property
    def bus(self) -> str:
        """One of its own: programs run at the same time."""
        return f"command:{self.probe}"


@dataclass(frozen=True)
class Message:
    """Format of a message that a probe sends by itself.

    `time`: the key of the time of the reading, or "arrival". `clock`: the key of what the probe's
    clock showed when it sent (none: ""). For "senml" both are in the format.
    """

    format: Literal["json", "senml"] = "json"
    time: str = "time"
    clock: str = ""


@dataclass(frozen=True)
class MqttTopic:
    """A probe that publishes to a broker, mqtt://host:port or mqtts://host:port."""

    kind: ClassVar[str] = "mqtt"

    probe: str
    url: str
    topic: str
    channels: Mapping[str, str]
    message: Message = field(default_factory=Message)
    interval_s: float = 60.0
    user: str = ""
    password_env: str = ""
    ca_file: str = ""

    @property
    def bus(self) -> str:
        """The broker, and whether it stores messages while we are not connected."""
        return f"{self.url}#{'arrival' if self.message.time == 'arrival' else 'kept'}"


@dataclass(frozen=True)
class PushedLine:
    """A probe whose node posts readings over HTTP under its name."""

    kind: ClassVar[str] = "push"

    probe: str
    node: str
    channels: Mapping[str, str]
    message: Message = field(default_factory=Message)
    interval_s: float = 60.0

    @property
    def bus(self) -> str:
        """The node."""
        return f"push:{self.node}"


@dataclass(frozen=True)
class PluginLine:
    """A probe of a kind without a record of its own here: of a plug-in, or one whose table says all.

    `table` is the checked table [probes.KEY.connection]; `units` has the unit of each channel by its key,
    for kinds whose other side names units; `serial` is that of the probe.
    """

    probe: str
    kind: str
    table: Any
    channels: Mapping[str, str]
    bus: str
    interval_s: float = 60.0
    serial: str = ""
    units: Mapping[str, str] = field(default_factory=dict)


PolledLine = AsciiLine | Sdi12Line | ModbusLine | OneWire | CommandLine | PluginLine
Line = PolledLine | MqttTopic | PushedLine
