"""How long a full judgement takes, as multiples of a bare script and of a public library of quality tests.

A live minute is the whole turn of the service: what arrived, the judgement, and both on the disk. The
bare script reads the same sealed files with pyarrow and computes the same spans and gradients with
numpy and bottleneck: no correction, no uncertainty, no quality tests, no evidence, no verdict.
"""

from __future__ import annotations

import resource
import shutil
import statistics
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import bottleneck as bn
import numpy as np
import pyarrow.parquet as pq

from ..core.evidence.quality import constant_runs, doubt_flags, gross_range
from ..errors import Refused
from ..instants import NS
from ..model import Row, Setup
from ..store import Store
from ..verdicts.head import HEAD
from ..verdicts.live_verdicts import LiveVerdicts
from ..verdicts.verdicts import Verdicts
from .record import START_NS, STEP_NS, ZONE, make, make_apart, setup
from .timing import time_both, time_call

Arrays = dict[str, np.ndarray[tuple[int], np.dtype[np.float64]]]
LIVE_CHANNELS, LIVE_MINUTES = 64, 40


@dataclass(frozen=True)
class JudgeFigures:
    """Seconds of one run; `_cpu_s` of a processor over all threads; `quality_s` None without the library."""

    readings: int
    judged_s: float
    bare_s: float
    tests_s: float  # our own tests of single readings alone
    quality_s: float | None
    minute_ms: float
    peak_mb: float
    judged_cpu_s: float
    bare_cpu_s: float

    def lines(self) -> list[str]:
        """What is printed."""
        peaks = [
            f"{self.readings:,} readings judged in {self.judged_s:.2f} s, {self.peak_mb:.0f} MB at the peak",
            f"bare script on the same files: {self.bare_s:.2f} s; ratio {self.judged_s / self.bare_s:.2f}",
            f"of a processor, over all threads: {self.judged_cpu_s:.2f} s and {self.bare_cpu_s:.2f} s; ratio "
            f"{self.judged_cpu_s / self.bare_cpu_s:.2f}",
            f"a live minute of {LIVE_CHANNELS} channels, judged, stored and told: {self.minute_ms:.1f} ms",
        ]
        if self.quality_s is None:
            return [*peaks, "ioos-qc is not installed; install it to compare with it"]
        whole, alike = self.quality_s / self.judged_s, self.quality_s / self.tests_s
        return [
            *peaks,
            f"ioos-qc, gross range, spike, rate and flat line on the same arrays: {self.quality_s:.1f} s",
            f"it takes {whole:.1f} times as long as the whole judgement, {alike:.0f} times as long as our "
            f"own tests of single readings (gross range, spike, constant runs: {self.tests_s:.2f} s)",
        ]


def run(folder: Path, channels: int, days: int, say: Callable[[str], None]) -> JudgeFigures:
    """Make the record if needed and take all figures in one run."""
    if days < 31:
        raise Refused(f"A record of {days} days is too short to seal; expected 31 or more (--days).")
    built = setup(channels)
    make_apart(folder, channels, days, say)
    with make(folder, channels, days, say) as store:
        say("judging")
        judged = [time_both(lambda: _judge(store, built, days)) for _ in range(3)]
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024  # before anything else is measured
        say("bare script")
        bare = [time_both(lambda: _bare(folder, built)) for _ in range(3)]
        say("ioos-qc")
        columns = _columns(folder)
        tests_s, quality_s = time_call(lambda: _tests(columns, built)), _quality(columns, built)
    say(f"live minutes of {LIVE_CHANNELS} channels")
    minute_ms = 1000 * _live(folder / "live", say)
    (judged_s, judged_cpu_s), (bare_s, bare_cpu_s) = (_least(times) for times in (judged, bare))
    readings = channels * days * 1440
    return JudgeFigures(
        readings, judged_s, bare_s, tests_s, quality_s, minute_ms, peak, judged_cpu_s, bare_cpu_s
    )


def _least(times: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """The least time by the clock, and the least of a processor."""
    return min(wall for wall, _ in times), min(cpu for _, cpu in times)


def _end_ns(days: int) -> int:
    return START_NS + days * 86_400 * NS


def _judge(store: Store, setup: Setup, days: int) -> None:
    store.verdict_cache.put_days(ZONE, {HEAD: ("", "{}")})  # nothing that was judged before counts
    Verdicts(store, setup).refresh(ZONE, _end_ns(days))


def _live(folder: Path, say: Callable[[str], None]) -> float:
    """Seconds of the median live minute: readings came, the zone is judged, verdict and statement stored."""
    built, days = setup(LIVE_CHANNELS), 3
    shutil.rmtree(folder, ignore_errors=True)
    with make(folder, LIVE_CHANNELS, days, say) as store:
        live = LiveVerdicts(Verdicts(store, built))
        live.judge(_end_ns(days))
        durations_s = []
        for minute in range(1, LIVE_MINUTES + 1):
            now_ns = _end_ns(days) + minute * STEP_NS
            store.append("made", _minute(built, now_ns))
            durations_s.append(time_call(lambda: live.judge(now_ns)))  # noqa: B023 (called at once)
    return statistics.median(durations_s[1:])  # the first is made of the whole day


def _minute(built: Setup, now_ns: int) -> list[Row]:
    """One reading of each channel, a few milliseconds apart, as probes on a bus are asked."""
    rng = np.random.default_rng(now_ns // STEP_NS)
    instants_ns = [now_ns - STEP_NS // 2 + 5_000_000 * place for place in range(len(built.channels))]
    value = np.round(20 + 0.005 * np.arange(len(instants_ns)) + rng.normal(0, 0.012, len(instants_ns)), 2)
    each = zip(built.channels, instants_ns, value.tolist(), strict=True)
    return [Row(key, t, t + 40_000_000, v, boot="made", monotonic_ns=t - START_NS) for key, t, v in each]


def _columns(folder: Path) -> Arrays:
    parts: dict[str, list[np.ndarray[tuple[int], np.dtype[np.float64]]]] = {}
    for path in sorted(folder.glob("archive/**/*.parquet")):
        file = pq.ParquetFile(path)
        for group in range(file.num_row_groups):
            table = file.read_row_group(group, columns=["channel", "value"])
            parts.setdefault(table["channel"][0].as_py(), []).append(table["value"].to_numpy())
    return {key: np.concatenate(columns) for key, columns in parts.items()}


def _bare(folder: Path, setup: Setup) -> None:
    columns = _columns(folder)
    for value in columns.values():
        for width in (60, 1440):
            (bn.move_max(value, width) - bn.move_min(value, width) > 0.8).any()
    places = [setup.positions[c.partition(".")[0]].xyz_m for c in list(columns)[:8]]
    for (a, first), (b, other) in combinations(zip(places, list(columns.values())[:8], strict=True), 2):
        (np.abs(first - other) / np.linalg.norm(np.subtract(a, b)) > 1.0).any()


def _tests(columns: Arrays, setup: Setup) -> None:
    for key, value in columns.items():
        channel = setup.channels[key]
        taken_ns = START_NS + np.arange(len(value), dtype=np.int64) * STEP_NS
        flags = gross_range(value, channel.probe_span, channel.user_span)
        doubt_flags(channel, taken_ns, value, flags)
        constant_runs(taken_ns, value, 30, channel.max_age_s)


def _quality(columns: Arrays, setup: Setup) -> float | None:
    try:
        from ioos_qc import qartod
    except ImportError:
        return None
    channel = next(iter(setup.channels.values()))

    def tests() -> None:
        for value in columns.values():
            at = (START_NS // NS + np.arange(len(value)) * 60).astype("datetime64[s]")
            qartod.gross_range_test(value, channel.probe_span, channel.user_span)
            qartod.spike_test(value, 0.5, 1.0)
            qartod.rate_of_change_test(value, at, 0.01)
            qartod.flat_line_test(value, at, 1800, 3600, 0.001)

    return time_call(tests)
