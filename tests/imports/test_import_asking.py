"""Asking: what a dry run shows, a first profile from a file, questions that name how they are answered."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from logger.cli.program import program_for
from logger.config import example_folder
from logger.errors import ImportRefused
from logger.imports import ImportResult, Profile, known_profiles, profile_of
from logger.imports.describing import describe
from logger.imports.importer import checked
from logger.imports.preview import lines_of, preview_of
from logger.imports.profile import Column
from logger.imports.writing import profile_text
from logger.instants import NS
from logger.model import Setup
from logger.store import Store

Bring = Callable[..., ImportResult]
ROOT = Path(__file__).resolve().parents[2]
FIRST = datetime(2026, 10, 13, 9, tzinfo=UTC)
NOW = 1_900_000_000 * NS

texts = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), min_size=1, max_size=12)
columns = st.builds(
    Column, texts, texts, st.none() | texts, st.none() | texts, st.just(()) | st.tuples(texts),
    st.dictionaries(texts, texts, max_size=2).map(lambda d: tuple(sorted(d.items()))),
)  # fmt: skip
profiles = st.builds(
    Profile, texts, st.tuples(texts), st.lists(columns, min_size=1, max_size=3).map(tuple),
    files=st.lists(texts, max_size=2).map(tuple), order=st.sampled_from([None, "day-month-year"]),
    zone=st.sampled_from([None, "UTC", "Asia/Kathmandu"]), decimal=st.sampled_from([None, ",", "."]),
    thousands=st.sampled_from([None, "'", ""]), short_rows=st.booleans(), jumps_are_real=st.booleans(),
    fault_words=st.lists(texts, max_size=2).map(tuple), form=st.sampled_from(["calendar", "epoch_s"]),
)  # fmt: skip


@settings(max_examples=60, derandomize=True)
@given(profile=profiles)
def test_a_profile_that_is_written_reads_back_as_itself(profile: Profile) -> None:
    names = [*profile.time_headings, *(c.heading for c in profile.columns)]
    assume(len({*names}) == len(names))  # the same heading or channel twice is a fault of its own
    assume(len({c.channel for c in profile.columns}) == len(profile.columns))
    assert profile_of("made.toml", profile_text(profile, questions=("Which?",))) == profile


SAMPLES = {
    "machine-bay.csv": [],
    "plate-bench.csv": ["time zone"],
    "barometer.txt": ["time zone", "Which channel is column 'Pressure (hPa)'"],
}


@pytest.mark.slow
@pytest.mark.parametrize("name", SAMPLES)
def test_a_first_profile_asks_only_what_the_file_does_not_show(setup: Setup, name: str) -> None:
    content = (ROOT / "sample_logs" / name).read_bytes()
    built = describe(name, content, setup)
    for question, expected in zip(built.questions, SAMPLES[name], strict=True):
        assert expected in question
    assert profile_of("made.toml", built.text) == built.profile


@pytest.mark.slow
@pytest.mark.parametrize("name", ["machine-bay.csv", "plate-bench.csv"])
def test_a_described_file_reads_as_its_declared_profile_does(setup: Setup, name: str) -> None:
    """Once the zone is answered, the same readings as by the profile that a person wrote."""
    content = (ROOT / "sample_logs" / name).read_bytes()
    texts = {
        f"profiles/{p.name}": p.read_text("utf-8") for p in (example_folder() / "profiles").glob("*.toml")
    }
    declared = known_profiles(texts)[Path(name).stem]
    built = dataclasses.replace(describe(name, content, setup).profile, zone="Europe/Vienna")
    sides = [checked(name, content, profile, setup, NOW) for profile in (built, declared)]
    for mine, theirs in zip(sides[0].series, sides[1].series, strict=True):
        assert mine.channel == theirs.channel
        assert mine.taken_ns.tolist() == theirs.taken_ns.tolist()
        assert mine.value.tolist() == pytest.approx(theirs.value.tolist(), nan_ok=True, rel=0, abs=0)


def test_an_unnamed_column_stops_the_import_with_the_question(bring: Bring, memory: Any) -> None:
    with pytest.raises(ImportRefused, match=r"Which channel is column 'temperature'\? Set `channel`"):
        bring(
            "time,temperature\n2026-10-13T09:00:00Z,20.0\n", memory(), columns=(Column("temperature", "?"),)
        )


@pytest.mark.parametrize("content", [b"", b"hello\nworld\n", b"a,b\n1,2\n", b"\x00\x01\x02" * 99, b"[]"])
def test_what_holds_no_readings_cannot_be_described(content: bytes) -> None:
    with pytest.raises(ImportRefused):
        describe("made.csv", content)


def test_steps_of_an_undecided_order_are_told_to_the_person_who_decides(bring: Bring, memory: Any) -> None:
    """Three days of minutes: as month first they would be three single days, a month apart."""
    rows = [f"{datetime(2026, 4, 3) + timedelta(minutes=n):%d/%m/%Y %H:%M},20.05" for n in range(3 * 1440)]
    with pytest.raises(ImportRefused) as refused:
        bring("time,temperature\n" + "\n".join(rows) + "\n", memory())
    assert "as day-month-year the rows hold 0 jumps of days, as month-day-year the rows hold 2" in str(
        refused.value
    )


def logger_text(skip: range = range(0), words: tuple[int, ...] = ()) -> str:
    rows = [
        f"{FIRST + timedelta(minutes=n):%Y-%m-%dT%H:%M:%SZ},{'OL' if n in words else f'{20 + n / 100:.2f}'}"
        for n in range(120)
        if n not in skip
    ]
    return "time,temperature\n" + "\n".join(rows) + "\n"


def test_a_preview_tells_rows_axis_gaps_and_flags(setup: Setup, plain: Profile) -> None:
    """Minutes 40 to 49 are missing and minute 60 is a fault: one gap of 11 minutes, one row without value."""
    reading = checked("made.csv", logger_text(range(40, 50), (60,)).encode(), plain, setup, NOW)
    observed = preview_of(reading)
    t0 = int(FIRST.timestamp()) * NS
    assert [row.line for row in observed.first] == [2, 3, 4]
    assert [row.line for row in observed.last] == [109, 110, 111]
    assert observed.first[0].values == (("P1.temperature", "20"),)
    (axis,) = observed.axes
    assert (axis.rows, axis.step_s) == (110, 60.0)
    assert axis.gaps == ((t0 + 39 * 60 * NS, t0 + 50 * 60 * NS),)
    assert [row.values for row in observed.flagged] == [(("P1.temperature", "OL"),)]
    assert sum(axis.counts) == 110
    assert "·" in axis.bar
    assert "gap of 11 min" in "\n".join(lines_of(observed))


def run(*arguments: str) -> str:
    outcome = CliRunner().invoke(program_for(arguments), list(arguments))
    assert outcome.exit_code == 0, outcome.output
    return outcome.stdout  # what takes long on a busy machine says so on the other stream


def test_describe_answer_import_and_the_next_file_needs_no_answer(tmp_path: Path) -> None:
    """The whole way of a new source on the command line; the second file finds the profile by itself."""
    data, config = str(tmp_path / "data"), str(example_folder())
    first, second = tmp_path / "bay 2026-10-13.csv", tmp_path / "bay 2026-10-14.csv"
    first.write_text(logger_text().replace("Z,", ",").replace("temperature", "P1 temperature (°C)"), "utf-8")
    second.write_text(first.read_text("utf-8").replace("2026-10-13T", "2026-10-14T"), "utf-8")
    profile = tmp_path / "bay.toml"
    where = ("--data", data, "--config", config)
    output = run("import", str(first), "--describe", "--out", str(profile), *where)
    assert "Questions still open (1):" in output
    assert not (tmp_path / "data").exists()
    profile.write_text(profile.read_text("utf-8").replace("[time]\n", '[time]\nzone = "+01:00"\n'), "utf-8")
    visible = json.loads(run("import", str(first), "--profile", str(profile), "--dry-run", "--json", *where))
    assert visible[0]["preview"]["first"][0]["at"] == "2026-10-13T08:00:00Z"
    assert not (tmp_path / "data").exists()
    assert "120 readings are stored" in run("import", str(first), "--profile", str(profile), *where)
    assert "120 readings are stored" in run("import", str(second), "--data", data)
    with Store.open(tmp_path / "data") as store:
        assert len(store.imports.all()) == 2
        assert store.verify().intact
