"""Files as they come: marked headings, line breaks in cells, bad lines, serial dates, gaps in plain units."""

from __future__ import annotations

import io
import json
import zipfile
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from logger.cli.imports import _leave_out_hint
from logger.cli.program import program_for
from logger.errors import ImportRefused
from logger.imports import Profile
from logger.imports.describing import describe
from logger.imports.importer import checked
from logger.imports.preview import lines_of, preview_of
from logger.imports.profile import Column
from logger.imports.reading import read_content
from logger.model import Setup
from logger.store import Store

BOTH = (Column("temperature", "P1.temperature", "degC"), Column("humidity", "P1.relative_humidity", "%RH"))
STAMPS = [f"2026-10-13 09:{m:02d}:00" for m in range(0, 50, 10)]


def values(series: Any) -> dict[str, list[float]]:
    return {s.channel.key: s.value.tolist() for s in series}


@pytest.mark.parametrize("sign", ["\t", ";", ",", " "])
@pytest.mark.parametrize("short", [False, True])
def test_a_marked_row_of_headings_pairs_each_heading_with_its_own_column(
    setup: Setup, sign: str, short: bool
) -> None:
    """`# time temperature humidity` above rows of three cells: the mark is no column, neither for a profile
    (with `short_rows`, too) nor for the draft of one.
    """
    stamp = (lambda t: t.replace(" ", "T")) if sign == " " else str
    text = sign.join(["#", "time", "temperature", "humidity"]) + "\n"
    text += "".join(sign.join([stamp(t), f"20.{n}5", f"4{n}.5"]) + "\n" for n, t in enumerate(STAMPS))
    profile = Profile("p", ("time",), BOTH, zone="UTC", short_rows=short)
    result = values(read_content("a.txt", text.encode(), profile, setup).series)
    assert result["P1.temperature"] == [20.05, 20.15, 20.25, 20.35, 20.45]
    assert result["P1.relative_humidity"] == [40.5, 41.5, 42.5, 43.5, 44.5]
    built = describe("a.txt", text.encode(), setup)
    assert built.profile.time_headings == ("time",)
    assert [(c.heading, c.example) for c in built.columns] == [("temperature", "20.05"), ("humidity", "40.5")]


def test_a_column_that_is_named_by_the_mark_stays_one(setup: Setup) -> None:
    """`#,time,temperature` above rows of three cells: a column of row numbers."""
    text = "#,time,temperature\n" + "".join(f"{n},{t},20.{n}5\n" for n, t in enumerate(STAMPS, 1))
    profile = Profile("p", ("time",), BOTH[:1], zone="UTC")
    result = values(read_content("a.csv", text.encode(), profile, setup).series)
    assert result["P1.temperature"] == [20.15, 20.25, 20.35, 20.45, 20.55]


def test_line_breaks_in_quoted_cells_are_read(setup: Setup) -> None:
    """A remark of several lines belongs to its row (RFC 4180, 2.6)."""
    text = 'time,temperature,"re\nmark"\n'
    text += f'{STAMPS[0]},20.05,"door open,\nsee 2 notes\nof the shift"\n{STAMPS[1]},20.15,""\n'
    text += f'{STAMPS[2]},20.25,"a ""quoted"" word\r\nand a line"\n'
    profile = Profile("p", ("time",), BOTH[:1], zone="UTC")
    reading = read_content("a.csv", text.encode(), profile, setup)
    assert values(reading.series)["P1.temperature"] == [20.05, 20.15, 20.25]


@pytest.mark.parametrize("closed", ["", '"'])
def test_a_mark_that_swallows_rows_is_still_refused(setup: Setup, closed: str) -> None:
    """Rows inside of a cell are no remark, whether the mark is closed in the end or never."""
    text = (
        f'time,temperature,remark\n{STAMPS[0]},20.05,"door\n{STAMPS[1]},20.15,\n{STAMPS[2]},20.25,{closed}\n'
    )
    profile = Profile("p", ("time",), BOTH[:1], zone="UTC")
    with pytest.raises(ImportRefused, match="quotation mark"):
        read_content("a.csv", text.encode(), profile, setup)


def test_three_decimals_are_no_question_where_commas_separate_columns(setup: Setup) -> None:
    """`20.345` in a file with commas between columns: a decimal comma would have to stand in quotes."""
    text = "time,temperature\n" + "".join(f"{t},20.34{n}\n" for n, t in enumerate(STAMPS))
    profile = Profile("p", ("time",), BOTH[:1], zone="UTC")
    result = values(read_content("a.csv", text.encode(), profile, setup).series)
    assert result["P1.temperature"] == [20.340, 20.341, 20.342, 20.343, 20.344]
    for question in (text.replace(",", ";"), text.replace("20.340", '"20,340"')):
        with pytest.raises(ImportRefused, match="decimal comma or point"):
            read_content("a.csv", question.encode(), profile, setup)


def test_serial_dates_are_named_with_what_they_would_mean(setup: Setup) -> None:
    """46308.375 is 2026-10-13 09:00 in a workbook that counts from 1900 (ECMA-376, part 1, 18.17.4.1;
    day 25569 is 1970-01-01).
    """
    text = "time;temperature\n" + "".join(f"{46308 + n / 8};20.5{n}\n" for n in range(1, 8))
    built = describe("a.csv", text.encode(), setup)
    assert built.profile.form == "serial_1900"
    assert any("2026-10-13 03:00" in question for question in built.questions), built.questions
    profile = Profile("p", ("time",), BOTH[:1], zone="UTC")
    with pytest.raises(ImportRefused, match='form = "serial_1900"'):
        read_content("a.csv", text.encode(), profile, setup)


def test_gaps_are_told_in_plain_units(setup: Setup) -> None:
    text = "time,temperature\n" + "".join(f"{t},20.5\n" for t in STAMPS) + "2026-10-29 03:25:00,20.5\n"
    profile = Profile("p", ("time",), BOTH[:1], zone="UTC")
    output = "\n".join(lines_of(preview_of(read_content("a.csv", text.encode(), profile, setup))))
    assert "gap of 15 d 17 h from" in output
    assert "every 10 min" in output


def test_pressures_are_told_in_the_unit_of_the_channel(setup: Setup) -> None:
    """A column in Pa for a channel in hPa: 101325 Pa are 1013.25 hPa."""
    channel = next(c for c in setup.channels.values() if c.quantity == "air_pressure" or c.unit == "hPa")
    text = "time,p (Pa)\n" + "".join(f"{t},10132{n}.0\n" for n, t in enumerate(STAMPS, 1))
    profile = Profile("p", ("time",), (Column("p (Pa)", channel.key),), zone="UTC")
    output = "\n".join(lines_of(preview_of(read_content("a.csv", text.encode(), profile, setup))))
    assert f"1013.21 to 1013.25 {channel.unit}" in output


CONFIGURED = "time,P1 temperature,P1 humidity,P2 temperature,P2 humidity,P3 temperature,P3 humidity\n"


@pytest.mark.slow
def test_bad_lines_are_left_out_by_name_and_on_record(tmp_path: Path) -> None:
    """One damaged stamp: the refusal says how to go on without the line; the import, its answer and the
    journal hold number and text of each line left out; the original is kept as it came.
    """
    rows = [f"2026-10-13T09:{m:02d}:00Z,20.05,48.1,20.1,48.2,20.2,48.3\n" for m in range(4)]
    rows[1] = "2026-1#-13T09:01:00Z,20.05,48.1,20.1,48.2,20.2,48.3\n"
    path = tmp_path / "machine-bay 1.csv"
    path.write_text(CONFIGURED + "".join(rows))
    base = [
        "import",
        str(path),
        "--data",
        str(tmp_path / "data"),
        "--config",
        "config",
        "--who",
        "Greta Holm",
    ]
    refused = CliRunner().invoke(program_for(base), base)
    assert refused.exit_code != 0
    assert "--leave-out 3" in str(refused.exception)
    outcome = CliRunner().invoke(program_for(base), [*base, "--leave-out", "3", "--json"])
    assert outcome.exit_code == 0, outcome.output
    (output,) = json.loads(outcome.stdout)
    assert output["rows"] == 3
    assert output["left_out"] == [{"line": 3, "text": rows[1].strip().replace(",", " | ")}]
    with Store.open(tmp_path / "data") as store:
        (entry,) = store.journal.entries(kind="import")
        assert entry.what["summary"]["left_out"] == output["left_out"]
        (remaining,) = store.imports.all()
        assert (store.folder / remaining.original).read_bytes() == path.read_bytes()


@pytest.mark.parametrize(
    ("row", "bad_line"),
    [
        ("2026-1#-13 09:10:00,20.15", 3),
        ("2026-10-32 09:10:00,20.15", 3),
        ("2026-10-13 09:61:00,20.15", 3),
        ("2026-10-13 09:10:00,20.1x", 3),
        ("2026-10-13 09:10:00,20.15,7", 3),
        ("2026-10-13 09:10:00", 3),
        ("2026-10-13 09:10:00,1e400", 3),
        ("2126-10-13T09:10:00Z,20.15", None),  # another form of time: which line is damaged?
        ("1826-10-13 09:10:00,20.15", 3),
    ],
)
def test_a_refusal_names_the_one_line_that_cannot_be_read(
    setup: Setup, row: str, bad_line: int | None
) -> None:
    """As a field, which the child process hands on; the command says by it how to go on without the line."""
    text = f"time,temperature\n{STAMPS[0]},20.05\n{row}\n{STAMPS[2]},20.25\n".encode()
    profile = Profile("p", ("time",), BOTH[:1], zone="UTC")
    with pytest.raises(ImportRefused) as refused:
        checked("a.csv", text, profile, setup, now_ns=2**62)
    assert refused.value.bad_line == bad_line
    with pytest.raises(ImportRefused) as hinted, _leave_out_hint():
        raise refused.value
    assert (f"--leave-out {bad_line}." in str(hinted.value)) is (bad_line is not None)


def test_a_file_that_counts_days_is_not_read_without_its_first_line(setup: Setup) -> None:
    """Each of its lines is like that one: the profile is what is to be changed."""
    with pytest.raises(ImportRefused, match="serial_1900") as refused:
        read_content(
            "a.csv", b"time;temperature\n46308.1;20.5\n", Profile("p", ("time",), BOTH[:1], zone="UTC"), setup
        )
    assert refused.value.bad_line is None


@pytest.mark.parametrize(("count", "bad_line"), [(1, 3), (2, None)])
def test_a_line_in_an_archive_is_named_where_it_can_be_left_out(
    setup: Setup, count: int, bad_line: int | None
) -> None:
    text = f"time,temperature\n{STAMPS[0]},20.05\n{STAMPS[1]},bad\n"
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for n in range(count):
            archive.writestr(f"{n}.csv", text)
    profile = Profile("p", ("time",), BOTH[:1], zone="UTC")
    with pytest.raises(ImportRefused, match="Line 3") as refused:
        read_content("a.zip", packed.getvalue(), profile, setup)
    assert refused.value.bad_line == bad_line


@pytest.mark.parametrize("others", [["--describe"], ["--draft", "new"], ["--watch", "."], ["config"]])
def test_lines_of_what_is_not_one_file_are_not_left_out_unsaid(others: list[str]) -> None:
    """`--leave-out` beside an option or a folder, for which it would do nothing."""
    files = [] if "--watch" in others else ["README.md"]
    base = ["import", *files, *others, "--leave-out", "3"]
    refused = CliRunner().invoke(program_for(base), base)
    assert "names lines of one file" in str(refused.exception)


@pytest.mark.parametrize("lines", ["0", "5-3", "x", "1-1000000", "99"])
def test_lines_that_are_none_are_refused(tmp_path: Path, lines: str) -> None:
    path = tmp_path / "machine-bay 1.csv"
    path.write_text(CONFIGURED + "2026-10-13T09:00:00Z,20.05,48.1,20.1,48.2,20.2,48.3\n")
    base = [
        "import",
        str(path),
        "--data",
        str(tmp_path / "data"),
        "--config",
        "config",
        "--who",
        "Greta Holm",
    ]
    refused = CliRunner().invoke(program_for(base), [*base, "--leave-out", lines])
    assert refused.exit_code != 0
    assert not (tmp_path / "data").exists()
