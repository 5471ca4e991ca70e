"""The sample files, and whatever says that it is simulated, stay out of the record of a real room."""

from __future__ import annotations

import gzip
import hashlib
import io
import zipfile
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from openpyxl import Workbook

from logger.errors import ImportRefused
from logger.imports import Profile, import_content
from logger.imports.samples import MARK, SAMPLES, is_simulated, refuse_simulated
from logger.model import Setup
from logger.store.archive.parquet import SIMULATED

FOLDER = Path(__file__).parents[2] / "sample_logs"
NAMES = ("machine-bay.csv", "plate-bench.csv", "barometer.txt")


@pytest.mark.parametrize("name", NAMES)
def test_a_sample_is_known_by_its_bytes(name: str) -> None:
    """As they are shipped: a sample that was made anew must be listed anew."""
    content = (FOLDER / name).read_bytes()

    sha256 = hashlib.sha256(content).hexdigest()

    assert is_simulated(sha256, content)
    with pytest.raises(ImportRefused, match="holds invented readings, and this is the record of a real room"):
        refuse_simulated(name, sha256, content, simulated=False)
    refuse_simulated(name, sha256, content, simulated=True)


def test_a_marked_file_is_known_by_its_mark_and_others_are_not() -> None:
    assert len(SAMPLES) == len(NAMES)
    assert is_simulated("", b"# " + MARK + b"\ntime,P1\n")
    refuse_simulated("a.csv", "", b"time,P1\n2026-10-11T22:00:18Z,20.05\n", simulated=False)


def _zipped(content: bytes) -> bytes:
    built = io.BytesIO()
    with zipfile.ZipFile(built, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("inner/a.csv", content)
    return built.getvalue()


def _workbook(rows: list[list[str]]) -> bytes:
    book, built = Workbook(), io.BytesIO()
    for row in rows:
        book.active.append(row)
    book.save(built)
    return built.getvalue()


def _parquet(*, marked: bool) -> bytes:
    """With the key of a month of a simulated record, as it is copied by who takes the table elsewhere."""
    table = pa.table({"time": ["2026-10-13T09:00:00Z"], "temperature": [20.05]})
    built = io.BytesIO()
    pq.write_table(table.replace_schema_metadata({SIMULATED: b"true"} if marked else {}), built)
    return built.getvalue()


ROWS = [["time", "temperature"], ["2026-10-13T09:00:00Z", "20.05"]]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "marked", "honest"),
    [
        ("a.xlsx", _workbook([[f"# {MARK.decode()}"], *ROWS]), _workbook(ROWS)),
        ("a.parquet", _parquet(marked=True), _parquet(marked=False)),
    ],
    ids=["workbook", "Parquet"],
)
def test_the_mark_is_found_in_what_a_table_was_saved_as(
    memory: Any, plain: Profile, setup: Setup, name: str, marked: bytes, honest: bytes
) -> None:
    """A marked file that was saved as a workbook, a month of a simulated record taken by itself."""
    store = memory()
    store.simulated = False
    with pytest.raises(ImportRefused, match="holds invented readings"):
        import_content(name, marked, plain, store, setup, "Greta Holm", 1_900_000_000 * 10**9)
    assert not store.rows
    import_content(name, honest, plain, store, setup, "Greta Holm", 1_900_000_000 * 10**9)
    assert len(store.rows) == 1


@pytest.mark.slow
@pytest.mark.parametrize("packed", [gzip.compress, _zipped, lambda content: gzip.compress(_zipped(content))])
def test_the_mark_is_found_inside_a_packed_file(
    packed: Any, memory: Any, plain: Profile, setup: Setup
) -> None:
    """Packing hides the mark from who looks at the first bytes alone: invented readings stay out all the
    same, tried or imported, and enter the record of a simulated room."""
    rows = b"time,temperature\n2026-10-13T09:00:00Z,20.05\n"
    marked, honest = packed(b"# " + MARK + b"\n" + rows), packed(rows)
    for dry_run in (True, False):
        store = memory()
        store.simulated = False
        with pytest.raises(ImportRefused, match="holds invented readings"):
            import_content(
                "a.csv.gz", marked, plain, store, setup, "Greta Holm", 1_900_000_000 * 10**9, dry_run
            )
        assert not store.rows
    import_content("b.csv.gz", honest, plain, store, setup, "Greta Holm", 1_900_000_000 * 10**9)
    assert len(store.rows) == 1
    store = memory()
    store.simulated = True
    import_content("a.csv.gz", marked, plain, store, setup, "Greta Holm", 1_900_000_000 * 10**9)
    assert len(store.rows) == 1
