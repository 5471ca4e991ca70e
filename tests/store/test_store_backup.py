"""A backup is what it says, survives what happens to shares, and comes back whole."""

from __future__ import annotations

import hashlib
import json
import shutil
import threading
from pathlib import Path

import pytest

from logger.errors import Refused, StoreDamaged, StoreError, StoreInUse
from logger.store import Store, lock
from logger.store.backup.backup import LOCK, backup, required_files
from logger.store.backup.catalogue import MANIFEST, MARKER, REPORT, generations, heads
from logger.store.backup.compare import verify_record
from logger.store.backup.restore import restore, try_restore
from logger.store.backup.scrub import PARTS, scrub
from logger.store.hot.database import FILE, RESTORING

from .conftest import DAY, IN_DECEMBER, NOVEMBER, OCTOBER, edit, polled

WHO = "Greta Holm"
AT = IN_DECEMBER


@pytest.fixture
def target(tmp_path: Path) -> Path:
    folder = tmp_path / "share"
    folder.mkdir()
    return folder


@pytest.fixture
def filled(store: Store) -> Store:
    """Sealed months, hot rows, an original."""
    store.append("poll", polled(OCTOBER, 200, ("P1.temperature", "P2.temperature")))
    store.seal(IN_DECEMBER)
    store.append("poll", polled(NOVEMBER, 50))
    content = b"time;value\n"
    store.imports.record(hashlib.sha256(content).hexdigest(), "P1.csv", content, {"rows": 1})
    return store


def everything(folder: Path) -> dict[str, bytes]:
    files = [path for path in folder.rglob("*") if path.is_file() and path.suffix in {".parquet", ".csv"}]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}


def test_what_is_restored_is_the_record(filled: Store, target: Path, tmp_path: Path) -> None:
    """Loss of the data folder: every reading, file and entry up to the backup is back, and proven."""
    report = backup(filled, target, WHO, AT)

    restored = restore(target, tmp_path / "new", WHO)

    assert report.intact
    assert restored.verification.intact
    assert (restored.newest_ns, restored.at_ns) == (polled(NOVEMBER, 50)[-1].taken_ns, AT)
    assert everything(tmp_path / "new") == everything(filled.folder)
    with Store.open(tmp_path / "new") as again:
        before, after = (store.readings.read("P1.temperature", 0, AT) for store in (filled, again))
        assert before.value.tolist() == after.value.tolist()
        assert again.verify([report.head]).intact
        assert again.journal.entries(kind="restore")[0].what["backup"] == report.backup


def test_every_file_has_the_digest_of_the_manifest(filled: Store, target: Path) -> None:
    """Checked with hashlib alone, as a stranger would."""
    backup(filled, target, WHO, AT)
    (generation,) = generations(target)
    manifest = json.loads((generation.folder / "manifest.json").read_bytes())

    digests = {entry["sha256"] for entry in manifest["files"].values()}
    result = {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in (target / "files").glob("*/*")
    }

    assert set(result) == set(result.values()) == digests
    assert (
        hashlib.sha256((generation.folder / FILE).read_bytes()).hexdigest() == manifest["database"]["sha256"]
    )
    assert set(manifest["files"]) == set(required_files(filled))


def test_a_second_backup_copies_only_what_is_new(filled: Store, target: Path) -> None:
    """Sealed files never change: they are there once for all backups."""
    first = backup(filled, target, WHO, AT)
    second = backup(filled, target, WHO, AT + DAY)
    filled.seal(IN_DECEMBER + 40 * DAY)
    third = backup(filled, target, WHO, AT + 2 * DAY)

    assert [(item.files, item.copied) for item in (first, second, third)] == [(2, 2), (2, 0), (3, 1)]


def test_a_backup_is_journalled_with_its_head_and_outcome(filled: Store, target: Path) -> None:
    """The next verification can be held against it."""
    report = backup(filled, target, WHO, AT)

    (entry,) = filled.journal.entries(kind="backup")

    assert (entry.who, entry.what["intact"], entry.what["folder"]) == (WHO, True, str(target))
    assert entry.what["head"] == {"number": report.head[0], "sha256": report.head[1]}
    assert heads(target) == [report.head]


@pytest.mark.slow
def test_a_snapshot_is_consistent_while_others_write(filled: Store, target: Path) -> None:
    """Batches go on being committed by another thread; each backup is intact in itself."""
    going = threading.Event()

    def write() -> None:
        with Store.open(filled.folder) as other:
            at = 0
            while not going.is_set():
                at += 1
                other.append("bus", polled(NOVEMBER + at * DAY, 20))

    writer = threading.Thread(target=write)
    writer.start()
    reports = [backup(filled, target, WHO, AT + at * DAY) for at in range(3)]
    going.set()
    writer.join()

    assert all(report.intact for report in reports)
    assert reports[0].readings < reports[-1].readings


def test_so_many_good_ones_are_kept_and_the_files_they_need(filled: Store, target: Path) -> None:
    """Older ones go, with the files that only they had."""
    for at in range(5):
        report = backup(filled, target, WHO, AT + at * DAY, keep=2)

    assert [generation.number for generation in generations(target)] == [4, 5]
    assert report.removed == ("000003-20261208T000000Z",)
    assert restore(target, target.with_name("new"), WHO).verification.intact


def test_a_broken_record_never_pushes_out_a_good_backup(filled: Store, target: Path, folder: Path) -> None:
    """The newest good one stays however many follow that are not."""
    good = backup(filled, target, WHO, AT, keep=1)
    filled.close()
    edit(folder, "UPDATE reading SET value = value + 0.01 WHERE seq = 410")
    with Store.open(folder) as harmed:
        reports = [backup(harmed, target, WHO, AT + at * DAY, keep=1) for at in (1, 2)]

    assert not any(report.intact for report in reports)
    assert "batch" in reports[0].faults[0]
    assert generations(target)[0].name == good.backup
    assert restore(target, target.with_name("new"), WHO).generation == good.backup


def test_an_altered_sealed_file_does_not_reach_the_backup(filled: Store, target: Path) -> None:
    """What the seal says is wanted, not what stands in the folder."""
    path = filled.folder / filled.archive.seals()[0].file
    pristine = path.read_bytes()
    path.write_bytes(pristine[:-1] + b"x")

    report = backup(filled, target, WHO, AT)
    path.write_bytes(pristine)
    again = backup(filled, target, WHO, AT + DAY)

    assert any("altered; it is not in this backup" in fault for fault in report.faults)
    assert again.intact


def test_a_file_that_rots_on_the_share_is_found_and_copied_again(filled: Store, target: Path) -> None:
    """The backup that meets it says so; the next one is whole."""
    backup(filled, target, WHO, AT)
    rotten = max((target / "files").glob("*/*"), key=lambda path: path.stat().st_size)
    rotten.write_bytes(b"x" + rotten.read_bytes()[1:])

    report = backup(filled, target, WHO, AT + DAY)
    healed = backup(filled, target, WHO, AT + 2 * DAY)

    assert any("altered in the backup" in fault for fault in report.faults)
    assert (healed.intact, healed.copied) == (True, 1)


def test_an_interrupted_backup_is_never_taken_for_a_whole_one(filled: Store, target: Path) -> None:
    """Without its manifest it does not count, and the next backup clears it away."""
    backup(filled, target, WHO, AT)
    torn = target / "000002-20261207T000000Z"
    torn.mkdir()
    (torn / FILE).write_bytes(b"half")

    assert [generation.number for generation in generations(target)] == [1]
    report = backup(filled, target, WHO, AT + DAY)
    assert report.backup.startswith("000002-")
    assert report.intact


def test_a_target_that_is_away_is_no_crash_and_no_new_folder(filled: Store, target: Path) -> None:
    """A share that is not mounted: neither made nor mistaken for an empty disk."""
    with pytest.raises(Refused, match=r"There is no folder .*Mount the share"):
        backup(filled, target / "away", WHO, AT)
    backup(filled, target, WHO, AT)
    shutil.rmtree(target)
    target.mkdir()

    with pytest.raises(StoreError, match="may not be mounted"):
        backup(filled, target, WHO, AT + DAY)

    assert list(target.iterdir()) == []
    assert backup(filled, target, WHO, AT + DAY, anew=True).intact


def test_backups_of_two_records_are_never_mixed(filled: Store, target: Path, tmp_path: Path) -> None:
    """A folder belongs to one record; the data folder itself is no place for a backup."""
    backup(filled, target, WHO, AT)
    refusal = pytest.raises(Refused, match="backups of another record")
    with Store.open(tmp_path / "other", create=True) as other, refusal:
        backup(other, target, WHO, AT)
    (filled.folder / "inside").mkdir()
    with pytest.raises(Refused, match="inside the data folder"):
        backup(filled, filled.folder / "inside", WHO, AT)
    with pytest.raises(Refused, match="1 or more"):
        backup(filled, target, WHO, AT, keep=0)


def test_one_backup_at_a_time(filled: Store, target: Path) -> None:
    with lock.try_lock(filled.folder / LOCK), pytest.raises(StoreInUse, match="Another backup"):
        backup(filled, target, WHO, AT)


def test_nothing_is_ever_restored_over_anything(filled: Store, target: Path, tmp_path: Path) -> None:
    """An occupied folder is left as it is."""
    backup(filled, target, WHO, AT)
    before = everything(filled.folder)

    with pytest.raises(Refused, match="is not empty; nothing was restored"):
        restore(target, filled.folder, WHO)
    (tmp_path / "file").write_text("mine")
    with pytest.raises(Refused, match="is a file"):
        restore(target, tmp_path / "file", WHO)
    with pytest.raises(Refused, match="not a backup folder"):
        restore(tmp_path, tmp_path / "new", WHO)

    assert everything(filled.folder) == before


def test_half_a_restore_is_no_record_and_can_be_repeated(filled: Store, target: Path, tmp_path: Path) -> None:
    """A service that begins on it is refused; a second restore finishes."""
    backup(filled, target, WHO, AT)
    lost = max((target / "files").glob("*/*"), key=lambda path: path.stat().st_size)
    aside = lost.rename(tmp_path / "aside")
    with pytest.raises(StoreDamaged, match="missing from the backup"):
        restore(target, tmp_path / "new", WHO)

    with pytest.raises(StoreError, match=r"restore into .* was interrupted"):
        Store.open(tmp_path / "new", create=True)
    aside.rename(lost)
    assert restore(target, tmp_path / "new", WHO).verification.intact
    assert not (tmp_path / "new" / RESTORING).exists()


def test_a_changed_manifest_is_not_believed(filled: Store, target: Path, tmp_path: Path) -> None:
    """The report holds the digest of the manifest it speaks of, and names never lead out of the folder."""
    backup(filled, target, WHO, AT)
    (generation,) = generations(target)
    path = generation.folder / "manifest.json"
    manifest = json.loads(path.read_bytes())
    manifest["files"] = {"../../escaped": next(iter(manifest["files"].values()))}
    path.write_text(json.dumps(manifest))

    with pytest.raises(StoreError, match="restored and found intact"):
        restore(target, tmp_path / "new", WHO)
    (generation.folder / "report.json").unlink()
    with pytest.raises(StoreError, match="leads out of"):
        restore(target, tmp_path / "new", WHO, "1")


def test_a_restore_test_is_an_act_of_the_record_that_was_tested(
    filled: Store, target: Path, tmp_path: Path
) -> None:
    backup(filled, target, WHO, AT)

    try_restore(target, tmp_path / "scratch", filled.folder, WHO)

    (entry,) = filled.journal.entries(kind="restore-test")
    assert (entry.who, entry.what["intact"], entry.what["readings"]) == (WHO, True, 450)


def flipped(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(bytes(content))


@pytest.mark.slow
@pytest.mark.parametrize("what", ["file", "database", "manifest"])
def test_a_flipped_byte_of_any_backup_is_found_by_reading_it(filled: Store, target: Path, what: str) -> None:
    """Every file of every backup, not only of the newest; and the backup that it is in is named."""
    first = backup(filled, target, WHO, AT)
    backup(filled, target, WHO, AT + DAY)
    assert scrub(target).faults == {}
    generation = generations(target)[0]
    shared = max((target / "files").glob("*/*"), key=lambda path: path.stat().st_size)
    flipped(
        {"file": shared, "database": generation.database, "manifest": generation.folder / "manifest.json"}[
            what
        ]
    )

    report = scrub(target)

    assert first.backup in report.faults
    assert bool(report.damaged) == (what == "file")
    assert verify_record(filled, (), target).faults


def test_a_week_of_parts_reads_every_file_once(filled: Store, target: Path) -> None:
    for at in range(3):
        backup(filled, target, WHO, AT + at * DAY)

    whole, parts = scrub(target), [scrub(target, part) for part in range(PARTS)]

    assert (sum(p.files for p in parts), sum(p.size_bytes for p in parts)) == (whole.files, whole.size_bytes)
    assert whole.files == 3 + 2  # a database each; one sealed file and one original


def broken_forms(manifest: bytes) -> dict[str, bytes]:
    """A manifest as a foe or a torn share leaves it: each fact in another form, and what is no JSON."""
    facts = json.loads(manifest)
    odd = (
        [],
        {},
        None,
        "x",
        -1,
        10**40,
        {"number": "x", "sha256": 5},
        {"../../../etc/passwd": {"sha256": "x"}},
    )
    forms = {f"{key} {value!r:.20}": facts | {key: value} for key in facts for value in odd}
    item = {name: json.dumps(form).encode() for name, form in forms.items()}
    item |= {"deep": b"[" * 200_000, "half": manifest[:100], "half a sign": b'{"at_ns": "\\ud800"}'}
    return item | {
        "no text": b"\xff\xfe\x00",
        "a long number": b"1" * 10_000,
        "a list": b"[]",
        "nothing": b"",
    }


def test_what_stands_in_a_folder_of_backups_is_no_command(
    filled: Store, target: Path, tmp_path: Path
) -> None:
    """A sentence or a backup that counts as unreadable, whatever the files say; the sound one is used."""
    backup(filled, target, WHO, AT)
    backup(filled, target, WHO, AT + DAY)
    first, second = (generation.folder for generation in generations(target))
    whole = (second / MANIFEST).read_bytes()
    for name, content in broken_forms(whole).items():
        for file in (second / MANIFEST, second / REPORT):
            before = file.read_bytes()
            file.write_bytes(content)
            present = generations(target)
            assert present[0].name == first.name, name
            for generation in present:  # nothing that is listed raises
                assert generation.good is False or (
                    generation.at_ns and generation.head and isinstance(generation.files, dict)
                ), name
            assert heads(target)
            file.write_bytes(before)
    (second / MANIFEST).write_bytes(b"[" * 200_000)
    assert scrub(target).faults.keys() <= {first.name, second.name}
    assert restore(target, tmp_path / "back", WHO).generation == first.name
    (target / MARKER).write_bytes(b"[" * 200_000)
    with pytest.raises(StoreError, match="nobody knows whose backups these are"):
        backup(filled, target, WHO, AT + 2 * DAY)
    with pytest.raises(Refused, match="is not a backup folder"):
        restore(target, tmp_path / "again", WHO)
