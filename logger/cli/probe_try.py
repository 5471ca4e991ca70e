"""What a new probe says: `stillroom probe try`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from ..errors import ProbeError, Refused
from .options import Json
from .output import answer

if TYPE_CHECKING:
    from ..probes.plug_in import TrialOptions, TrialReport

Baud = Annotated[int, typer.Option("--baud", metavar="N", min=50, help="Bits per second of a serial line.")]
Frame = Annotated[
    str, typer.Option("--frame", metavar="8N1", help="Data bits, parity, stop bits. Modbus is mostly 8E1.")
]


def try_(
    address: Annotated[
        str,
        typer.Argument(
            metavar="ADDRESS",
            help="A serial port, socket://HOST:PORT, rfc2217://HOST:PORT, tcp://HOST:PORT for Modbus TCP, "
            "opc.tcp://HOST:PORT/PATH, snmp://HOST, HOST for BACnet/IP, or a folder of 1-Wire devices; or a "
            "file *.toml with the table of a probe, of any kind.",
        ),
    ],
    *,
    kind: Annotated[
        str,
        typer.Option(
            "--kind", metavar="KIND", help="Its protocol, as `kind` in probes.toml; also of a plug-in."
        ),
    ] = "text",
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
    env: Annotated[
        str, typer.Option("--env", metavar="NAME", help="SNMP: environment variable with the secret.")
    ] = "",
    user: Annotated[str, typer.Option("--user", metavar="NAME", help="SNMP: user, for version 3.")] = "",
    save: Annotated[
        str, typer.Option("--save", metavar="FILE", help="OPC UA: where the server's certificate is kept.")
    ] = "",
    local: Annotated[
        str, typer.Option("--local", metavar="HOST:PORT", help="BACnet: our own address on that network.")
    ] = "",
    timeout: Annotated[float, typer.Option("--timeout", metavar="S", min=0.1, max=600)] = 3.0,
    as_json: Json = False,
) -> None:
    """Open a port or address, show what arrives raw and decoded, and print the table for probes.toml.

    Modbus numbers are shown in every way they may be meant, all four orders of bytes too; what is likely
    for a room has a *. A file with a table is polled three times, as the service would; without any value
    the exit code is 2. Nothing is stored and nothing is written to the device.

    \b
    Examples:
      stillroom probe try /dev/ttyUSB0 --ask "READ?"
      stillroom probe try tcp://192.0.2.20:502 --kind modbus --device 3 --function holding --register 100
      stillroom probe try bath.toml
    """
    from ..model import AsciiLine, ModbusLine, Sdi12Line
    from ..probes import trial
    from ..probes.plug_in import TrialOptions
    from ..probes.table_trial import try_table

    wire = _frame(frame) | {"baudrate": baud, "timeout_s": timeout}

    def report_of_trial() -> TrialReport:
        if address.endswith(".toml"):
            return try_table(Path(address))
        if kind == "one-wire":
            return trial.one_wire(Path(address))
        if kind == "modbus":
            line = ModbusLine("", address, {}, {}, device=device, function=function, **wire)
            return trial.modbus(line, register, count)
        if kind == "sdi-12":
            return trial.sdi12(Sdi12Line("", address, {}, address=sensor, **wire))
        if kind not in ("text", "scpi"):
            return _by_kind(kind, address, TrialOptions(timeout, env, user, save, local))
        query = ask or ("MEAS:TEMP?" if kind == "scpi" else "")
        return trial.text(AsciiLine("", address, "query", "", {}, query=query, **wire), kind)

    try:
        report = report_of_trial()
    except ProbeError as lost:
        raise Refused(
            f"{lost} Check the name of the port, its rights, and that no other program uses it."
        ) from lost
    _print(report, as_json, with_table=not address.endswith(".toml"))
    if not report.table and not report.answered:
        raise typer.Exit(2)


def _print(report: TrialReport, as_json: bool, *, with_table: bool) -> None:
    """What arrived and, on request, the table for probes.toml that it makes."""
    table = (
        ["[probes.NEW.connection]", *report.table]
        if report.table
        else ["No answer that could be configured."]
    )
    lines = [*report.shown, *(table if with_table else [])]
    answer({"shown": report.shown, "table": report.table}, as_json, lines)


def _by_kind(kind: str, address: str, options: TrialOptions) -> TrialReport:
    from ..probes.plug_in import KindRefused
    from ..probes.registry import kind_named

    try:
        trial = kind_named(kind).trial
    except KindRefused as refused:
        raise Refused(f"--kind: {refused}.") from refused
    if trial is None:
        raise Refused(
            f"A probe of kind {kind} is tried by its table: write [probes.NEW.connection] into a file and "
            "name that instead of the address, such as `stillroom probe try new.toml`."
        )
    try:
        return trial(address, options)
    except KindRefused as refused:
        raise Refused(f"{refused}.") from refused


def _frame(text: str) -> dict[str, Any]:
    """8N1 as properties of a line: data bits, parity, stop bits."""
    if len(text) != 3 or text[0] not in "78" or text[1].upper() not in "NEO" or text[2] not in "12":
        raise Refused(f"--frame: expected data bits, parity and stop bits such as 8N1, found {text!r}.")
    return {"bytesize": int(text[0]), "parity": text[1].upper(), "stopbits": int(text[2])}
