"""The polling thread under a wall clock that another program really sets (libfaketime)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path

import pytest

LIBRARIES = sorted(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"))

PROGRAM = """
import json, threading, time
from logger.probes import Bus, Raw

class Probe:
    probe, channels, interval_s, deadline_s, wire = "P1", ("P1.temperature",), 0.25, 5.0, None
    def open(self): pass
    def close(self): pass
    def listen(self, until_s): return False
    def read(self): return [Raw("P1.temperature", 20.0, "ok", time.time_ns())]

rows, events = [], []
bus = Bus("x", [Probe()], rows.extend, lambda kind, what: events.append([kind, what]))
bus.start()
print("ready", flush=True)
threading.Event().wait(6)  # time.sleep fails under libfaketime
bus.stop()
print(json.dumps([[[r.taken_ns, r.monotonic_ns] for r in rows], events]))
"""


@pytest.mark.long
@pytest.mark.skipif(not LIBRARIES, reason="libfaketime is not installed")
@pytest.mark.parametrize("step", ["-3600", "+3600"])
def test_no_poll_is_lost_when_another_program_sets_the_clock(tmp_path: Path, step: str) -> None:
    setting = tmp_path / "clock"
    setting.write_text("+0")
    environment = {
        **os.environ,
        "LD_PRELOAD": str(LIBRARIES[0]),
        "FAKETIME_TIMESTAMP_FILE": str(setting),
        "FAKETIME_NO_CACHE": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
    }
    program = subprocess.Popen(
        [sys.executable, "-c", PROGRAM], env=environment, stdout=subprocess.PIPE, text=True
    )
    assert program.stdout is not None
    assert program.stdout.readline() == "ready\n"
    time.sleep(3)
    setting.write_text(step)
    rows, events = json.loads(program.communicate(timeout=30)[0])
    assert [kind for kind, _ in events] == ["clock-step"]
    assert events[0][1]["step_s"] == pytest.approx(float(step), abs=0.5)
    gaps = [(b - a) / 1e9 for (_, a), (_, b) in pairwise(rows)]
    assert max(gaps) < 0.40
    assert len(rows) == pytest.approx(24, abs=2)
