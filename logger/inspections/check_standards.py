"""Measurements of a check standard beside the air that the record has of that time."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from ..core.measurement.check_standard import RoomSensitivity, fit_sensitivity
from ..core.physics.thermal import response
from ..errors import Refused, StillroomError
from ..instants import NS, parse
from ..series import Float
from ..verdicts.verdicts import Verdicts
from .soak_clocks import air_since

# So many of the longest time constants before the first measurement, a lag has forgotten its start.
BEFORE_NS: int = 5 * 86_400 * NS


@dataclass(frozen=True)
class StandardReading:
    """One measurement of the artefact: its deviation from the calibrated value in µm."""

    at_ns: int
    deviation_um: float


def read_standard(file: Path, zone: ZoneInfo) -> list[StandardReading]:
    """Two columns, time and deviation in µm, in order of time; a first line of words is skipped."""
    try:
        rows = [r for r in csv.reader(file.read_text(encoding="utf-8-sig").splitlines()) if any(r)]
    except (OSError, UnicodeDecodeError) as error:
        raise Refused(f"{file} cannot be read: {error}.") from None
    readings = []
    for number, row in enumerate(rows, 1):
        try:
            readings.append(StandardReading(parse(row[0], zone, "time"), float(row[1])))
        except (StillroomError, IndexError, ValueError) as error:
            if number > 1:
                raise Refused(
                    f"{file}, row {number}: expected a time and µm, found {row}: {error}."
                ) from None
    return sorted(readings, key=lambda m: m.at_ns)


def sensitivity(verdicts: Verdicts, zone: str, measured: list[StandardReading]) -> RoomSensitivity:
    """What the measurements say of the machine in that zone, by the air that was recorded."""
    verdicts.setup.zone(zone)
    if not measured:
        raise Refused("check standard: the list has no measurement.")
    begin = _begin_ns(verdicts, zone, measured[0].at_ns)
    times, air = air_since(verdicts, zone, begin, measured[-1].at_ns)
    if not len(times) or measured[0].at_ns < begin:
        raise Refused(f"check standard: zone {zone!r} has no confirmed air temperature at that time.")
    at_s = np.array([(m.at_ns - begin) / NS for m in measured])

    def lagged(tau_s: float) -> Float:
        body = response(times, air, tau_s, float(air[0])) if tau_s else air
        return np.asarray(np.interp(at_s, times, body), np.float64)

    return fit_sensitivity(at_s.tolist(), [m.deviation_um for m in measured], lagged)


def _begin_ns(verdicts: Verdicts, zone: str, first_ns: int) -> int:
    record = verdicts.record(zone)
    earliest = first_ns - BEFORE_NS
    return earliest if record is None else max(earliest, record[0])
