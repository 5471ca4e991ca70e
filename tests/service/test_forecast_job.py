"""What forecasts gain over a week is measured by a job of its own, beside the judge of the minute."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from logger.acts import inspections as actions
from logger.config import example_folder, in_force, read_texts
from logger.instants import NS
from logger.model import Row
from logger.service import Service
from logger.store import Store
from logger.verdicts.forecast_gains import ForecastGains

NOW_NS = 1_792_454_430 * NS  # 2026-10-20T00:00:30Z, in the first minute of a UTC day


def until(holds: Callable[[], bool], seconds: float = 120) -> bool:
    """Whether something holds before long, on a busy machine too."""
    deadline = time.monotonic() + seconds
    while not holds():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.05)
    return True


def test_a_service_measures_its_forecasts_in_a_thread_of_their_own(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The judge stores verdicts while the measurement still lasts; after it the statement names the skill."""
    begun, go_on = threading.Event(), threading.Event()
    measure = ForecastGains.measure_all

    def slowly(gains: ForecastGains, now_ns: int) -> object:
        begun.set()
        assert go_on.wait(120)
        return measure(gains, now_ns)

    monkeypatch.setattr(ForecastGains, "measure_all", slowly)
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        actions.apply_setup(store, dict(read_texts(example_folder())), "test", "test", "test", 1)
        taken = [NOW_NS - minute * 60 * NS for minute in range(120, 0, -1)]
        store.append("w", [Row("P1.temperature", t, t, 20.0) for t in taken])
        config = replace(in_force(store.setups.versions()), lines=(), heartbeat=None)
        begin_s = time.monotonic()
        clock = lambda: NOW_NS + int((time.monotonic() - begin_s) * NS)  # noqa: E731
        service = Service(store, config, clock=clock, judge_every_s=0.2)
        service.start()
        try:
            assert begun.wait(120)
            assert until(lambda: "machine-bay" in store.verdict_cache.live())
            answer = json.loads(store.verdict_cache.live()["machine-bay"])
            assert answer["forecast"] == "not shown: not measured yet"
            go_on.set()
            assert until(lambda: service._live._gains.newest("machine-bay") is not None)
        finally:
            go_on.set()
            assert service.stop()
