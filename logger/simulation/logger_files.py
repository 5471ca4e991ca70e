"""The three invented data loggers of the simulated room, and how each writes its file.

They differ on purpose in everything that an importer must be told or must find out: separator,
decimal sign, order of the date, clock, units, encoding, line ends.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from types import MappingProxyType

from .climate import local_time, utc_time

Record = tuple[int, Mapping[str, float | None]]  # instant in ns, value by channel; None: the probe failed

FAULT_WORD = "---"


@dataclass(frozen=True, eq=False)
class Shape:
    """One data logger: its file, its channels, and the second of the minute at which it polls."""

    file: str
    channels: tuple[str, ...]
    phase_s: int
    jitter_s: int
    encoding: str
    newline: str
    head: tuple[str, ...]
    line: Callable[[int, Sequence[str]], str]
    decimals: Mapping[str, int]

    def text(self, records: Iterable[Record]) -> bytes:
        """The whole file."""
        lines = [*self.head, *(self._line(at_ns, values) for at_ns, values in records)]
        return (self.newline.join(lines) + self.newline).encode(self.encoding)

    def _line(self, at_ns: int, values: Mapping[str, float | None]) -> str:
        return self.line(at_ns, [self._cell(channel, values.get(channel)) for channel in self.channels])

    def _cell(self, channel: str, value: float | None) -> str:
        if value is None:
            return FAULT_WORD
        return f"{value:.{self.decimals[channel.partition('.')[2]]}f}"


def _climate(*probes: str) -> tuple[str, ...]:
    return tuple(f"{p}.{quantity}" for p in probes for quantity in ("temperature", "relative_humidity"))


def _utc_line(at_ns: int, cells: Sequence[str]) -> str:
    return ",".join([f"{utc_time(at_ns):%Y-%m-%dT%H:%M:%SZ}", *cells])


def _local_line(at_ns: int, cells: Sequence[str]) -> str:
    return ";".join([f"{local_time(at_ns):%d.%m.%Y %H:%M:%S}", *(c.replace(".", ",") for c in cells)])


def _fixed_line(at_ns: int, cells: Sequence[str]) -> str:
    clock = utc_time(at_ns) + timedelta(hours=1)
    half = "PM" if clock.hour >= 12 else "AM"  # %p would follow the language of the machine
    return "\t".join([f"{clock:%Y/%m/%d}", f"{clock:%I:%M:%S} {half}", *cells])


_DECIMALS = MappingProxyType({"temperature": 2, "relative_humidity": 1, "pressure": 1})

MACHINE_BAY = Shape(
    file="machine-bay.csv",
    channels=_climate("P1", "P2", "P3"),
    phase_s=20,
    jitter_s=4,
    encoding="utf-8",
    newline="\n",
    head=(
        "time,P1 temperature (degC),P1 humidity (%RH),P2 temperature (degC),P2 humidity (%RH),"
        "P3 temperature (degC),P3 humidity (%RH)",
    ),
    line=_utc_line,
    decimals=_DECIMALS,
)

PLATE_BENCH = Shape(
    file="plate-bench.csv",
    channels=_climate("P4", "P5", "P6"),
    phase_s=33,
    jitter_s=4,
    encoding="cp1252",
    newline="\r\n",
    head=(
        "Messstelle;Anreißplatte, Messraum Ost",
        "Fühler;AG-0414, AG-0415, AG-0416",
        "Uhr;Ortszeit des Werks, mit Sommerzeit",
        "Zeit;P4 Temperatur;P4 Feuchte;P5 Temperatur;P5 Feuchte;P6 Temperatur;P6 Feuchte",
        ";°C;%rF;°C;%rF;°C;%rF",
    ),
    line=_local_line,
    decimals=_DECIMALS,
)

BAROMETER = Shape(
    file="barometer.txt",
    channels=("B1.pressure",),
    phase_s=45,
    jitter_s=3,
    encoding="ascii",
    newline="\r\n",
    head=("Date\tTime\tPressure (hPa)",),
    line=_fixed_line,
    decimals=_DECIMALS,
)

SHAPES = (MACHINE_BAY, PLATE_BENCH, BAROMETER)
