"""What the data loggers of the simulated room held: files to import.

`write_sample_logs` makes the two weeks in sample_logs/ with everything that was planted there, byte
for byte the same each time. `write_held` makes the hours before a live start, without anything
planted; a room that is started from the same seed and instant goes on where those files end.

    python -m logger.simulation.history sample_logs
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random

from ..instants import NS
from .climate import instant
from .instruments import SimulatedProbes
from .logger_files import MACHINE_BAY, SHAPES, Record, Shape
from .room import Disturbance, SimulatedRoom

SAMPLE_SEED = 20
SAMPLE_FROM_NS = instant("2026-10-12T00:00+02:00")
SAMPLE_TO_NS = instant("2026-10-26T00:00+01:00")
_MINUTE_NS = 60 * NS


@dataclass(frozen=True)
class PlantedFaults:
    """Faults of the recording, not of the room, over [from_ns, to_ns)."""

    gap: tuple[int, int]  # MACHINE_BAY wrote nothing
    stuck: tuple[int, int]  # STUCK_CHANNEL repeated one value
    failed: tuple[int, ...]  # minutes in which FAILED_PROBE gave no value


STUCK_CHANNEL = "P4.temperature"
FAILED_PROBE = "P5"

ROOM_EVENTS = (
    # The fans of the air handling rest after the weekend and come back late on Monday morning.
    Disturbance(
        "air handling stopped", instant("2026-10-19T03:38+02:00"), instant("2026-10-19T06:51+02:00"), 15.0
    ),
    # The door stands open for four minutes while a pallet is brought in.
    Disturbance("door open", instant("2026-10-14T10:18+02:00"), instant("2026-10-14T10:22+02:00"), 1.0),
    # For one day the cooling valve hunts with a period of 12 min.
    Disturbance("valve hunting", instant("2026-10-22T00:00+02:00"), instant("2026-10-23T00:00+02:00"), 1.6),
)
RECORDING_EVENTS = PlantedFaults(
    gap=(instant("2026-10-16T13:00+02:00"), instant("2026-10-16T14:20+02:00")),
    stuck=(instant("2026-10-20T09:00+02:00"), instant("2026-10-20T15:00+02:00")),
    failed=tuple(
        instant(f"2026-10-{day}+02:00")
        for day in ("12T21:14", "14T02:41", "15T19:05", "18T03:27", "21T22:50", "23T23:33")
    ),
)


def write_sample_logs(folder: Path) -> tuple[Path, ...]:
    """Writes the two weeks of sample_logs/ and the list of inspections into a folder."""
    panel = SimulatedProbes(SimulatedRoom(SAMPLE_SEED, SAMPLE_FROM_NS, ROOM_EVENTS), SAMPLE_SEED)
    records = _record(panel, SAMPLE_FROM_NS, SAMPLE_TO_NS, SAMPLE_SEED)
    inspections = folder / "inspections.csv"
    files = _write(folder, {shape: _spoilt(shape, rows) for shape, rows in records.items()})
    inspections.write_bytes(INSPECTIONS.encode("utf-8"))
    return (*files, inspections)


def write_held(
    folder: Path, from_ns: int, to_ns: int, seed: int, since_ns: int | None = None
) -> tuple[Path, ...]:
    """Writes what the loggers held over [from_ns, to_ns): normal running, the bay stable.

    A live room continues it when it is made as `Room(seed, since_ns)`; the room begins at from_ns
    where since_ns, an earlier instant, is not given. When an end lies in the
    hour that the clocks repeat in autumn, an importer must ask, as with any such file.
    """
    panel = SimulatedProbes(SimulatedRoom(seed, from_ns if since_ns is None else since_ns), seed)
    return _write(folder, _record(panel, from_ns, to_ns, seed))


def _record(panel: SimulatedProbes, from_ns: int, to_ns: int, seed: int) -> dict[Shape, list[Record]]:
    """Polls of all loggers in order of time, each once a minute."""
    records: dict[Shape, list[Record]] = {shape: [] for shape in SHAPES}
    for at_ns, shape in _polls(from_ns, to_ns, seed):
        panel.advance(at_ns)
        records[shape].append((at_ns, {channel: panel.indication(channel) for channel in shape.channels}))
    return records


def _polls(from_ns: int, to_ns: int, seed: int) -> Iterator[tuple[int, Shape]]:
    jitter = Random(seed + 2)
    for minute_ns in range(from_ns // _MINUTE_NS * _MINUTE_NS, to_ns, _MINUTE_NS):
        for shape in SHAPES:
            second = shape.phase_s + jitter.randint(-shape.jitter_s, shape.jitter_s)
            if from_ns <= minute_ns + second * NS < to_ns:
                yield minute_ns + second * NS, shape


def _spoilt(shape: Shape, records: Sequence[Record]) -> list[Record]:
    """The records with the planted faults of the recording."""
    if shape is MACHINE_BAY:
        start_ns, end_ns = RECORDING_EVENTS.gap
        return [record for record in records if not start_ns <= record[0] < end_ns]
    return [_without_failed_probe(record) for record in _stuck(records)]


def _stuck(records: Sequence[Record]) -> Iterator[Record]:
    start_ns, end_ns = RECORDING_EVENTS.stuck
    stuck_value: float | None = None
    for at_ns, values in records:
        if STUCK_CHANNEL not in values or not start_ns <= at_ns < end_ns:
            yield at_ns, values
            continue
        stuck_value = values[STUCK_CHANNEL] if stuck_value is None else stuck_value
        yield at_ns, {**values, STUCK_CHANNEL: stuck_value}


def _without_failed_probe(record: Record) -> Record:
    at_ns, values = record
    if at_ns // _MINUTE_NS * _MINUTE_NS not in RECORDING_EVENTS.failed:
        return record
    return at_ns, {c: None if c.startswith(f"{FAILED_PROBE}.") else v for c, v in values.items()}


def _write(folder: Path, records: Mapping[Shape, Sequence[Record]]) -> tuple[Path, ...]:
    folder.mkdir(parents=True, exist_ok=True)
    files = []
    for shape, rows in records.items():
        path = folder / shape.file
        path.write_bytes(shape.text(rows))
        files.append(path)
    return tuple(files)


INSPECTIONS = """\
key,zone,from,to,title,part,material,length_mm,tolerance_um,machine,person,activity,expected
I-2601,machine-bay,2026-10-13T13:00:00+02:00,2026-10-13T15:30:00+02:00,Gear case first article,\
GC-114 no. 1,aluminium,420,30,CMM Bay East,Radek Sova,,stable
I-2602,plate-bench,2026-10-15T09:00:00+02:00,2026-10-15T10:30:00+02:00,Bearing seats by hand gauges,\
BS-20 lot 7,steel,62,20,Surface plate,Greta Holm,,stable
I-2603,machine-bay,2026-10-19T06:00:00+02:00,2026-10-19T07:00:00+02:00,Ring gear early shift,\
RG-88 no. 31,steel,310,12,CMM Bay East,Radek Sova,,not stable
I-2604,machine-bay,2026-10-19T09:30:00+02:00,2026-10-19T11:00:00+02:00,Ring gear repeat,\
RG-88 no. 31,steel,310,12,CMM Bay East,Radek Sova,,not stable
I-2605,machine-bay,2026-10-16T12:30:00+02:00,2026-10-16T14:00:00+02:00,Planet carrier,\
PC-07 no. 4,steel,260,15,CMM Bay East,Radek Sova,,not shown
I-2606,plate-bench,2026-10-22T10:00:00+02:00,2026-10-22T11:30:00+02:00,Shaft shoulders by height gauge,\
SH-51 lot 2,steel,180,25,Surface plate,Greta Holm,,not shown
"""


if __name__ == "__main__":
    for written in write_sample_logs(Path(sys.argv[1])):
        print(written)
