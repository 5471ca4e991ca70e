"""A thousand zone-days with late data, probes that changed places and clocks that were compared: one digest.

Four rooms of two zones and 125 days. What a service stored, what this process judges anew, and what one, two
and four workers give, also where one of them is killed, must be the same: with the record in its folder, in
PostgreSQL and back from there, and with the archive in an object store.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from logger.acts.inspections import apply_setup
from logger.config import in_force
from logger.instants import NS
from logger.rooms import registry
from logger.rooms.rejudging import plan, rejudge_here
from logger.rooms.summary import write_summary
from logger.series import ImportedReadings
from logger.store import Store
from logger.store.archive_relocation import relocate_archive
from logger.store.exchange.relocation import to_embedded, to_server
from logger.store.hot.clocks import ClockComparison
from logger.store.store_file import HotTable
from logger.verdicts.verdicts import Verdicts
from tests.dashboard.synthetic_setup import texts
from tests.database_server import PASSWORD, PASSWORD_ENV, database_server
from tests.peers.object_store import ACCOUNT, object_store
from tests.rooms.conftest import MadeGroup
from tests.rooms.test_rejudging import worker_processes

pytestmark = pytest.mark.long
HOUR, MINUTE = 3600 * NS, 60 * NS
BEGIN = 1_759_363_200 * NS  # 2025-10-02T00:00Z, so that all of it is past
DAYS, ROOMS = 125, 4
END = BEGIN + DAYS * 24 * HOUR
LATE = (BEGIN + 20 * 24 * HOUR, BEGIN + 23 * 24 * HOUR)
CLOCK_PROBE = "P5"  # a logger, whose own clock was compared twice
LINE = re.compile(r"(?m)^(\S+) (\S+) (\d{4}): \d+ days, 0 changed, ([0-9a-f]{64})$")
Digests = dict[tuple[str, str, int], str]


def series(channel: str, from_ns: int, to_ns: int, seed: int) -> ImportedReadings:
    """Slow waves with noise, and an hour out of the band in every third day."""
    taken_ns = np.arange(from_ns + 20 * NS, to_ns, MINUTE, dtype=np.int64)
    random = np.random.default_rng((seed, len(channel), ord(channel[1]), from_ns // HOUR))
    hours = (taken_ns - BEGIN) / HOUR
    if channel.endswith("relative_humidity"):
        value = np.round(48 + 2 * np.sin(hours / 5) + random.normal(0, 0.1, len(hours)), 1)
    else:
        bump = 1.1 * np.exp(-((((hours + 7 * seed) % 72 - 30) / 0.8) ** 2))
        value = np.round(20 + 0.05 * np.sin(hours * 2) + bump + random.normal(0, 0.01, len(hours)), 2)
    raw = np.full(len(taken_ns), "", dtype=object)
    return ImportedReadings(channel, taken_ns, value, raw, END, f"import:{channel}")


def swapped(text: str) -> str:
    """P1 and P2 change places on the fiftieth day."""
    for probe, old, new in (("P1", "bridge-table", "column-top"), ("P2", "column-top", "bridge-table")):
        there = f'probe = "{probe}"\nposition = "{old}"\nfrom = 2025-10-01\n'
        assert there in text
        text = text.replace(there, f"{there}to = 2025-11-20T10:00:00\n")
        text += f'\n[[placements]]\nprobe = "{probe}"\nposition = "{new}"\nfrom = 2025-11-20T10:00:00\n'
    return text


def make_room(folder: Path, seed: int) -> None:
    """Readings with three days that come late, then another setup, then two comparisons of a clock."""
    files = {
        name: text.replace("2026-", "2025-")
        .replace("2027-", "2026-")
        .replace("due_on = 2025-10-17", "due_on = 2026-10-17")
        for name, text in texts(simulated=False).items()
    }
    with Store.open(folder, create=True, simulated=False) as store:
        apply_setup(store, files, "Greta Holm", "first setup", "Ines Faber", BEGIN - HOUR)
        setup = in_force(store.setups.versions()).setup
        for channel in setup.channels:
            for part in ((BEGIN, LATE[0]), (LATE[1], END)):
                store.load_series(f"import-{channel}", [series(channel, *part, seed)], END)
        judge(store)
        for channel in setup.channels:
            store.load_series(f"late-{channel}", [series(channel, *LATE, seed)], END)
        judge(store)
        other = {**files, "probes.toml": swapped(files["probes.toml"])}
        apply_setup(store, other, "Greta Holm", "probes changed places", "Ines Faber", END)
        judge(store)
        for day, off_s in ((30, 40), (90, 400)):
            at = BEGIN + day * 24 * HOUR
            measured = ClockComparison(CLOCK_PROBE, at + off_s * NS, off_s * NS)
            with store.begin() as conn:
                store.clocks.record_comparison(measured, "Greta Holm", "read out", conn)
        judge(store)
        assert len(store.seal(END)) > 0


def judge(store: Store) -> None:
    setup = in_force(store.setups.versions()).setup
    verdicts = Verdicts(store, setup)
    for zone in setup.zones:
        verdicts.refresh(zone, END)


@pytest.fixture(scope="module")
def group(tmp_path_factory: pytest.TempPathFactory) -> Iterator[MadeGroup]:
    group = MadeGroup(tmp_path_factory.mktemp("thousand") / "rooms.toml")
    for seed in range(ROOMS):
        make_room(group.file.parent / f"hall-{seed}", seed)
        with Store.open(group.file.parent / f"hall-{seed}") as store:
            summary = write_summary(store, in_force(store.setups.versions()).setup, END)
        registry.add(group.file, registry.RoomEntry(f"hall-{seed}", Path(f"hall-{seed}"), summary.key_name))
    return group


def here(group: MadeGroup) -> Digests:
    """By this process; nothing differs from what a service stored as the changes came."""
    results = list(rejudge_here(list(plan(list(group.registry.rooms.values()), END)), dry_run=True))
    assert [r for r in results if r.changed or r.why] == []
    assert sum(r.days for r in results) >= ROOMS * 2 * DAYS  # a compared clock moves some past midnight
    return {(r.room, r.zone, r.year): r.digest for r in results}


def by_workers(group: MadeGroup, count: int, *, kill: bool = False) -> Digests:
    """By so many workers; one of them is killed after the first year."""
    command = [sys.executable, "-m", "logger.cli", "rejudge", "--rooms", str(group.file), "--dry-run"]
    words = [*command, "--workers", str(count)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        first = running.stdout.readline()
        if kill:
            os.kill(worker_processes(running.pid)[0], signal.SIGKILL)
        rest, err = running.communicate(timeout=900)
    assert running.returncode == 0, err
    return {(m[1], m[2], int(m[3])): m[4] for m in LINE.finditer(first + rest)}


@contextmanager
def on_server(group: MadeGroup) -> Iterator[None]:
    """Every record in a schema of its own in PostgreSQL; afterwards moved back into its folder."""
    with database_server() as server, pytest.MonkeyPatch.context() as patch:
        patch.setenv(PASSWORD_ENV, PASSWORD)
        for key in group.registry.rooms:
            name, _ = server.new_schema()
            keys = {"database": server.address(name), "schema": name, "password_env": PASSWORD_ENV}
            to_server(group.file.parent / key, HotTable.model_validate(keys), "Greta Holm")
        yield
        for key in group.registry.rooms:
            to_embedded(group.file.parent / key, "Greta Holm")


def test_a_thousand_zone_days_have_one_digest_however_they_are_judged(group: MadeGroup) -> None:
    expected = here(group)
    assert len(set(expected.values())) == len(expected) == ROOMS * 2 * 2  # two years a zone, no two alike
    for count in (1, 2, 4):
        assert by_workers(group, count) == expected
    assert by_workers(group, 2, kill=True) == expected
    with on_server(group):
        assert here(group) == expected
        assert by_workers(group, 2) == expected
    assert here(group) == expected
    with object_store() as objects:
        os.environ.update(ACCOUNT)
        for key in group.registry.rooms:
            with Store.open(group.file.parent / key) as store:
                relocate_archive(store, f"s3://measuring/{key}", objects.endpoint, "Greta Holm")
            for copy in (group.file.parent / key / "archive").rglob("*.parquet"):
                copy.unlink()
        assert by_workers(group, 2) == expected
    print(f"{ROOMS * 2 * DAYS} zone-days, {len(expected)} digests, equal in 9 ways")
