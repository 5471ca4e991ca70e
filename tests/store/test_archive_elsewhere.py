"""Sealed files at an address: a folder, memory, an object store of another make; nothing lost or twice."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from unittest.mock import patch

import pytest

from logger.config import example_folder, in_force, load
from logger.errors import ArchiveAway, Refused, StoreDamaged, StoreError
from logger.instants import NS
from logger.store import Store
from logger.store.archive import object_place
from logger.store.archive.file_place import Place, place_at
from logger.store.archive.object_place import ObjectPlace
from logger.store.archive_relocation import relocate_archive
from logger.store.backup.backup import backup
from logger.store.backup.restore import restore
from logger.store.exchange.export import day_digests
from logger.store.store_file import archive_table, replace_table
from logger.verdicts.live_verdicts import LiveVerdicts
from logger.verdicts.verdicts import Verdicts
from tests.command_line import Run
from tests.peers.object_store import ACCOUNT, ObjectStore, object_store
from tests.programs import library

from .conftest import DAY, IN_DECEMBER, OCTOBER, hot_rows, polled

PROBES = ("P1.temperature", "P1.relative_humidity")
KINDS = ("folder", "memory", "s3")
Address = Callable[[str], dict[str, str]]


@pytest.fixture(autouse=True)
def in_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """A place in the memory of this process, which no record may be given: it is gone with the process."""
    monkeypatch.setattr(object_place, "KINDS", {*object_place.KINDS, "memory"})


@pytest.fixture(scope="module")
def objects() -> Iterator[ObjectStore]:
    with object_store() as server:
        yield server


@pytest.fixture
def address(tmp_path: Path, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Address:
    """Keys of [archive] for a place of some kind that is there and empty."""

    def keys(kind: str) -> dict[str, str]:
        name = re.sub("[^a-z0-9]+", "-", f"{request.node.name}-{kind}")  # one for each home of the record
        if kind == "folder":
            (tmp_path / "share").mkdir(exist_ok=True)
            return {"at": str(tmp_path / "share")}
        if kind == "memory":
            library("fsspec")
            return {"at": f"memory://{name}"}
        for variable, value in ACCOUNT.items():
            monkeypatch.setenv(variable, value)
        return {"at": f"s3://measuring/{name}", "endpoint": request.getfixturevalue("objects").endpoint}

    return keys


def filled(folder: Path, keys: dict[str, str] | None = None) -> Store:
    """A record of two months and a half, whose sealed files go to such a place."""
    Store.open(folder, create=True).close()
    if keys:
        replace_table(folder, "archive", keys)
    store = Store.open(folder)
    store.append("poll", polled(OCTOBER - DAY, 120, PROBES, step_ns=DAY // 2))
    return store


def place_of(keys: dict[str, str]) -> Place:
    return place_at(keys["at"], keys.get("endpoint", ""))


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_months_sealed_at_an_address_are_those_of_a_folder(
    folder: Path, tmp_path: Path, address: Address, kind: str
) -> None:
    """The seals name the same files with the same SHA-256, and every reading comes back."""
    keys = address(kind)
    with filled(tmp_path / "plain") as plain, filled(folder, keys) as store:
        expected, seals = plain.seal(IN_DECEMBER), store.seal(IN_DECEMBER)
        days = day_digests(plain)
        assert [(s.file, s.sha256) for s in seals] == [(s.file, s.sha256) for s in expected]
        assert len(seals) == 3
        assert hot_rows(store) == hot_rows(plain)
        assert sorted(p.name for p in (folder / "archive").rglob("*") if p.is_file()) == []
        assert place_of(keys).names() == [s.file.removeprefix("archive/") for s in seals]
    with Store.open(folder, read_only=True) as store:
        assert day_digests(store) == days
        assert store.verify().faults == ()


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_an_archive_moves_to_an_address_and_back(folder: Path, address: Address, kind: str) -> None:
    keys = address(kind)
    with filled(folder) as store:
        seals, days = store.seal(IN_DECEMBER), day_digests(store)
        head = store.journal.head()
        moved = relocate_archive(store, keys["at"], keys.get("endpoint", ""), "Greta Holm")
        assert (moved.files, moved.copied) == (3, 3)
    with Store.open(folder) as store:
        table = archive_table(folder)
        assert table is not None
        assert (table.at, table.copy_folder) == (keys["at"], "archive")
        assert store.verify([head]).faults == ()
    for seal in seals:  # copies may be deleted
        (folder / seal.file).unlink()
    with Store.open(folder) as store:
        assert day_digests(store) == days
        copied = [(folder / seal.file).is_file() for seal in seals]
        assert all(copied) or kind == "folder"  # and come again as they are fetched
        (folder / seals[0].file).write_bytes(b"no copy")
    with Store.open(folder) as store:
        assert day_digests(store) == days
        back = relocate_archive(store, "", "", "Greta Holm")
        assert (back.files, back.copied) == (3, 3 if kind == "folder" else 0)
    with Store.open(folder) as store:
        assert archive_table(folder) is None
        assert day_digests(store) == days
        assert store.verify([head]).faults == ()
        assert [e.what["to"] for e in store.journal.entries(kind="archive-moved")] == [
            moved.target,
            back.target,
        ]


def test_an_interrupted_move_is_gone_over_again(folder: Path, address: Address) -> None:
    """Until the last step the files are read where they were."""
    keys = address("memory")
    with filled(folder) as store:
        store.seal(IN_DECEMBER)
        days = day_digests(store)
        for step in ("put", "get"):
            with (
                patch.object(ObjectPlace, step, side_effect=KeyboardInterrupt),
                pytest.raises(KeyboardInterrupt),
            ):
                relocate_archive(store, keys["at"], "", "Greta Holm")
        last = patch("logger.store.archive_relocation.replace_table", side_effect=KeyboardInterrupt)
        with last, pytest.raises(KeyboardInterrupt):
            relocate_archive(store, keys["at"], "", "Greta Holm")
        assert (day_digests(store), archive_table(folder)) == (days, None)
        moved = relocate_archive(store, keys["at"], "", "Greta Holm")
        assert (moved.files, moved.copied) == (3, 0)


def test_two_records_are_never_put_into_one_place(folder: Path, tmp_path: Path, address: Address) -> None:
    keys = address("memory")
    with filled(folder) as store, filled(tmp_path / "other") as other:
        store.setups.put(
            {"room.toml": '[room]\nkey = "east"\n'}, "Greta Holm", "first", "Greta Holm", OCTOBER
        )
        store.seal(IN_DECEMBER)
        other.seal(IN_DECEMBER)
        relocate_archive(store, keys["at"], "", "Greta Holm")
        with pytest.raises(Refused, match="not of this record, such as 'room=east"):
            relocate_archive(other, keys["at"], "", "Greta Holm")
        assert archive_table(other.folder) is None
        with pytest.raises(Refused, match="already"):
            relocate_archive(other, str(other.folder / "archive"), "", "Greta Holm")


class Fault:
    """A place whose next put goes wrong: cut short, or with another file of that name just before it."""

    def __init__(self, *, cut: bool) -> None:
        self.cut, self.original = cut, ObjectPlace.put

    def put(self, place: ObjectPlace, name: str, source: Path) -> None:
        if self.cut:
            source.write_bytes(source.read_bytes()[:-9])
            self.original(place, name, source)
            source.write_bytes(source.read_bytes() + b"123456789")
        else:
            place._system.pipe_file(place._object(name), b"foreign")
            self.original(place, name, source)


@pytest.mark.slow
@pytest.mark.parametrize("cut", [True, False], ids=["cut short", "put twice"])
@pytest.mark.parametrize("kind", ["memory", "s3"])
def test_what_was_put_wrongly_is_not_sealed_and_nothing_is_lost(
    folder: Path, address: Address, kind: str, cut: bool
) -> None:
    keys, fault = address(kind), Fault(cut=cut)
    with filled(folder, keys) as store:
        rows, days = hot_rows(store), day_digests(store)
        wrong = patch.object(ObjectPlace, "put", lambda *args: fault.put(*args))  # noqa: PLW0108 (of a class it is no method)
        with wrong, pytest.raises(StoreError, match="othing was sealed and nothing is lost"):
            store.seal(IN_DECEMBER)
        assert (hot_rows(store), store.archive.seals(), day_digests(store)) == (rows, [], days)
        seals = store.seal(IN_DECEMBER)
        assert seals[0].file.endswith("readings-0001.parquet" if cut else "readings-0002.parquet")
        assert day_digests(store) == days
        left = [f for f in store.verify().faults if "without a seal" in f]
        assert len(left) == (0 if cut else 1)  # what somebody else put there is named, and stays


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["memory", "s3"])
def test_an_object_that_was_changed_is_never_read_as_the_record(
    folder: Path, address: Address, kind: str
) -> None:
    keys = address(kind)
    with filled(folder, keys) as store:
        seals = store.seal(IN_DECEMBER)
    place, name = place_of(keys), seals[1].file.removeprefix("archive/")
    assert isinstance(place, ObjectPlace)
    content = place.get(name)
    place._system.pipe_file(place._object(name), content[:-1] + b"?")
    with Store.open(folder) as store:
        with pytest.raises(StoreDamaged, match="is not what was sealed"):
            store.readings.read("P1.temperature", seals[1].from_ns, seals[1].to_ns)
        assert any(seals[1].file in fault for fault in store.verify().faults)
        place.remove(name)
        with pytest.raises(StoreDamaged, match=r"cannot be read: it is missing\. Restore it from a backup"):
            store.readings.read("P1.temperature", seals[1].from_ns, seals[1].to_ns)
        assert any("missing" in fault for fault in store.verify().faults)
        assert len(store.readings.read("P1.temperature", seals[0].from_ns, seals[0].to_ns))


@pytest.mark.slow
def test_while_the_place_is_away_the_newest_readings_go_on(
    folder: Path, address: Address, objects: ObjectStore
) -> None:
    """What is sealed is named as what could not be read; copies of it are read all the same."""
    keys = address("s3")
    with filled(folder, keys) as store:
        first = store.seal(OCTOBER + 3 * DAY)[0]
        with objects.away():
            store.archive.content._fetched.clear()
            with pytest.raises(ArchiveAway, match=r"does not answer"):
                store.readings.read("P1.temperature", first.from_ns, first.to_ns)
            with pytest.raises(ArchiveAway):
                store.seal(IN_DECEMBER)
            store.append("poll", polled(IN_DECEMBER, 1, PROBES))
            assert len(store.readings.read("P1.temperature", OCTOBER, IN_DECEMBER + DAY)) == 119
            assert store.readings.newest_taken(ok=True) == dict.fromkeys(PROBES, IN_DECEMBER)
    with objects.away(), Store.open(folder) as store:  # a start does not need it
        assert store.append("poll", polled(IN_DECEMBER + DAY, 1, PROBES)).count == 2
    with Store.open(folder) as store:
        assert len(store.seal(IN_DECEMBER)) == 2
        assert store.verify().faults == ()


def test_a_share_that_is_away_is_not_taken_for_an_empty_one(folder: Path, address: Address) -> None:
    keys = address("folder")
    with filled(folder, keys) as store:
        seals = store.seal(IN_DECEMBER)
        Path(keys["at"]).rename(folder.parent / "unmounted")
        with pytest.raises(ArchiveAway, match="Mount its share"):
            store.readings.read("P1.temperature", seals[0].from_ns, seals[0].to_ns)
        assert not Path(keys["at"]).exists()


def test_an_empty_folder_where_a_share_was_mounted_is_not_taken_for_the_archive(
    folder: Path, address: Address
) -> None:
    """As `umount` leaves it: nothing is called damaged, and no month is sealed onto the wrong disk."""
    keys = address("folder")
    with filled(folder, keys) as store:
        first = store.seal(OCTOBER + 3 * DAY)[0]
        rows = hot_rows(store)
        Path(keys["at"]).rename(folder.parent / "unmounted")
        Path(keys["at"]).mkdir()
        for work in (
            lambda: store.readings.read("P1.temperature", first.from_ns, first.to_ns),
            lambda: store.seal(IN_DECEMBER),
            store.archive.reach,
        ):
            with pytest.raises(ArchiveAway, match=r"is empty, and sealed files of this record .* Mount its"):
                work()
        assert hot_rows(store) == rows
        assert list(Path(keys["at"]).iterdir()) == []
        result = store.verify()
        assert (result.faults, result.intact) == ((), False)
        Path(keys["at"]).rmdir()
        (folder.parent / "unmounted").rename(keys["at"])
        assert len(store.seal(IN_DECEMBER)) == 2
        assert store.verify().intact


@pytest.mark.slow
def test_a_bucket_that_is_not_there_or_without_rights_is_said_with_what_to_do(
    folder: Path, address: Address, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    keys = address("s3")
    missing = {**keys, "at": "s3://nowhere/hall-3"}
    with (
        filled(folder, missing) as store,
        pytest.raises(ArchiveAway, match=r"no such bucket.*Create it"),
    ):
        store.seal(IN_DECEMBER)
    place = place_of(keys)
    assert isinstance(place, ObjectPlace)
    with patch.object(place._system, "pipe_file", side_effect=PermissionError("Access Denied")):
        (tmp_path / "file").write_bytes(b"1")
        with pytest.raises(ArchiveAway, match="It must be allowed to list"):
            place.put("a", tmp_path / "file")
    for variable in ACCOUNT:
        monkeypatch.delenv(variable)
    monkeypatch.setenv("AWS_EC2_METADATA_DISABLED", "true")
    with pytest.raises(ArchiveAway, match=r"no account for the object store.*environment"):
        place_of(keys).names()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("status", "code", "sentence"),
    [
        (403, "InvalidAccessKeyId", r"no account for the object store.*environment \(AWS_ACCESS_KEY_ID"),
        (403, "SignatureDoesNotMatch", "no account for the object store"),
        (403, "AccessDenied", "refuses this account.*It must be allowed to list"),
        (403, "RequestTimeTooSkewed", "has another time than this machine.*Set the clock"),
        (403, "QuotaExceeded", "answers with a fault, QuotaExceeded.*Look at its disk, its quota"),
        (507, "InsufficientStorage", "answers with a fault, InsufficientStorage.*Look at its disk"),
        (503, "SlowDown", "answers with a fault, SlowDown"),
    ],
)
def test_what_an_object_store_refuses_is_said_as_that(
    folder: Path, address: Address, objects: ObjectStore, status: int, code: str, sentence: str
) -> None:
    """It answered: nobody is sent to look for a network. Codes: API reference of S3, error responses."""
    keys = address("s3")
    with filled(folder, keys) as store, objects.refusing(status, code):
        rows = hot_rows(store)
        with pytest.raises(ArchiveAway, match=sentence) as refusal:
            store.seal(IN_DECEMBER)
        assert ".." not in str(refusal.value)
        assert (hot_rows(store), store.archive.seals()) == (rows, [])


def test_a_library_that_is_not_installed_is_named_with_its_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "fsspec", None)
    with pytest.raises(Refused, match=r"pip install 'stillroom\[group\]'"):
        place_at("s3://measuring/hall-3")


@pytest.mark.parametrize(
    "text",
    ["relative/folder", "nonsense://x", "ftp://x/y", "http://x/y", "zip:///x.zip", "dir:///x", "S3://b/x"],
)
def test_an_address_that_is_none_is_refused_with_what_to_enter(text: str) -> None:
    with pytest.raises(Refused, match="expected an absolute path or an address such as s3://bucket/prefix"):
        place_at(text)


def test_the_memory_of_a_process_is_no_place_for_a_record(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.undo()  # as outside of these tests
    with pytest.raises(Refused, match="memory:// is no object store that can keep sealed files"):
        place_at("memory://hall-3")


def test_a_host_in_a_file_address_is_not_dropped() -> None:
    with pytest.raises(
        Refused, match=r"the whole path, such as file:///mnt/archive, found 'file://mnt/archive'"
    ):
        place_at("file://mnt/archive")
    assert place_at("file:///mnt/archive").address == "/mnt/archive"


def test_a_file_is_called_one_where_a_folder_is_needed(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "sealed").write_text("")
    with filled(folder) as store:
        with pytest.raises(ArchiveAway, match=r"sealed is a file, and a folder is needed\. Name the folder"):
            relocate_archive(store, str(tmp_path / "sealed"), "", "Greta Holm")
        assert archive_table(folder) is None


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--to", ""), "expected a folder, an address such as s3://BUCKET/PREFIX or `embedded`"),
        (("--to", "s3://"), "expected an address such as s3://BUCKET/PREFIX, or an absolute path"),
        (("--to", "file:///"), "expected an address such as s3://BUCKET/PREFIX, or an absolute path"),
        (
            ("--to", "s3://b/x", "--endpoint", "objects"),
            "expected an address such as https://objects.example",
        ),
        (("--to", "s3://b/x", "--endpoint", "http://u:pass1@h"), "without an account"),
        (("--to", "s3://key:pass1@b/x"), "expected an address without an account"),
        (("--to", "{there}", "--endpoint", "http://h"), "--endpoint belongs to an address such as s3://"),
        (("--to", "memory://x"), "memory:// is no object store"),
    ],
)
def test_a_move_to_no_place_is_refused_and_nothing_is_repeated_that_is_secret(
    folder: Path, tmp_path: Path, stillroom: Run, words: tuple[str, ...], sentence: str
) -> None:
    (tmp_path / "there").mkdir()
    if words[-1].startswith("memory"):
        object_place.KINDS.discard("memory")
    filled(folder).close()
    options = [word.format(there=tmp_path / "there") for word in words]
    result = stillroom("store", "archive", "--data", folder, *options)
    assert result.returncode == 2, result.stderr
    assert sentence in result.stderr
    assert "pass1" not in result.stderr
    assert not (folder / "store.toml").exists()


def test_a_backup_holds_what_lies_at_an_address_and_restores_without_it(
    folder: Path, tmp_path: Path, address: Address
) -> None:
    """A site that lost its object store reads from the restored folder alone."""
    keys = address("memory")
    (tmp_path / "backups").mkdir()
    with filled(folder, keys) as store:
        store.seal(IN_DECEMBER)
        days = day_digests(store)
        assert backup(store, tmp_path / "backups", "Greta Holm", IN_DECEMBER).intact
    restore(tmp_path / "backups", tmp_path / "restored", "Greta Holm")
    with Store.open(tmp_path / "restored") as store:
        assert not (tmp_path / "restored" / "store.toml").exists()
        assert day_digests(store) == days


def test_a_room_is_judged_live_while_its_archive_is_away(tmp_path: Path, address: Address) -> None:
    """The newest statement needs no sealed file, also of a service that has just started."""
    keys = address("folder")
    config = load(example_folder())
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        store.setups.put(config.texts, "Greta Holm", "first", "Greta Holm", OCTOBER)
        channels = tuple(sorted(config.setup.channels_in("machine-bay")))
        store.append("poll", polled(OCTOBER, 60, channels))
        store.append("poll", polled(IN_DECEMBER, 60, channels))
        replace_table(store.folder, "archive", keys)
    with Store.open(tmp_path / "data") as store:
        store.seal(IN_DECEMBER + DAY)
        setup = in_force(store.setups.versions()).setup
        LiveVerdicts(Verdicts(store, setup), measures_gains=False).judge(IN_DECEMBER + 3600 * NS)
        Path(keys["at"]).rename(tmp_path / "unmounted")
        store.append("poll", polled(IN_DECEMBER + 3600 * NS, 5, channels))
        now_ns = IN_DECEMBER + 3605 * NS + 300 * NS
        LiveVerdicts(Verdicts(store, setup), measures_gains=False).judge(now_ns)
        statement = json.loads(store.verdict_cache.live()["machine-bay"])
        assert statement["at"].startswith("2026-12-06T01:0")
