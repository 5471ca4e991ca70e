"""The questions about the probe, or about a logger's file: how it is reached, and what its numbers mean."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from ..errors import Refused, you_entered
from .draft import NO_READING, UNITS, Draft, Field, is_zone, needed, number
from .trial import is_serial, line_of, unit_proposed


def reach_fields(draft: Draft) -> tuple[Field, ...]:
    if draft.described is not None:
        return tuple(_file_fields(draft))
    proposed = _first_port()
    rate = Field("baud", "Bits per second", "9600", "of a serial line; 8 data bits, no parity")
    return (
        Field("serial", "Serial number of the probe", hint="as engraved"),
        Field("address", "Address", proposed, "a serial port, or socket://HOST:PORT"),
        Field(
            "ask", "What is sent to ask for a reading", hint="for example READ?", empty="it sends by itself"
        ),
        *([rate] if is_serial(draft.text("address") or proposed) else []),
        Field("interval", "Seconds between readings", "10"),
    )


def _first_port() -> str:
    """A serial port of this machine, where it has one."""
    from serial.tools.list_ports import comports

    by_id = sorted(Path("/dev/serial/by-id").glob("*")) if Path("/dev/serial/by-id").is_dir() else []
    return (
        str(by_id[0])
        if by_id
        else next((port.device for port in sorted(comports()) if port.hwid != "n/a"), "")
    )


def _file_fields(draft: Draft) -> Iterator[Field]:
    """What the file leaves open about its times and numbers."""
    assert draft.described is not None  # noqa: S101 (asked of files alone)
    questions = " ".join(draft.described.questions)
    if "time zone" in questions:
        yield Field("file.zone", "Time zone of the times in the file", draft.text("timezone"))
    if "`order`" in questions:
        orders = ("day-month-year", "month-day-year", "year-month-day")
        yield Field(
            "file.order", "Order of the dates", options=tuple((o, o.replace("-", ", ")) for o in orders)
        )
    if "`decimal`" in questions:
        yield Field("file.decimal", "Decimal sign", options=((".", "point"), (",", "comma")))


def check_reach(draft: Draft) -> None:
    for field in reach_fields(draft) if draft.described is not None else ():
        needed(draft, field.key, field.label, "one of the choices" if field.options else "a value")
    if draft.described is None:
        needed(draft, "serial", "Serial number of the probe", "the number that is engraved on it")
        interval = number(draft, "interval", "Seconds between readings", "10")
        if not 1 <= interval <= 3600:
            raise Refused(f"Seconds between readings: enter 1 to 3600. You entered “{interval:g}”.")
        line_of(draft)
    elif (zone := draft.text("file.zone")) and not is_zone(zone):
        raise Refused(f"Time zone of the times: enter a name such as Europe/Vienna.{you_entered(zone)}")


def reach_summary(draft: Draft) -> str:
    if draft.described is not None:
        return f"file {Path(draft.text('from')).name}"
    polling = f"asked every {draft.text('interval')} s" if draft.text("ask") else "sends by itself"
    return f"{draft.text('address')}, {polling}"


def unit_fields(draft: Draft) -> tuple[Field, ...]:
    options = (
        *((unit, words) for unit, (words, *_) in UNITS.items()),
        (NO_READING, "no reading, leave it out"),
    )
    if draft.described is not None:
        bare = [c for c in draft.described.columns if c.unit is None]
        return tuple(
            Field(f"unit.{c.name}", f"Column {c.name}, such as {c.example}", options=options) for c in bare
        )
    line = draft.text("line")
    return tuple(
        Field(f"unit.{name}", f"{text} is", unit_proposed(line, name), options=options)
        for name, text in draft.numbers.items()
    )


def check_units(draft: Draft) -> None:
    for field in unit_fields(draft):
        needed(draft, field.key, field.label, "one of the choices")
    if not any(channel.quantity == "temperature" for channel in draft.channels):
        raise Refused("Unit: say which number is a temperature; the limits are of temperature.")


def unit_summary(draft: Draft) -> str:
    return ", ".join(f"{c.words} in {c.unit_text}" for c in draft.channels)
