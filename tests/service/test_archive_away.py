"""The archive at an address is away: what can be answered is, what cannot is named, readings go on."""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from logger.acts import alarms as attending
from logger.config import example_folder, load
from logger.instants import NS
from logger.model import Row
from logger.notify.mail import MemorySender
from logger.service import Service, archive_watch
from logger.service.health import health
from logger.store import Store
from logger.store.archive_relocation import relocate_archive
from tests.command_line import Run
from tests.service.test_folder_lost import QUIET, row, until

DAY = 86_400 * NS


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A record with three sealed months at a share, and hot readings."""
    now = time.time_ns() // NS * NS
    (tmp_path / "share").mkdir()
    config = load(example_folder())
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        store.setups.put(config.texts, "Greta Holm", "first", "Greta Holm", now - 100 * DAY)
        old = [Row("P1.temperature", now - n * DAY, now - n * DAY, 20.0) for n in range(100, 0, -1)]
        store.append("poll", old)
        store.seal(now)
        relocate_archive(store, str(tmp_path / "share"), "", "Greta Holm")
    shutil.rmtree(tmp_path / "data" / "archive", ignore_errors=True)  # copies, which may be deleted
    return tmp_path / "data"


def test_verify_names_the_months_that_it_could_not_compare(data: Path, stillroom: Run) -> None:
    whole = stillroom("verify", "--data", data, "--json")
    assert (whole.returncode, json.loads(whole.stdout)["unread"]) == (0, [])
    share = data.parent / "share"
    share.rename(data.parent / "unmounted")
    away = stillroom("verify", "--data", data)
    assert away.returncode == 11, away.stderr
    assert away.stdout.startswith("Not shown whether all is unchanged: a part could not be compared.")
    assert "Verified" not in away.stdout
    assert "; 0 readings" not in away.stdout  # the hot ones were compared, and no sealed file was
    assert "readings and 0 archive files with the digests" in away.stdout
    with Store.open(data, read_only=True) as store:
        months = sorted({seal.file.split("year=")[1][:4] + "-" + seal.file.split("month=")[1][:2]
                         for seal in store.archive.seals()})  # fmt: skip
        result = store.verify()
        sealed = sum(seal.rows for seal in store.archive.seals())
    assert (result.faults, result.intact) == ((), False)
    assert f"{months[0]} to {months[-1]}" in result.unread[0]
    assert f"{len(months)} sealed files with {sealed} readings" in result.unread[0]
    assert "Mount its share" in result.unread[1]
    (data.parent / "unmounted").rename(share)
    assert stillroom("verify", "--data", data).returncode == 0


@pytest.mark.slow
def test_a_fault_shows_though_the_archive_is_away(data: Path, stillroom: Run) -> None:
    (data.parent / "share").rename(data.parent / "unmounted")
    away = stillroom("verify", "--data", data, "--head", f"1:{'0' * 64}")
    assert away.returncode == 10
    assert away.stdout.startswith("Verification FAILED:")
    assert "Mount its share" in away.stdout


def has_begun(store: Store, key: str) -> bool:
    return any(alarm.key == key and alarm.since_ns for alarm in attending.alarm_list(store))


def live(store: Store) -> dict[str, object]:
    return dict(json.loads(store.verdict_cache.live()["machine-bay"]))


def take_away(data: Path) -> None:
    (data.parent / "share").rename(data.parent / "unmounted")


def damage(data: Path) -> None:
    for file in (data.parent / "share").rglob("*.parquet"):
        file.write_bytes(b"PAR1 but nothing else")


@pytest.mark.slow
@pytest.mark.parametrize(("trouble", "why"), [(take_away, "Mount its share"), (damage, "cannot be read")])
def test_a_record_that_was_never_judged_is_watched_while_its_sealed_files_cannot_be_read(
    data: Path, monkeypatch: pytest.MonkeyPatch, trouble: Callable[[Path], None], why: str
) -> None:
    """As after an update of the judge, with a share that comes up later than this machine."""
    monkeypatch.setattr("logger.service.service.SEND_EVERY_S", 0.2)
    trouble(data)
    with Store.open(data) as store:
        setup = load(example_folder()).setup
        service = Service(store, replace(QUIET, setup=setup), sender=MemorySender(), judge_every_s=0.2)
        service.start()
        try:
            now = time.time_ns()
            minutes = [now - n * 60 * NS for n in range(180, -1, -1)]
            service._writer.rows([Row("P1.temperature", ns, ns, 27.0) for ns in minutes])
            assert until(lambda: "machine-bay" in store.verdict_cache.live(), 30), service.status()
            assert until(lambda: live(store)["verdict"] == "not stable", 90), live(store)
            limit = "machine-bay.temperature"
            assert until(lambda: has_begun(store, "bay-temperature"), 90), service.status()
            assert limit in str(live(store)["rules"])
            failing = dict(service.status()["failing"])  # type: ignore[call-overload]
            assert why in failing["judge sealed days"]
            assert "judge now" not in failing
            # The turn that begins the alarm ends with the heartbeat.
            assert until((data / "heartbeat").exists), service.status()
        finally:
            service.stop()


@pytest.mark.slow
def test_the_service_reads_on_and_health_names_the_archive(
    data: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(archive_watch, "EVERY_S", 0.0)
    monkeypatch.setattr("logger.service.service.SEND_EVERY_S", 0.2)
    with Store.open(data) as store:
        setup = load(example_folder()).setup

        def figure() -> str:
            return next(f.word for f in health(store, setup, time.time_ns()) if f.what.startswith("archive"))

        service = Service(store, replace(QUIET, setup=setup))
        service.start()
        try:
            (data.parent / "share").rename(data.parent / "unmounted")
            service._writer.rows([row(1)])
            assert until(lambda: "Mount its share" in figure())
            assert figure().startswith("away; readings are taken and judged all the same: ")
            assert until(lambda: store.readings.newest()["P1.temperature"].value == 21.0)
            (data.parent / "unmounted").rename(data.parent / "share")
            assert until(lambda: figure() == "no fault")
        finally:
            service.stop()
        assert store.verify().intact
