"""How long a piece of work takes."""

from __future__ import annotations

import time
from collections.abc import Callable


def time_call(work: Callable[[], object]) -> float:
    """Seconds of one run."""
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def time_both(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds of one run, and of a processor over all its threads."""
    wall, processor = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - processor


def time_processor(work: Callable[[], object]) -> float:
    """Seconds of processor time of one run, over all its threads: other programs do not count."""
    begin = time.process_time()
    work()
    return time.process_time() - begin
