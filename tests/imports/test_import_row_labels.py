"""Rows of several probes in one file: the description keeps them apart, or asks; nothing is mixed."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from logger.imports.describing import Description, describe
from logger.imports.drafting import drafted_columns
from logger.store import Store
from tests.imports.test_import_drafting import run

BEGIN = datetime(2026, 9, 23)


def stamps(count: int, step_s: int = 60) -> Iterator[str]:
    return (f"{BEGIN + timedelta(seconds=n * step_s):%Y-%m-%d %H:%M:%S}" for n in range(count))


def described(name: str, lines: list[str]) -> Description:
    return describe(name, "\n".join([*lines, ""]).encode())


def of_rows(description: Description) -> list[dict[str, str]]:
    return [dict(column.only) for column in description.profile.columns]


def test_probes_that_take_turns_are_columns_of_their_own() -> None:
    """No two of these rows have one instant, and yet two probes stand in one column."""
    rows = [f"{at}Z,{('S4', 'S9')[n % 2]},{20 + n % 2},°C" for n, at in enumerate(stamps(40))]
    description = described("turns.csv", ["time,probe,value,unit", *rows])
    assert of_rows(description) == [{"probe": "S4"}, {"probe": "S9"}]
    assert {column.unit_in for column in description.profile.columns} == {"unit"}
    assert description.step_s == 120.0  # of each probe, not of the file
    assert [(d.probe, d.quantity, d.unit) for d in drafted_columns(description.columns)] == [
        ("S4", "temperature", "degC"),
        ("S9", "temperature", "degC"),
    ]
    assert list(description.questions) == [
        "Which channel is column 'value, S4'?", "Which channel is column 'value, S9'?"
    ]  # fmt: skip


def test_numbered_probes_with_their_units() -> None:
    units = {1: "°C", 2: "°C", 3: "%RH"}
    rows = [f"{at};{n};{19 + n}.5;{unit};ok" for at in stamps(30) for n, unit in units.items()]
    description = described("numbered.csv", ["Time;No;Reading;Unit;State", *rows])
    assert of_rows(description) == [{"No": "1"}, {"No": "2"}, {"No": "3"}]
    assert [g.unit for g in description.columns] == ["degC", "degC", "%RH"]
    assert [g.example for g in description.columns] == ["20.5", "21.5", "22.5"]


def test_blocks_of_sensors_and_quantities() -> None:
    """One below the other; that the clock begins again with each block is no question about a zone."""
    rows = [
        f"{sensor},{quantity},{at},{value}"
        for sensor in ("Hall", "Plate")
        for quantity, value in (("temperature", "20.1"), ("humidity", "45.0"))
        for at in stamps(61)
    ]
    description = described("blocks.csv", ["sensor,quantity,time,value", *rows])
    assert of_rows(description) == [
        {"sensor": sensor, "quantity": quantity}
        for sensor in ("Hall", "Plate")
        for quantity in ("temperature", "humidity")
    ]
    assert not any("one hour" in question for question in description.questions)


def test_words_that_change_once_are_asked_about() -> None:
    """It may be a low battery, or another probe."""
    rows = [f"{at};20.1;{'LOW' if n > 40 else 'OK'}" for n, at in enumerate(stamps(60))]
    description = described("state.csv", ["Time;T (°C);State", *rows])
    assert of_rows(description) == [{}]
    question = next(q for q in description.questions if "State" in q)
    assert question == (
        "Does column 'State' (OK, LOW) say of which probe a row is? Then write one [[columns]] for each, "
        'such as only = { "State" = "OK" }; else nothing needs to be done.'
    )


@pytest.mark.parametrize("words", ["", "the same", "each its own"])
def test_other_words_are_no_question(words: str) -> None:
    rows = [
        f"{at};20.1;{words if words != 'each its own' else f'note {n}'}" for n, at in enumerate(stamps(60))
    ]
    description = described("notes.csv", ["Time;T (°C);Remark", *rows])
    assert of_rows(description) == [{}]
    assert not any("Remark" in question for question in description.questions)


def test_two_values_with_a_comma_between_are_no_number() -> None:
    """A date and a time of day without signs, then commas: the blank between the two separates no columns."""
    rows = [f"20260923 22{n:02d}00,293.0{n:02d},1017.44" for n in range(40)]
    description = described("close.csv", ["UTC,T (K),p (hPa)", *rows])
    assert description.profile.delimiter == ","
    assert [(g.heading, g.unit) for g in description.columns] == [("T (K)", "K"), ("p (hPa)", "hPa")]


def test_each_probe_gets_its_own_values(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From the file to the record by two commands and one edited line."""
    monkeypatch.chdir(tmp_path)
    rows = [f"{at},{('S4', 'S9')[n % 2]},{20 + n % 2}.0" for n, at in enumerate(stamps(40))]
    (tmp_path / "turns.csv").write_text("\n".join(["time,probe,T (°C)", *rows, ""]), "utf-8")
    assert run("import", "turns.csv", "--draft", "config").exit_code == 0
    profile = tmp_path / "config" / "profiles" / "turns.toml"
    profile.write_text(profile.read_text("utf-8").replace("\n[time]", '\n[time]\nzone = "UTC"'), "utf-8")
    imported = run("import", "turns.csv", "--data", "data", "--who", "Greta Holm")
    assert imported.exit_code == 0, imported.output
    with Store.open(tmp_path / "data") as store:
        for probe, value in (("S4", 20.0), ("S9", 21.0)):
            readings = store.readings.read(f"{probe}.temperature", 0, 2**62)
            assert (len(readings.value), set(readings.value.tolist())) == (20, {value})
