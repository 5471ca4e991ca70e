"""Odd files: what is no file, dates by the week, digits and decimal signs of other scripts, endless cells."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from logger.cli.program import program_for
from logger.errors import ImportRefused
from logger.imports import Profile, import_file
from logger.imports.describing import describe
from logger.imports.outside import reading_of
from logger.model import Setup
from logger.store import Store

from .conftest import NOW_NS, Bring

HEAD = "time,temperature\n"
FIRST, SECOND = "2026-10-13 09:00:00", "2026-10-13 09:01:00"


@pytest.mark.skipif(sys.platform == "win32", reason="no named pipes in folders there")
def test_a_pipe_or_a_device_is_no_file(tmp_path: Path, memory: Any, setup: Setup, plain: Profile) -> None:
    """It may never end, and a second look at it finds nothing: refused before it is opened."""
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    store = memory()
    for path in (pipe, Path("/dev/zero")):
        with pytest.raises(ImportRefused, match="expected a file, found a pipe or a device"):
            import_file(path, plain, store, setup, "Greta Holm", NOW_NS)
    assert store.rows == []


@pytest.mark.slow
def test_a_folder_without_a_file_is_said_to_have_none(tmp_path: Path) -> None:
    folder = tmp_path / "exports"
    folder.mkdir()
    CliRunner().invoke(program_for(["config"]), ["config", "export", "--out", str(tmp_path / "config")])
    words = ["import", str(folder), "--config", str(tmp_path / "config"), "--data", str(tmp_path / "data")]
    refused = CliRunner().invoke(program_for(words), words)
    assert f"{folder} has no file in it" in str(refused.exception)


def test_an_arabic_decimal_sign_is_a_comma(bring: Bring, memory: Any) -> None:
    """U+066B is the decimal separator of Arabic scripts, beside their digits (Unicode 15)."""
    store = memory()
    digits = {ord("0") + n: 0x660 + n for n in range(10)} | {ord("."): 0x66B}
    written = [text.translate(digits) for text in ("20.01", "20.02")]
    result = bring(HEAD + f"{FIRST},{written[0]}\n{SECOND},{written[1]}\n", store)
    assert [row.value for row in store.rows] == [20.01, 20.02]
    assert "the decimal sign is a comma, proven by the whole file" in result.assumed


@pytest.mark.parametrize(
    "cells", [["\u22122.01", "\u22122.02"], ["\u0662\u066b\u0660", "\u0663\u066b\u0661"]]
)
def test_a_draft_of_a_profile_knows_numbers_of_other_scripts(setup: Setup, cells: list[str]) -> None:
    """A long minus sign, and a decimal sign of Arabic scripts: no column of such values is passed over."""
    text = f"{HEAD}{FIRST},{cells[0]}\n{SECOND},{cells[1]}\n"
    columns = describe("a.csv", text.encode(), setup).profile.columns
    assert [column.heading for column in columns] == ["temperature"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (HEAD + "2026-W42-2 09:00:00,20.01\n", "It names a week of the year; export the file again"),
        (HEAD + "2026W422 09:00:00,20.01\n", "It names a week of the year; export the file again"),
        (HEAD + "2026-286 09:00:00,20.01\n", "It counts the days of the year; export the file again"),
        (HEAD + f"{FIRST},{'a' * 200_000}\n", "a cell of it has more than 131,072 characters"),
        (HEAD + f"{FIRST}+02:00,20.01\n{SECOND},20.02\n", "export the file again with one of the two"),
        ("[" * 100_000 + "]" * 100_000, "nests lists and objects too deeply; expected a table"),
        (bytes(range(1, 256)) * 64, "If it is text, set `encoding`|No row holds|is not a row"),
        (b"PAR1" + bytes(100) + b"PAR1", r"cannot be read: [^.]*[^.]\. Copy it again"),
    ],
    ids=["week", "week, close", "day of the year", "long cell", "offset here and there", "deep", "binary",
         "no Parquet"],
)  # fmt: skip
def test_what_cannot_be_read_says_what_to_do_instead(
    bring: Bring, memory: Any, text: str | bytes, expected: str
) -> None:
    store = memory()
    with pytest.raises(ImportRefused, match=expected):
        bring(text, store)
    assert store.rows == []


@pytest.mark.slow
def test_one_file_for_a_record_that_is_there_is_read_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Only several files need a trial of all, so that none is stored where the last is refused."""
    base = ["--config", str(tmp_path / "config"), "--data", str(tmp_path / "data"), "--profile", "p.toml"]
    monkeypatch.chdir(tmp_path)
    Path("p.toml").write_text(
        'name = "p"\n[time]\nheadings = ["time"]\nzone = "UTC"\n\n'
        '[[columns]]\nheading = "temperature"\nchannel = "P1.temperature"\nunit = "degC"\n'
    )
    for n, name in enumerate(["a.csv", "b.csv", "c.csv"]):
        Path(name).write_text(f"{HEAD}2026-10-13 09:{n}0:00,20.0{n + 1}\n")
    Path("bad.csv").write_text(f"{HEAD}2026-10-13 09:60:00,20.05\n{FIRST},20.06\n")
    reads: list[str] = []

    def counted(name: str, *rest: Any) -> Any:
        reads.append(name)
        return reading_of(name, *rest)

    monkeypatch.setattr("logger.imports.importer.reading_of", counted)

    def run(*words: str) -> str:
        return str(CliRunner().invoke(program_for([*words]), [*words]).exception)

    run("config", "export", "--out", "config")
    run("import", "a.csv", *base)
    assert reads == ["a.csv"] * 2  # the first time as a trial: a refusal begins no record
    reads.clear()
    run("import", "b.csv", *base)
    assert reads == ["b.csv"]
    assert "--leave-out 2" in run("import", "bad.csv", *base)
    run("import", "c.csv", "bad.csv", *base)
    with Store.open(tmp_path / "data", read_only=True) as store:
        assert [file.name for file in store.imports.all()] == ["a.csv", "b.csv"]


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="an administrator may read everything")
@pytest.mark.parametrize("closed", ["file", "folder"])
def test_what_this_account_may_not_read_is_named_with_the_way_out(
    tmp_path: Path, memory: Any, setup: Setup, plain: Profile, closed: str
) -> None:
    path = tmp_path / "exports" / "a.csv"
    path.parent.mkdir()
    path.write_text(HEAD + f"{FIRST},20.01\n")
    shut = path if closed == "file" else path.parent
    shut.chmod(0)
    try:
        with pytest.raises(ImportRefused, match=r"Permission denied[.] Give this account the right"):
            import_file(path, plain, memory(), setup, "Greta Holm", NOW_NS)
    finally:
        shut.chmod(0o700)
