"""What a new probe says: `stillroom probe try`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from ..errors import ProbeError, Refused
from .options import Json
from .output import answer

if TYPE_CHECKING:
    from ..probes.trial import TrialReport

KINDS = ("text", "scpi", "sdi-12", "modbus", "one-wire")
Kind = Literal["text", "scpi", "sdi-12", "modbus", "one-wire"]
Baud = Annotated[int, typer.Option("--baud", metavar="N", min=50, help="Bits per second of a serial line.")]
Frame = Annotated[
    str, typer.Option("--frame", metavar="8N1", help="Data bits, parity, stop bits. Modbus is mostly 8E1.")
]


def try_(
    address: Annotated[
        str,
        typer.Argument(
            metavar="ADDRESS",
            help="A serial port, socket://HOST:PORT, rfc2217://HOST:PORT, tcp://HOST:PORT for Modbus TCP, or "
            "a folder of 1-Wire devices.",
        ),
    ],
    *,
    kind: Annotated[Kind, typer.Option("--kind", help="Its protocol.")] = "text",
    ask: Annotated[
        str, typer.Option("--ask", metavar="TEXT", help="Text to send; without it, stillroom listens.")
    ] = "",
    baud: Baud = 9600,
    frame: Frame = "8N1",
    device: Annotated[
        int, typer.Option("--device", min=0, max=255, help="Modbus: number of the device.")
    ] = 1,
    function: Annotated[
        Literal["input", "holding"], typer.Option("--function", help="Modbus: kind of registers.")
    ] = "input",
    register: Annotated[int, typer.Option("--register", min=0, help="Modbus: the first, from 0.")] = 0,
    count: Annotated[int, typer.Option("--count", min=1, max=64, help="Modbus: how many registers.")] = 8,
    sensor: Annotated[str, typer.Option("--sensor", metavar="CHAR", help="SDI-12: its address.")] = "0",
    timeout: Annotated[float, typer.Option("--timeout", metavar="S", min=0.1, max=600)] = 3.0,
    as_json: Json = False,
) -> None:
    """Open a port or address, show what arrives raw and decoded, and print the table for probes.toml.

    Modbus numbers are shown in every way they may be meant, all four orders of bytes too; what is likely
    for a room has a *. Nothing is stored and nothing is written to the device.

    \b
    Examples:
      stillroom probe try /dev/ttyUSB0 --ask "READ?"
      stillroom probe try tcp://192.0.2.20:502 --kind modbus --device 3 --function holding --register 100
    """
    from ..model import AsciiLine, ModbusLine, Sdi12Line
    from ..probes import trial

    bytesize, parity, stopbits = _frame(frame)
    wire = {
        "baudrate": baud,
        "parity": parity,
        "bytesize": bytesize,
        "stopbits": stopbits,
        "timeout_s": timeout,
    }

    def tried() -> TrialReport:
        if kind == "one-wire":
            return trial.one_wire(Path(address))
        if kind == "modbus":
            line = ModbusLine("", address, {}, {}, device=device, function=function, **wire)  # type: ignore[arg-type]
            return trial.modbus(line, register, count)
        if kind == "sdi-12":
            return trial.sdi12(Sdi12Line("", address, {}, address=sensor, **wire))  # type: ignore[arg-type]
        query = ask or ("MEAS:TEMP?" if kind == "scpi" else "")
        return trial.text(AsciiLine("", address, "query", "", {}, query=query, **wire), kind)  # type: ignore[arg-type]

    try:
        report = tried()
    except ProbeError as lost:
        raise Refused(
            f"{lost} Check the name of the port, its rights, and that no other program uses it."
        ) from lost
    head = (
        ["[probes.NEW.connection]", *report.table]
        if report.table
        else ["No answer that could be configured."]
    )
    answer({"shown": report.shown, "table": report.table}, as_json, [*report.shown, "", *head])
    if not report.table:
        raise typer.Exit(2)


def _frame(text: str) -> tuple[int, str, int]:
    """8N1 as (8, "N", 1)."""
    if len(text) != 3 or text[0] not in "78" or text[1].upper() not in "NEO" or text[2] not in "12":
        raise Refused(f"--frame: expected data bits, parity and stop bits such as 8N1, found {text!r}.")
    return int(text[0]), text[1].upper(), int(text[2])
