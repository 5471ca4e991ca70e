"""The tables [probes.<name>.connection], one class for each `kind`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from ..formats.table import Positive, Table, Text

Parity = Literal["N", "E", "O"]


class SerialTable(Table):
    """What every wire of a serial kind is told. `kind` was looked at already."""

    kind: Text = "text"
    url: Text
    timeout_s: Positive = 1.0
    baudrate: Annotated[int, Field(gt=0)] = 9600
    parity: Parity = "N"
    bytesize: Literal[7, 8] = 8
    stopbits: Literal[1, 2] = 1


class TextLineTable(SerialTable):
    mode: Literal["query", "stream"]
    query: str = ""
    pattern: Text
    values: dict[str, str]
    identity: str = ""
    identity_pattern: Text = "(?P<serial>.*)"


class ScpiTable(SerialTable):
    query: Text = "MEAS:TEMP?"
    values: Annotated[list[Text], Field(min_length=1)]
    asks_identity: bool = True


class Sdi12Table(SerialTable):
    address: Annotated[str, Field(pattern="^[0-9A-Za-z]$")] = "0"
    command: Annotated[str, Field(pattern="^[MC]C?[1-9]?$")] = "MC"
    values: Annotated[list[Text], Field(min_length=1)]
    timeout_s: Positive = 3.0
    asks_identity: bool = False


class RegisterTable(Table):
    address: Annotated[int, Field(ge=0, le=65535)]
    type: Literal["int16", "uint16", "int32", "uint32", "float32", "float64", "text"] = "int16"
    scale: float = 1.0
    offset: float = 0.0
    order: Literal["ABCD", "CDAB", "BADC", "DCBA"] = "ABCD"
    none: tuple[float, ...] = Field(default=(), strict=False)
    length: Annotated[int, Field(ge=1, le=64)] = 1


class ModbusTable(SerialTable):
    device: Annotated[int, Field(ge=0, le=255)] = 1
    function: Literal["input", "holding"] = "input"
    registers: Annotated[dict[str, RegisterTable], Field(min_length=1)]
    identity: RegisterTable | None = None
    parity: Parity = "E"
    bytesize: Literal[8] = 8
    echoes: bool = False


class OneWireTable(Table):
    kind: Text
    folder: Text
    value: Text = "temperature"
    timeout_s: Positive = 2.0


class CommandTable(Table):
    kind: Text
    arguments: Annotated[list[Text], Field(min_length=1)]
    pattern: Text
    values: dict[str, str]
    timeout_s: Positive = 10.0


class MessageTable(Table):
    """What is common to probes that send by themselves."""

    kind: Text
    format: Literal["json", "senml"] = "json"
    values: Annotated[dict[str, str], Field(min_length=1)]
    time: Text = "time"
    clock: str = ""


class MqttTable(MessageTable):
    url: Annotated[str, Field(pattern=r"^mqtts?://[^/#?]+$")]
    topic: Annotated[str, Field(pattern="^[^#+]+$")]
    user: str = ""
    password_env: str = ""
    ca_file: str = ""


class PushTable(MessageTable):
    node: Annotated[str, Field(pattern="^[A-Za-z0-9][A-Za-z0-9_.-]*$")]
