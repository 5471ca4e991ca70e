"""Kinds of files and shapes of tables: workbooks, JSON, Parquet, archives; probes beside and below each
other.
"""

from __future__ import annotations

import gzip
import io
import json
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from logger.errors import ImportRefused
from logger.imports import ImportResult
from logger.imports.containers import parts_of
from logger.imports.profile import Column
from logger.instants import NS

Bring = Callable[..., ImportResult]
T0 = int(datetime(2026, 10, 13, 9, tzinfo=UTC).timestamp()) * NS
AT = [datetime(2026, 10, 13, 9, n) for n in range(4)]
FOUR = [(T0 + i * 60 * NS, 20 + i / 100) for i in range(4)]
PLAIN = "time,temperature\n" + "".join(f"2026-10-13T09:0{i}:00Z,20.0{i}\n" for i in range(4))
TWO = (Column("temperature", "P1.temperature", "degC"), Column("humidity", "P1.relative_humidity", "%RH"))


def stored_rows(store: Any, channel: str = "P1.temperature") -> list[tuple[int, float | None]]:
    return [(r.taken_ns, r.value) for r in store.rows if r.channel == channel]


def workbook(
    rows: list[list[Any]], title: str = "Data", epoch: Any = None, more: tuple[str, ...] = ()
) -> bytes:
    book = openpyxl.Workbook()
    if epoch is not None:
        book.epoch = epoch
    sheet = book.active
    sheet.title = title
    for row in rows:
        sheet.append(row)
    for name in more:
        book.create_sheet(name).append(["x", 1])
    built = io.BytesIO()
    book.save(built)
    return built.getvalue()


def open_document(rows: list[list[Any]]) -> bytes:
    document, table = OpenDocumentSpreadsheet(), Table(name="Data")
    for row in rows:
        line = TableRow()
        for value in row:
            if isinstance(value, datetime):
                cell = TableCell(valuetype="date", datevalue=value.isoformat())
            elif isinstance(value, float):
                cell = TableCell(valuetype="float", value=value)
            else:
                cell = TableCell(valuetype="string")
                cell.addElement(P(text=value))
            line.addElement(cell)
        table.addElement(line)
    document.spreadsheet.addElement(table)
    built = io.BytesIO()
    document.write(built)
    return built.getvalue()


ROWS = [[at, 20 + n / 100] for n, at in enumerate(AT)]
HEADED = [["Room East"], ["time", "temperature"], *ROWS]


def zipped(*names: str, **files: str | bytes) -> bytes:
    """A zip of files under their names, `a_csv` for a.csv, and of empty ones besides."""
    built = io.BytesIO()
    with zipfile.ZipFile(built, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name.replace("_csv", ".csv"), content)
        for name in names:
            archive.writestr(name, b"\0\0")
    return built.getvalue()


def arrow(**columns: Any) -> bytes:
    built = io.BytesIO()
    pq.write_table(pa.table(columns), built)
    return built.getvalue()


FLAT = [{"time": f"{at.isoformat()}Z", "temperature": v} for at, v in ROWS]
LISTS = [list(record.values()) for record in FLAT]
RECORDS = [{"time": f"{at.isoformat()}Z", "room": {"temperature": 20 + n / 100}} for n, at in enumerate(AT)]
SENML = [
    {"bn": "urn:dev:", "bt": T0 // NS, "bu": "Cel", "n": "a", "v": 20.00},
    *({"n": "a", "t": 60 * n, "v": 20 + n / 100} for n in range(1, 4)),
    {"n": "b", "u": "%RH", "v": 48.5},
]
IN_UTC = pa.array([at.replace(tzinfo=UTC) for at in AT], pa.timestamp("ms", tz="UTC"))

KINDS: dict[str, tuple[bytes, dict[str, Any]]] = {
    "workbook": (workbook(HEADED), {}),
    "workbook counting from 1904": (workbook(HEADED, epoch=CALENDAR_MAC_1904), {}),
    "one of three sheets": (workbook(HEADED, more=("Notes", "Chart")), {"sheet": "Data"}),
    "open document": (open_document(HEADED), {}),
    "text in a workbook": (
        workbook([["time", "temperature"], *([f"{at:%d.%m.%Y %H:%M}", f"{v:.2f}".replace(".", ",")]
                                             for at, v in ROWS)]),
        {},
    ),
    "gzip": (gzip.compress(PLAIN.encode(), mtime=0), {}),
    "gzip of two members": (
        gzip.compress(PLAIN[:60].encode(), mtime=0) + gzip.compress(PLAIN[60:].encode(), mtime=0),
        {},
    ),
    "zip": (zipped(a_csv=PLAIN), {}),
    "zip with litter": (zipped("__MACOSX/._a.csv", "x/.DS_Store", a_csv=PLAIN), {}),
    "gzip of a workbook": (gzip.compress(workbook(HEADED), mtime=0), {}),
    "zip of two halves": (
        zipped(a_csv=PLAIN[: 17 + 2 * 27], b_csv=PLAIN[:17] + PLAIN[17 + 2 * 27 :]), {}
    ),
    "records": (json.dumps(FLAT).encode(), {}),
    "nested records": (
        json.dumps({"station": 7, "data": RECORDS}).encode(),
        {"columns": (Column("room.temperature", "P1.temperature", "degC"),)},
    ),
    "a record a line": (
        "\n".join(json.dumps(record) for record in FLAT).encode(),
        {},
    ),
    "columns and data": (
        json.dumps({"columns": ["time", "temperature"], "data": LISTS}).encode(),
        {},
    ),
    "lists under names": (
        json.dumps({"time": [r["time"] for r in RECORDS], "temperature": [v for _, v in FOUR]}).encode(), {}
    ),
    "lists of lists": (
        json.dumps([["time", "temperature"], *LISTS]).encode(), {}
    ),
    "SenML": (
        json.dumps(SENML).encode(),
        {
            "form": "epoch_s",
            "columns": (Column("value", "P1.temperature", None, "unit", (), (("name", "urn:dev:a"),)),),
        },
    ),
    "Parquet in UTC": (arrow(time=IN_UTC, temperature=[v for _, v in FOUR]), {"zone": None}),
    "Parquet without zone": (arrow(time=AT, temperature=[v for _, v in FOUR]), {}),
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_file_gives_the_same_readings(bring: Bring, memory: Any, kind: str) -> None:
    content, declared = KINDS[kind]
    store = memory()
    bring(content, store, name="made.bin", **declared)
    assert stored_rows(store) == FOUR


@pytest.mark.slow
@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"%PDF-1.7 whatever", "is a PDF document; expected a table"),
        (b"\x89PNG\r\n\x1a\n", "is a picture"),
        (b"\xef\xbb\xbf\r\n", "an empty file"),
        (zipped(), "holds no file"),
        (gzip.compress(PLAIN.encode(), mtime=0)[:60], "ends too early"),
        (b"\x1f\x8b\x08garbage", "is damaged"),
        (b"PK\x03\x04garbage", "is damaged"),
        (workbook(HEADED, more=("Notes",)), "Which sheet holds the readings: Data, Notes"),
        (workbook([[]]), "without any cell filled"),
        (b'{"time": 1', "is not JSON"),
        (b"[]", "without a list of records"),
        (b'{"time": [1, 2], "temperature": [1]}', "differ in length"),
        (json.dumps([{"n": "a", "t": -5, "v": 1}]).encode(), "from now"),
        (json.dumps([{"n": "a", "t": T0 // NS, "v": 1, "x_": 1}]).encode(), "demands 'x_'"),
        (b"PAR1garbage", "Parquet file cannot be read"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600), "workbook cannot be read"),
        (bytes(range(256)) * 64, "No row holds|not text|cannot be read|is not a row"),
    ],
)
def test_what_is_no_table_is_refused_with_a_sentence(
    bring: Bring, memory: Any, content: bytes, expected: str
) -> None:
    store = memory()
    with pytest.raises(ImportRefused, match=expected):
        bring(content, store, name="made.bin")
    assert store.rows == []


def test_what_unpacks_to_more_than_is_allowed_is_refused() -> None:
    """A megabyte of blanks is a kilobyte packed, in gzip as in zip, whatever size the zip claims."""
    blanks = b" " * (1 << 20)
    for packed in (gzip.compress(blanks, mtime=0), zipped(a_csv=blanks), gzip.compress(zipped(a_csv=blanks))):
        assert len(packed) < 8192
        with pytest.raises(ImportRefused, match="holds more than"):
            parts_of("bomb", packed, most_bytes=1 << 16)


def test_archives_within_archives_come_to_an_end() -> None:
    content = PLAIN.encode()
    for _ in range(5):
        content = zipped(a_csv=content)
    with pytest.raises(ImportRefused, match="archive in an archive, more than"):
        parts_of("nest", content)


def test_a_folder_is_refused(tmp_path: Any, memory: Any, setup: Any, plain: Any) -> None:
    from logger.imports import import_file

    with pytest.raises(ImportRefused, match="is a folder"):
        import_file(tmp_path, plain, memory(), setup, "Greta Holm", 2 * T0)


def two(store: Any) -> tuple[list[Any], list[Any]]:
    return stored_rows(store), stored_rows(store, "P2.temperature")


OTHER = [(at, round(v + 1, 2)) for at, v in FOUR]
BESIDE = (Column("#2", "P1.temperature", "degC"), Column("#4", "P2.temperature", "degC", None, ("#3",)))
BELOW = tuple(Column("t", f"P{n}.temperature", "degC", None, (), (("probe", f"S{n}"),)) for n in (1, 2))
PARTS = tuple(
    Column("temperature", f"P{n}.temperature", "degC", None, (), (("Probe", f"S{n}"),)) for n in (1, 2)
)
LONG = "time;probe;t\n" + "".join(
    f"13.10.2026 09:0{i};S{n};{19 + n},0{i}\n" for i in range(4) for n in (1, 2)
)
STACKED = "".join(
    f"Probe: S{n}\nSerial;4711{n}\n\ntime;temperature\n"
    + "".join(f"13.10.2026 09:0{i};{19 + n},0{i}\n" for i in range(4))
    for n in (1, 2)
)
SIDE = "a,t,b,t\n" + "".join(f"2026-10-13 09:0{i},20.0{i},2026-10-13 09:0{i},21.0{i}\n" for i in range(4))
SHORTER = SIDE + "2026-10-13 09:04,20.04,,\n"
GROUPED = ";P1;;P2\ntime;temperature;;temperature\n" + "".join(
    f"13.10.2026 09:0{i};20,0{i};;21,0{i}\n" for i in range(4)
)
PAIR = (Column("P1 temperature", "P1.temperature", "degC"), Column("#4", "P2.temperature", "degC"))


@pytest.mark.parametrize(
    ("text", "declared"),
    [
        (SIDE, {"time_headings": ("#1",), "columns": BESIDE}),
        (LONG, {"columns": BELOW}),
        (STACKED, {"columns": PARTS, "sections": ("Probe",)}),
        (GROUPED, {"columns": PAIR}),
        (SIDE.partition("\n")[2], {"time_headings": ("#1",), "columns": BESIDE}),
    ],
    ids=["side by side, each with its times", "a probe in each row", "one table below the other",
         "two rows of headings", "no headings at all"],
)  # fmt: skip
def test_several_probes_in_one_file(bring: Bring, memory: Any, text: str, declared: dict[str, Any]) -> None:
    store = memory()
    bring(text, store, **declared)
    assert two(store) == (FOUR, OTHER)


def test_probes_side_by_side_need_not_end_together(bring: Bring, memory: Any) -> None:
    store = memory()
    bring(SHORTER, store, time_headings=("#1",), columns=BESIDE)
    assert [len(some) for some in two(store)] == [5, 4]
    with pytest.raises(ImportRefused, match="Line 6 has a value without its time"):
        bring(SHORTER.replace(",,", ",,21.04"), store, time_headings=("#1",), columns=BESIDE)


def test_probes_that_nobody_asked_for_are_named(bring: Bring, memory: Any) -> None:
    result = bring(LONG, memory(), columns=BELOW[:1])
    assert "left out: 4 rows with probe = 'S2'" in result.assumed
    with pytest.raises(ImportRefused, match=r"No row of the file has probe = 'S1'"):
        bring(LONG.replace("S1", "S9"), memory(), columns=BELOW)


@pytest.mark.parametrize(
    ("name", "text", "declared"),
    [
        ("bay-2026-10-13.csv", "", {"day_in": "file name"}),
        ("20261013.csv", "", {"day_in": "file name"}),
        ("bay.csv", "Day: 13.10.2026\n", {"day_in": "Day"}),
        ("bay.csv", "Day,2026-10-13 (Tuesday)\n", {"day_in": "Day"}),
    ],
)
def test_a_file_of_one_day_may_hold_the_time_of_day_alone(
    bring: Bring, memory: Any, name: str, text: str, declared: dict[str, Any]
) -> None:
    store = memory()
    rows = "time,temperature\n" + "".join(f"09:0{i}:00,20.0{i}\n" for i in range(4)) + "00:00:30,20.04\n"
    bring(text + rows, store, name=name, **declared)
    assert stored_rows(store)[:4] == FOUR
    assert stored_rows(store)[4][0] == T0 + (15 * 3600 + 30) * NS  # past midnight
    if declared["day_in"] == "file name":
        with pytest.raises(ImportRefused, match="holds no date"):
            bring(rows, memory(), name="bay.csv", **declared)


def test_serial_days_of_a_spreadsheet(bring: Bring, memory: Any) -> None:
    """2026-10-13 09:00 is 46308.375 days counted from 1900, 44846.375 from 1904 (openpyxl's own
    conversion).
    """
    from openpyxl.utils.datetime import to_excel

    for form, epoch in (("serial_1900", None), ("serial_1904", CALENDAR_MAC_1904)):
        days = [to_excel(at, epoch) if epoch else to_excel(at) for at in AT]
        store = memory()
        bring(
            "time;temperature\n" + "".join(f"{d!r};{v:.2f}\n" for d, (_, v) in zip(days, FOUR, strict=True)),
            store,
            form=form,
        )
        assert stored_rows(store) == FOUR
