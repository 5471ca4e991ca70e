"""kill -9 at random moments of writing, journalling and sealing: nothing acknowledged is lost."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from logger.store import Store
from logger.store.hot import tables

from .conftest import MINUTE, OCTOBER, polled

# The child says of every batch and act that it was told is stored; it seals in between.
CHILD = """
import sys
from pathlib import Path
from logger.instants import NS; from logger.model import Row
from logger.store import Store, archive
archive.DELETED_AT_ONCE = 30
october, round = int(sys.argv[2]), int(sys.argv[3])
with Store.open(Path(sys.argv[1])) as store:
    for at in range(10_000):
        start = october + (round * 10_000 + at) * NS
        rows = [Row(f"P{i}.temperature", start + i, start, 20 + i / 100) for i in range(40)]
        print("batch", store.append("poll", rows).last, flush=True)
        print("act", store.journal.append("act", "Radek Sova", {"at": at}).number, flush=True)
        if at % 3 == 2:
            store.seal(october + 90 * 86_400 * NS)
            print("sealed", at, flush=True)
"""


@pytest.mark.parametrize(
    "rounds", [pytest.param(5, id="short"), pytest.param(200, id="long", marks=pytest.mark.long)]
)
def test_killed_at_any_moment(store: Store, folder: Path, rounds: int) -> None:
    """After every kill the record is intact and holds all that the child was told is stored."""
    chance = random.Random(rounds)
    last = {"batch": 0, "act": 0, "sealed": 0}
    for round_ in range(rounds):
        # The first round waits for a seal, so that a slow machine sees one, too.
        _write_until_killed(folder, round_, chance.uniform(0.02, 0.4), last, "batch" if round_ else "sealed")

        with Store.open(folder) as reopened:
            verification = reopened.verify()
            assert verification.faults == ()
            assert verification.readings >= last["batch"]
            assert verification.readings % 40 == 0
            assert verification.head[0] >= last["act"]
            assert reopened.readings.newest()["P7.temperature"].value == 20.07
    assert last["batch"] > 0
    assert len(store.archive.seals()) > 0


def _write_until_killed(folder: Path, round_: int, after_s: float, last: dict[str, int], first: str) -> None:
    """Let a child write, kill it some time after the `first` of a kind, and note what it was told."""
    command = [sys.executable, "-c", CHILD, str(folder), str(OCTOBER), str(round_)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        line = ""
        while not line.startswith(first):
            line = child.stdout.readline()
            assert line, "the child ended by itself"
            _note(line, last)
        time.sleep(after_s)
        child.kill()
        for line in child.stdout:
            _note(line, last)


def _note(line: str, last: dict[str, int]) -> None:
    if line.endswith("\n"):
        kind, number = line.split()
        last[kind] = max(last[kind], int(number))


def test_a_result_that_an_error_left_half_read_locks_nobody_out(store: Store) -> None:
    """Since Python 3.11 a rollback leaves the statement as it is, and its snapshot with it."""
    store.append("poll", polled(OCTOBER, 500))
    remembered = []
    for _ in range(3):
        with pytest.raises(ValueError, match="half"), store.read() as conn:  # noqa: PT012
            remembered.append(result := conn.execute(tables.reading.select()))  # as by a traceback
            assert result.fetchone()
            raise ValueError("half")
    with Store.open(store.folder) as other:
        other.append("other", polled(OCTOBER, 1))
    for minute in range(12):  # over every connection of the pool
        store.append("poll", polled(OCTOBER + (1000 + minute) * MINUTE, 1))
