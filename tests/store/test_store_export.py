"""The acceptance of S7: a full export begun anew elsewhere has equal digests; a stranger can read it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from logger.errors import Refused, StoreDamaged
from logger.model import Row
from logger.processes.child_limits import LIMITED
from logger.store import Store
from logger.store.archive.parquet import SCHEMA
from logger.store.exchange import outside
from logger.store.exchange.export import day_digests, export, manifest_digest
from logger.store.exchange.load import is_export, load_export
from tests.command_line import Run

from .conftest import DAY, IN_DECEMBER, NOVEMBER, OCTOBER, polled

PROBES = ("P1.temperature", "P2.temperature")


@pytest.fixture
def filled(store: Store) -> Store:
    """Sealed, late, hot and failed readings of three writers, an original, two setups."""
    store.setups.put({"room.toml": '[room]\nkey = "east"\n'}, "Greta Holm", "first", "Ines Faber", OCTOBER)
    store.append("poll", polled(OCTOBER, 300, PROBES, step_ns=DAY // 10))
    store.seal(IN_DECEMBER)
    store.append("import-x", polled(OCTOBER + 5 * DAY + 7, 40, PROBES))
    store.append(
        "import-y", [Row("P1.temperature", OCTOBER + DAY, NOVEMBER, None, "timeout", raw="?", late=True)]
    )
    store.seal(IN_DECEMBER)
    store.append("poll", polled(NOVEMBER + 40 * DAY, 50, PROBES))
    content = "Zeit;P1\r\n".encode("cp1252")
    store.imports.record(hashlib.sha256(content).hexdigest(), "P1 export.csv", content, {"rows": 1})
    return store


@pytest.mark.slow
def test_an_export_begun_anew_has_equal_digests(filled: Store, tmp_path: Path) -> None:
    export(filled, tmp_path / "out", IN_DECEMBER)

    restored = load_export(tmp_path / "out", tmp_path / "new", "Greta Holm", IN_DECEMBER + 90 * DAY)

    assert is_export(tmp_path / "out")
    assert restored.verification.faults == ()
    with Store.open(tmp_path / "new") as again:
        assert day_digests(again) == day_digests(filled)
        digests = [[version.digest for version in s.setups.versions()] for s in (again, filled)]
        assert digests[0] == digests[1]
        (before,), (after,) = filled.imports.all(), again.imports.all()
        assert (again.folder / after.original).read_bytes() == (filled.folder / before.original).read_bytes()
        head = {"number": filled.journal.head()[0], "sha256": filled.journal.head()[1]}
        assert again.journal.entries(kind="restore")[0].what["head"] == head


def test_a_stranger_reads_all_of_it_with_pandas(filled: Store, tmp_path: Path) -> None:
    """Two lines, as README.txt says; counts and values are those that were stored."""
    result = export(filled, tmp_path / "out", IN_DECEMBER)

    table = pd.read_parquet(tmp_path / "out" / "archive")

    assert len(table) == result.readings == 600 + 80 + 1 + 100
    assert table["value"].isna().sum() == 1
    first = table[(table["channel"] == PROBES[0]) & (table["writer"] == "poll")].sort_values("seq").iloc[3]
    assert (first["value"], first["taken"].isoformat()) == (20.03, "2026-10-01T07:12:00+00:00")
    assert "received_after_ms" in (tmp_path / "out" / "README.txt").read_text("utf-8")


def test_the_chain_can_be_checked_from_the_export_alone(filled: Store, tmp_path: Path) -> None:
    """As README.txt says, with json and hashlib."""
    export(filled, tmp_path / "out", IN_DECEMBER)
    previous = "0" * 64
    for line in (tmp_path / "out" / "journal.jsonl").read_text("utf-8").splitlines():
        entry = json.loads(line)
        kind, who, why = (json.dumps(entry[name], ensure_ascii=False) for name in ("kind", "who", "why"))
        text = (
            f'{{"at_ns":{entry["at_ns"]},"kind":{kind},"number":{entry["number"]},"previous":"{previous}",'
            f'"what":{entry["what"]},"who":{who},"why":{why}}}'
        )
        previous = hashlib.sha256(text.encode()).hexdigest()
        assert previous == entry["sha256"]
    assert previous == filled.journal.head()[1]


def test_an_altered_export_makes_no_record(filled: Store, tmp_path: Path) -> None:
    export(filled, tmp_path / "out", IN_DECEMBER)
    path = next((tmp_path / "out").rglob("*.parquet"))
    path.write_bytes(path.read_bytes()[:-1])

    with pytest.raises(StoreDamaged, match="missing or altered"):
        load_export(tmp_path / "out", tmp_path / "new", "Greta Holm", IN_DECEMBER)

    assert not (tmp_path / "new").exists()


@pytest.mark.slow
def test_nothing_is_written_over(filled: Store, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "mine.txt").write_text("mine")
    with pytest.raises(Refused, match="not an empty folder"):
        export(filled, tmp_path / "out", IN_DECEMBER)
    export(filled, tmp_path / "other", IN_DECEMBER)
    with pytest.raises(Refused, match="nothing was restored"):
        load_export(tmp_path / "other", filled.folder, "Greta Holm", IN_DECEMBER)


@pytest.fixture
def invented(tmp_path: Path) -> Path:
    """An export of a simulated record with a sealed and an unsealed month."""
    with Store.open(tmp_path / "simulated", create=True, simulated=True) as store:
        store.append("poll", polled(OCTOBER, 300, PROBES, step_ns=DAY // 10))
        store.seal(IN_DECEMBER)
        store.append("poll", polled(NOVEMBER + 40 * DAY, 50, PROBES))
        export(store, tmp_path / "out", IN_DECEMBER + 40 * DAY)
    return tmp_path / "out"


@pytest.mark.slow
@pytest.mark.parametrize("cunning", [False, True], ids=["one word", "with its own digest made anew"])
def test_simulated_data_cannot_be_made_real_by_a_word(invented: Path, tmp_path: Path, cunning: bool) -> None:
    """The mark is in the manifest's own digest, in the first entry of the chain, and in each sealed file."""
    path = invented / "export.json"
    manifest = json.loads(path.read_bytes()) | {"simulated": False}
    path.write_text(json.dumps(manifest | ({"sha256": manifest_digest(manifest)} if cunning else {})))

    with pytest.raises(StoreDamaged, match="another kind of room" if cunning else "is altered"):
        load_export(invented, tmp_path / "new", "Greta Holm", IN_DECEMBER + 90 * DAY)

    assert not (tmp_path / "new").exists()


def test_every_archive_file_says_that_it_is_simulated(invented: Path, store: Store) -> None:
    """By a program that knows nothing of us: a pair of the Parquet footer; a real room's file has none."""
    store.append("poll", polled(OCTOBER, 3))
    (real,) = store.seal(IN_DECEMBER)

    result = [pq.read_metadata(path).metadata for path in sorted((invented / "archive").rglob("*.parquet"))]

    assert [pairs[b"stillroom.simulated"] for pairs in result] == [b"true", b"true"]
    assert b"stillroom.simulated" not in (pq.read_metadata(store.folder / real.file).metadata or {})


@pytest.mark.slow
def test_any_changed_word_of_the_manifest_is_found(invented: Path, tmp_path: Path) -> None:
    """Each fact in turn, whatever it is."""
    path = invented / "export.json"
    whole = json.loads(path.read_bytes())
    for name in whole:
        path.write_text(json.dumps(whole | {name: "x" if name == "sha256" else None}))
        with pytest.raises((StoreDamaged, Refused)):
            load_export(invented, tmp_path / "new", "Greta Holm", IN_DECEMBER + 90 * DAY)


def refresh(folder: Path, name: str) -> None:
    """Make the export agree with a file that was put into it: whoever writes it can do that."""
    path = folder / "export.json"
    manifest = json.loads(path.read_bytes())
    manifest["files"][name] = hashlib.sha256((folder / name).read_bytes()).hexdigest()
    path.write_text(json.dumps(manifest | {"sha256": manifest_digest(manifest)}))


def deep_manifest(folder: Path) -> None:
    (folder / "export.json").write_text("[" * 200_000)


def deep_setup(folder: Path) -> None:
    (folder / "setup" / "versions.json").write_text("[" * 400 + "]" * 400)
    refresh(folder, "setup/versions.json")


def deep_imports(folder: Path) -> None:
    (folder / "imports.json").write_text('{"a":' * 100_000 + "1" + "}" * 100_000)
    refresh(folder, "imports.json")


def deep_journal(folder: Path) -> None:
    (folder / "journal.jsonl").write_text("[" * 100_000 + "\n")
    refresh(folder, "journal.jsonl")


def giant_line(folder: Path) -> None:
    """40 MB in one line: as objects twenty times as much."""
    (folder / "journal.jsonl").write_text("[" + "[]," * 13_000_000 + "[]]\n")
    refresh(folder, "journal.jsonl")


def huge_parquet(folder: Path) -> None:
    """Twelve million rows that are all alike, in some 100 kB: more than a gigabyte as columns."""
    n = 1_000_000
    table = pa.Table.from_arrays([_alike(field.type, n) for field in SCHEMA], schema=SCHEMA)
    name = next((folder / "archive").rglob("*.parquet")).relative_to(folder).as_posix()
    with pq.ParquetWriter(folder / name, SCHEMA, compression="zstd") as writer:
        for _ in range(12):
            writer.write_table(table)
    refresh(folder, name)


def _alike(kind: pa.DataType, n: int) -> pa.Array:
    if pa.types.is_dictionary(kind):
        return pa.DictionaryArray.from_arrays(pa.array(np.zeros(n, np.int32)), pa.array(["ok"], pa.string()))
    return pa.array(np.zeros(n, np.int64)).cast(kind)


def no_parquet(folder: Path) -> None:
    path = next((folder / "archive").rglob("*.parquet"))
    path.write_bytes(b"PAR1" + b"\xff" * 5000 + b"PAR1")
    refresh(folder, path.relative_to(folder).as_posix())


@pytest.mark.slow
@pytest.mark.skipif(not LIMITED, reason="this system sets no limits")
@pytest.mark.parametrize(
    ("bomb", "expected"),
    [
        (deep_manifest, "nested deeper than 50 levels"), (deep_setup, "nested deeper than 50 levels"),
        (deep_imports, "nested deeper than 50 levels"), (deep_journal, "nested deeper than 50 levels"),
        (giant_line, "needs more than 300 MiB"), (huge_parquet, "needs more than 300 MiB"),
        (no_parquet, "cannot be read"),
    ],
)  # fmt: skip
def test_an_export_that_asks_for_too_much_is_refused(
    stillroom: Run,
    invented: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    bomb: Callable[[Path], None],
    expected: str,
) -> None:
    """Its digests agree. `restore` ends with 2, names the file, and leaves nothing where it was to go."""
    usual = outside._limits
    monkeypatch.setattr(outside, "_limits", lambda path: replace(usual(path), memory=300 << 20))
    bomb(invented)

    result = stillroom("restore", "--from", invented, "--data", tmp_path / "new", "--who", "Greta Holm")

    assert result.returncode == 2, result.stderr
    assert str(invented) in result.stderr
    assert expected in result.stderr
    assert "Nothing was restored" in result.stderr
    assert "Traceback" not in result.stderr
    assert not (tmp_path / "new").exists()
