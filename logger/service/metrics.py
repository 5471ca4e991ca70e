"""What programs that watch machines read: figures of service and record in an open text format.

OpenMetrics 1.0, or the older text format 0.0.4. No corrected value is a sample: it would be kept without
its uncertainty and read as the record.
"""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from .. import __version__
from ..acts.alarms import alarm_list
from ..core.alarms.lifecycle import AlarmState
from ..instants import NS, to_ns
from ..model import Setup
from ..store import Store
from ..verdicts.zone_state import zone_states
from . import heartbeat

OPENMETRICS, PLAIN = "openmetrics", "plain"
VERDICTS = ("stable", "not stable", "not shown")
_KINDS_BEFORE = {"stateset": "gauge", "info": "gauge"}  # what the older format calls them


@dataclass(frozen=True)
class Sample:
    """One value with its labels."""

    value: float
    labels: Mapping[str, str]


@dataclass(frozen=True)
class Family:
    """Samples of one name. kind: as OpenMetrics names it; unit: the last part of the name, or none."""

    name: str
    kind: str
    help: str
    samples: Sequence[Sample]
    unit: str = ""


def families(store: Store, setup: Setup, now_ns: int) -> list[Family]:
    """Every family, in a fixed order; one without a sample is left out."""
    beat = heartbeat.read(store.folder) or {}
    every = [
        *_program(setup, beat, now_ns),
        *_zones(store, setup, now_ns),
        *_probes(store, setup, beat, now_ns),
        *_record(store, beat, now_ns),
    ]
    return [family for family in every if family.samples]


def text_of(every: Iterable[Family], form: str) -> str:
    """Families as text. form: OPENMETRICS or PLAIN.

    >>> family = Family("stillroom_queue_rows", "gauge", "rows", [Sample(3, {})], "rows")
    >>> print(text_of([family], OPENMETRICS), end="")
    # TYPE stillroom_queue_rows gauge
    # UNIT stillroom_queue_rows rows
    # HELP stillroom_queue_rows rows
    stillroom_queue_rows 3
    # EOF
    """
    lines = [line for family in every for line in _lines(family, form)]
    return "".join(f"{line}\n" for line in lines) + ("# EOF\n" if form == OPENMETRICS else "")


def _lines(family: Family, form: str) -> Iterator[str]:
    sample = family.name + {"counter": "_total", "info": "_info"}.get(family.kind, "")
    name, kind = family.name, family.kind
    if form == PLAIN:
        name, kind = sample, _KINDS_BEFORE.get(kind, kind)
    yield f"# TYPE {name} {kind}"
    if family.unit and form == OPENMETRICS:
        yield f"# UNIT {name} {family.unit}"
    yield f"# HELP {name} {_escaped(family.help)}"
    for row in family.samples:
        labels = ",".join(f'{key}="{_escaped(value)}"' for key, value in row.labels.items())
        yield f"{sample}{{{labels}}} {_number(row.value)}" if labels else f"{sample} {_number(row.value)}"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')


def _number(value: float) -> str:
    return str(int(value)) if float(value).is_integer() else repr(float(value))


def _program(setup: Setup, beat: Mapping[str, Any], now_ns: int) -> Iterator[Family]:
    about = {"version": __version__, "setup": str(setup.version), "room": setup.room.key}
    yield Family(
        "stillroom", "info", "Version of the program, of the setup in force, and the room", [Sample(1, about)]
    )
    at = beat.get("at")
    age = [] if at is None else [Sample((now_ns - to_ns(datetime.fromisoformat(str(at)))) / NS, {})]
    yield Family("stillroom_heartbeat_age_seconds", "gauge", "Age of the service's heartbeat", age, "seconds")


def _zones(store: Store, setup: Setup, now_ns: int) -> Iterator[Family]:
    name, states = "stillroom_zone_verdict", zone_states(store, setup, now_ns)
    verdicts = [
        Sample(float(state.verdict == verdict), {"zone": state.zone, name: verdict})
        for state in states
        for verdict in VERDICTS
    ]
    yield Family(
        name, "stateset", "Verdict of a zone now; not shown where the service has not judged lately", verdicts
    )
    ages = [
        Sample((now_ns - to_ns(datetime.fromisoformat(state.judged_until))) / NS, {"zone": state.zone})
        for state in states
        if state.judged_until is not None
    ]
    yield Family("stillroom_judged_age_seconds", "gauge", "Age of the newest judged minute", ages, "seconds")


def _probes(store: Store, setup: Setup, beat: Mapping[str, Any], now_ns: int) -> Iterator[Family]:
    newest = store.readings.newest(ok=True)
    ages = [
        Sample((now_ns - newest[key].taken_ns) / NS, {"channel": key})
        for key in setup.channels
        if key in newest and setup.position_at(key, now_ns) is not None
    ]
    yield Family("stillroom_reading_age_seconds", "gauge", "Age of the newest valid reading", ages, "seconds")
    polls = [
        Sample(float(count), {"probe": probe, "status": status})
        for probe, counts in dict(beat.get("polls") or {}).items()
        for status, count in dict(counts).items()
    ]
    yield Family("stillroom_polls", "counter", "Polls since the service started, by what came of them", polls)
    offsets = [
        Sample(compared[-1].offset_ns / NS, {"probe": probe})
        for probe in setup.probes
        if (compared := store.clocks.comparisons(probe))
    ]
    what = "How far the clock of a probe was ahead when it was last compared"
    yield Family("stillroom_clock_offset_seconds", "gauge", what, offsets, "seconds")


def _record(store: Store, beat: Mapping[str, Any], now_ns: int) -> Iterator[Family]:
    queue = [Sample(float(beat["queue"]), {})] if isinstance(beat.get("queue"), int) else []
    yield Family("stillroom_queue_rows", "gauge", "Readings that wait to be stored", queue, "rows")
    lost = [Sample(float(beat["readings_lost"]), {})] if isinstance(beat.get("readings_lost"), int) else []
    yield Family("stillroom_readings_lost", "counter", "Readings lost since the service started", lost)
    backups = store.journal.search(kinds=("backup",), limit=1)
    ages = (
        [Sample((now_ns - backups[0].at_ns) / NS, {})]
        if backups and backups[0].what.get("intact") is True
        else []
    )
    yield Family(
        "stillroom_backup_age_seconds", "gauge", "Age of the newest backup, if it is intact", ages, "seconds"
    )
    free = float(shutil.disk_usage(store.folder).free)
    yield Family(
        "stillroom_disk_free_bytes", "gauge", "Free space where the record is", [Sample(free, {})], "bytes"
    )
    counts = Counter(alarm.state for alarm in alarm_list(store))
    states = [Sample(float(counts[state]), {"state": state.value}) for state in AlarmState]
    yield Family("stillroom_alarms", "gauge", "Alarms by state", states)
