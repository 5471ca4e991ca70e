"""What the questions of a room study cost on a made year: time of one core, and the most memory.

Readings lie in memory as the store gives them; reading them is measured by `bench judge` and `bench store`.
Each question runs in a process of its own, so that its memory is its own.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..processes.children import module

if TYPE_CHECKING:
    from ..core.study.channel_record import ChannelRecord

CHANNELS, WEEKS = 16, 52
ONE = ("cycles", "events", "step", "causes", "forecast")  # of one channel
ALL = ("day and week", "change", "outdoors and doors", "site", "map", "hours", "plan")  # of sixteen
WANTED_S, WANTED_MIB = 10.0, 1024.0


@dataclass(frozen=True)
class StudyCost:
    """One question: to how many channels, seconds of a core, and the most memory of its process in MiB."""

    question: str
    channels: int
    seconds: float
    mib: float

    def line(self) -> str:
        """As printed."""
        short = (
            "" if self.seconds <= WANTED_S and self.mib <= WANTED_MIB else "  (10 s and 1024 MiB are wanted)"
        )
        cost = f"{self.seconds:6.2f} s  {self.mib:5.0f} MiB{short}"
        return f"{self.question:<20} {self.channels:>2} channels  {cost}"


def run(say: Callable[[str], None]) -> list[StudyCost]:
    """Every question on a made year at 60 s."""
    costs = []
    for question in (*ONE, *ALL):
        process = subprocess.run(
            [*module("logger.bench.study"), question], capture_output=True, encoding="utf-8", check=True
        )
        costs.append(StudyCost(**json.loads(process.stdout)))
        say(costs[-1].line())
    return costs


def measured(question: str) -> StudyCost:
    """One question in this process."""
    # As the command sets it: threads of the linear algebra that wait for each other cost time, too.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    compute, channels = _prepared(question)
    begin = time.process_time()  # of this core alone: a busy machine does not count
    compute()
    seconds = time.process_time() - begin
    return StudyCost(question, channels, seconds, _peak_mib())


def _peak_mib() -> float:
    """The most memory of this process so far; not-a-number where the system does not tell."""
    try:
        import resource
    except ImportError:  # Windows
        return float("nan")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / 2**20 if sys.platform == "darwin" else peak / 2**10


def _prepared(question: str) -> tuple[Callable[[], object], int]:
    """What computes the answer, everything read before."""
    import numpy as np

    from ..core.study import best_hours, causes, disturbance, intervention, mapping, periodicity, slot_plan
    from ..core.study.calendar_courses import day_figure, week_figure
    from ..core.study.forecast_skill import forecast_skill
    from ..core.study.representativeness import representativeness
    from ..core.study.step_response import step_test

    channel, outdoors, doors = _channel(0), _outdoors(), _doors()
    inputs = causes.CauseInputs(outdoors, None, doors)
    middle = channel.start_s + len(channel) * 30
    kinds: dict[str, Callable[[], object]] = {
        "cycles": lambda: periodicity.regularity(channel),
        "events": lambda: disturbance.disturbance(channel, doors[:1000]),
        "step": lambda: step_test(channel),
        "causes": lambda: causes.causes(channel, inputs),
        "forecast": lambda: forecast_skill(channel, (19.5, 20.5)),
    }
    if question in kinds:
        return kinds[question], 1
    if question in ("hours", "plan"):
        stable = np.random.default_rng(1).random((WEEKS, 168)) < 0.7
        shown, jobs = np.ones_like(stable), [slot_plan.Job("A", 2), slot_plan.Job("B", 3)]
        if question == "hours":
            return lambda: best_hours.best_hours(stable, shown, 2), CHANNELS
        return lambda: slot_plan.slot_plan(stable, shown, jobs), CHANNELS
    several = {f"C{n}": _channel(n) for n in range(CHANNELS)}
    volume = {name: several[name] for name in ("C0", "C1", "C2", "C3")}
    stays = {name: several[name] for name in several if name not in volume}
    places = {name: (float(n % 4), float(n // 4), 1.0) for n, name in enumerate(several)}
    change = intervention.Comparison(middle)
    many: dict[str, Callable[[], object]] = {
        "change": lambda: [intervention.before_and_after(r, change, outdoors) for r in several.values()],
        "day and week": lambda: [(day_figure(r), week_figure(r)) for r in several.values()],
        "outdoors and doors": lambda: [causes.causes(r, inputs) for r in several.values()],
        "site": lambda: representativeness(stays, volume),
        "map": lambda: mapping.mapping(mapping.Campaign(several, places)),
    }
    return many[question], CHANNELS


def _channel(seed: int) -> ChannelRecord:
    import numpy as np
    from scipy.signal import lfilter

    from ..core.study.channel_record import ChannelRecord

    n, chance = WEEKS * 7 * 1440, np.random.default_rng(seed)
    minute = np.arange(n)
    keep = np.exp(-1 / 180)
    value = 20 + 0.1 * np.cos(2 * np.pi * minute / 1440) + 0.05 * np.sin(2 * np.pi * minute / 14)
    value += lfilter([1.0], [1.0, -keep], 0.05 * np.sqrt(1 - keep**2) * chance.normal(size=n))
    return ChannelRecord(f"C{seed}", "degC", _START_S, 60, value, np.zeros(n, np.int64), 0.01, 60.0)


def _outdoors() -> ChannelRecord:
    import numpy as np

    record = _channel(99)
    return record.with_values(10 + 100 * (record.value - 20) + 8 * np.cos(np.arange(len(record)) / 83_000))


def _doors() -> list[float]:
    import numpy as np

    chance = np.random.default_rng(5)
    days = np.repeat(np.arange(2, WEEKS * 7 - 2), 3)
    instants = _START_S + days * 86_400 + chance.uniform(7, 17, len(days)) * 3600
    return [float(at) for at in np.sort(instants)]


_START_S = 1_735_689_600  # 2025-01-01T00:00Z

if __name__ == "__main__":
    print(json.dumps(vars(measured(sys.argv[1]))))
