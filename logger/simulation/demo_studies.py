"""The studies that the demo runs once its pages are up: each a process of its own, one after the other."""

from __future__ import annotations

import os
import subprocess
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from ..processes.children import module
from .earlier_weeks import DOORS

FILM = "2026-08-17T10:00"
RETURNS = tuple(f"2026-{month:02d}-{day:02d}T03:00" for month, day in (
    (7, 20), (7, 27), (8, 3), (8, 10), (8, 17), (8, 24), (8, 31), (9, 7), (9, 14), (9, 21), (9, 28), (10, 5),
))  # fmt: skip
PLACE = ("--zone", "machine-bay", "--to", "2026-10-12")


def studies(folder: Path) -> list[list[str]]:
    """The words of each command, first what a custodian looks at first."""
    doors = ("--events", str(folder / DOORS))
    questions: list[Sequence[str]] = [
        ("causes", *doors, "--length-mm", "1000"),
        ("cycles",),
        ("events", *doors),
        ("hours", "--hours", "3"),
        ("plan", "--job", "Ring gear=3", "--job", "Bores=2"),
        ("change", "--at", FILM),
        ("forecast", "--from", "2026-09-01"),
        ("return", *(word for at in RETURNS for word in ("--return", at)), "--outdoors-C", "9"),
    ]
    return [["study", *words, *PLACE, "--data", str(folder)] for words in questions]


@contextmanager
def run_beside(folder: Path, enabled: bool, say: Callable[[str], None]) -> Iterator[None]:
    """Answer the questions beside what goes on; what is not answered when that ends is left."""
    over = threading.Event()
    running: list[subprocess.Popen[bytes]] = []

    def work() -> None:
        for words in studies(folder):
            if over.is_set():
                return
            nothing = subprocess.DEVNULL
            command = module("logger.cli", *words)
            running[:] = [
                subprocess.Popen(command, env=_one_core(), stdin=nothing, stdout=nothing, stderr=nothing)
            ]
            running[0].wait()
        say("Page Room study has its answers: what to fix first, and what was planted in 24 weeks.")

    thread = threading.Thread(target=work, name="demo studies", daemon=True)
    if enabled:
        thread.start()
    try:
        yield
    finally:
        over.set()
        for process in running:
            process.terminate()
        if enabled:
            thread.join()


def _one_core() -> dict[str, str]:
    return {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
