"""The service backs up as planned, and tells when no backup comes about."""

from __future__ import annotations

import time
from collections.abc import Mapping
from pathlib import Path

import pytest

from logger.config import example_folder, load_texts, read_texts
from logger.core.alarms.system import WATCHED, SystemFacts
from logger.errors import ConfigError, Refused
from logger.instants import NS
from logger.model import BackupPlan
from logger.service.backups import PARTS, SCRUBBED, daily, damage, scrub_backups, watch
from logger.service.calendar_work import CalendarWork
from logger.service.jobs import Jobs
from logger.service.senders import Senders
from logger.store import Store
from logger.store.backup.catalogue import generations
from logger.verdicts.verdicts import Verdicts

DAY = 86_400 * NS
Told = list[tuple[str, Mapping[str, object]]]


@pytest.fixture
def plan(tmp_path: Path) -> BackupPlan:
    (tmp_path / "share").mkdir()
    return BackupPlan(str(tmp_path / "share"), (3, 40), 2)


def configured(text: str) -> dict[str, str]:
    return {**read_texts(example_folder()), "service.toml": text}


def test_what_service_toml_says_reaches_the_service() -> None:
    text = '[backup]\nfolder = "/mnt/x"\nat_utc = "23:05"\n\n[retention]\nyears = 10\n'
    config = load_texts(configured(text))
    assert config.backup == BackupPlan("/mnt/x", (23, 5), 14)
    assert config.keep_years == 10
    bare = load_texts(configured("# nothing\n"))
    assert (bare.backup, bare.keep_years) == (None, None)


def test_faults_of_service_toml_come_all_at_once() -> None:
    text = '[backup]\nfolder = ""\nat_utc = "24:05"\nkeep = 0\n[retention]\nyears = 0\n'
    with pytest.raises(ConfigError) as caught:
        load_texts(configured(text))
    assert {(fault.table, fault.key) for fault in caught.value.faults} == {
        ("backup", "folder"),
        ("backup", "at_utc"),
        ("backup", "keep"),
        ("retention", "years"),
    }


def test_a_planned_backup_is_made_and_old_ones_go(store: Store, plan: BackupPlan) -> None:
    notices: Told = []
    for day in range(4):
        daily(store, plan, lambda kind, what: notices.append((kind, what)), day * DAY)
    assert [generation.good for generation in generations(Path(plan.folder))] == [True, True]
    assert notices == []


def test_a_share_that_is_away_fails_and_the_service_goes_on(store: Store, plan: BackupPlan) -> None:
    Path(plan.folder).rmdir()
    with pytest.raises(Refused, match="Mount the share"):
        daily(store, plan, lambda kind, what: None, 0)


def test_an_old_backup_is_told_every_day_and_a_new_one_ends_it(store: Store, plan: BackupPlan) -> None:
    notices: Told = []
    begun = store.journal.entries()[0].at_ns

    def event(kind: str, what: Mapping[str, object]) -> None:
        notices.append((kind, what))

    watch(store, plan, event, begun + DAY)
    assert notices == []
    watch(store, plan, event, begun + 3 * DAY)
    assert notices[-1] == ("backup-old", {"folder": plan.folder, "days": 3.0, "ever": False})
    daily(store, plan, event, begun)
    watch(store, plan, event, store.journal.entries(kind="backup")[0].at_ns + DAY)
    assert len(notices) == 1
    watch(store, None, event, begun + 9 * DAY)
    assert len(notices) == 1


def test_once_a_quarter_a_restore_test_is_asked_for(store: Store, plan: BackupPlan) -> None:
    def due() -> int:
        return len(store.journal.entries(kind="restore-test-due"))

    begun = store.journal.entries()[0].at_ns
    for day, expected in ((90, 0), (92, 1)):
        watch(store, plan, lambda kind, what: None, begun + day * DAY)
        assert due() == expected


def test_the_calendar_follows_the_setup(store: Store, tmp_path: Path) -> None:
    """A plan that is put in force later is taken over without a restart."""
    senders = Senders(Jobs(lambda kind, what: None), lambda route: None)
    work = CalendarWork(store, lambda kind, what: None, time.time_ns, senders, None)
    setup = load_texts(configured("# nothing\n"))
    work.use(setup, Verdicts(store, setup.setup))
    work.start()
    try:
        assert work.planned("daily backup") == ""
        later = load_texts(configured('[backup]\nfolder = "/mnt/x"\nat_utc = "23:05"\n'))
        work.use(later, Verdicts(store, later.setup))
        assert "hour='23', minute='5'" in work.planned("daily backup")
    finally:
        work.end()
        assert senders.wait(60.0)


def test_backups_are_read_again_a_part_each_day_and_damage_raises_the_alarm(
    store: Store, plan: BackupPlan
) -> None:
    """Within a week a flipped byte is an event, an entry and an alarm, until a whole backup is made."""
    notices: Told = []

    def event(kind: str, what: Mapping[str, object]) -> None:
        notices.append((kind, what))

    now_ns = time.time_ns()
    daily(store, plan, event, now_ns)
    for day in range(PARTS):
        scrub_backups(store, plan, event, now_ns + day * DAY)
    assert (notices, damage(store), len(store.journal.entries(kind=SCRUBBED))) == ([], "", PARTS)
    path = generations(Path(plan.folder))[0].database
    path.write_bytes(path.read_bytes()[:-1] + b"x")

    for day in range(PARTS):
        scrub_backups(store, plan, event, now_ns + day * DAY)

    assert [kind for kind, _ in notices] == ["backup-damaged"]
    assert "file stillroom.db: altered" in damage(store)
    assert WATCHED["backup"].out(SystemFacts(backup_damage=damage(store))).startswith("backups are damaged")
    daily(store, plan, event, now_ns + 9 * DAY)
    assert damage(store) == ""
