"""Nasty files: encodings, preambles, repeated headings, footers, NULs, torn lines, signs, clocks."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from logger.errors import ConfigError, ImportRefused
from logger.imports import ImportResult, choose_profile, profile_of
from logger.imports.encoding import decoded
from logger.imports.profile import Column
from logger.imports.zones import zone_of
from logger.instants import NS

Bring = Callable[..., ImportResult]
T0 = int(datetime(2026, 10, 13, 9, tzinfo=UTC).timestamp()) * NS
HEAD = "time,temperature\n"
ROWS = "".join(f"2026-10-13T09:0{i}:00Z,20.0{i}\n" for i in range(4))
FOUR = [(T0 + i * 60 * NS, 20 + i / 100) for i in range(4)]


def stored_rows(store: Any) -> list[tuple[int, float | None]]:
    return [(r.taken_ns, r.value) for r in store.rows]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
def test_encodings_are_found(bring: Bring, memory: Any, encoding: str) -> None:
    store = memory()
    text = "Gerät in Halle 3\n" + HEAD.replace("temperature", "temperature (°C)") + ROWS
    bring(text.encode(encoding), store)
    assert stored_rows(store) == FOUR


def test_one_degree_sign_is_no_asian_text() -> None:
    assert decoded("20,35 °C".encode("cp1252")).encoding == "cp1252"


def test_an_encoding_that_nothing_proves_is_said_to_be_a_guess() -> None:
    text = "日時,温度,湿度\n" + "26/10/13 09:00,20.1,48.2 測定室の気温と湿度の記録です\n" * 20
    result = decoded(text.encode("cp932"))
    assert result.text == text
    assert result.how == "a guess"


DEGREES = {
    "Zeit;Temperatur (°C);Größe\n": ("cp1252", "cp850", "mac_roman", "latin-1", "utf-8", "utf-16-be"),
    "日時,温度(℃),湿度(%)\n2026-10-13 09:00,20.1,48\n": ("cp932", "euc_jp"),
    "时间,温度(℃),湿度(%)\n2026-10-13 09:00,20.1,48\n": ("gbk", "gb18030"),
    "시간,온도(℃),습도(%)\n2026-10-13 09:00,20.1,48\n": ("cp949", "euc_kr"),
    "時間,溫度(℃),濕度(%)\n2026-10-13 09:00,20.1,48\n": ("big5",),
    "Время;Температура (°C)\n13.10.2026 09:00;20,1\n": ("cp1251", "koi8_r"),
}


@pytest.mark.parametrize(("text", "encoding"), [(t, e) for t, some in DEGREES.items() for e in some])
def test_the_sign_for_degrees_tells_the_encoding(text: str, encoding: str) -> None:
    """The same sign lies at another byte in each; the places are those of Python's codecs."""
    assert decoded(text.encode(encoding)).text == text


def test_a_declared_encoding_that_does_not_fit_is_refused(bring: Bring, memory: Any) -> None:
    with pytest.raises(ImportRefused, match=r"cannot be read as ascii \(declared\)"):
        bring(("°C\n" + HEAD + ROWS).encode("cp1252"), memory(), encoding="ascii")


@pytest.mark.parametrize(
    ("text", "note"),
    [
        ("\n".join(f"line {i} of a preamble, with; signs" for i in range(12)) + "\n" + HEAD + ROWS, ""),
        (HEAD + ROWS[:54] + HEAD + ROWS[54:], "1 repeated row of headings left out, the first in line 4"),
        (HEAD + ROWS + "Minimum,20.00\nEnd of data\n", "line 6 is a footer and was left out"),
        (HEAD.replace("\n", "\0\n") + ROWS.replace("Z,", "Z,\0"), ""),
        (HEAD + ROWS + "2026-10-13T09:04:0", "line 6 is torn and was left out: '2026-10-13T09:04:0'"),
        (HEAD + ROWS + "2026-10-13T09:04:00Z,20", "line 6, the last one, has no line end and may be torn"),
        (HEAD + ROWS + "2026-10-13T09:04:00Z,", "line 6, the last one, has no line end and may be torn"),
        (HEAD + ",degC\n" + ROWS, ""),
        ((HEAD + ROWS).replace("\n", "\r\n"), ""),
        ((HEAD + ROWS).replace("\n", "\r"), ""),
        ((HEAD + ROWS).replace("\n", "\n\n"), ""),
        ((HEAD + ROWS).replace("20.0", '"20.0').replace("\n", '"\n').replace('ture"', "ture"), ""),
    ],
    ids=["preamble", "repeated heading", "footer", "NUL characters", "torn time", "torn value",
         "no last value", "unit row", "CRLF", "CR", "blank lines", "quoted cells"],
)  # fmt: skip
def test_what_surrounds_the_readings_is_left_out_and_said(
    bring: Bring, memory: Any, text: str, note: str
) -> None:
    store = memory()
    result = bring(text, store)
    assert stored_rows(store) == FOUR
    assert any(note in assumed for assumed in result.assumed)


def test_the_last_line_without_a_line_end_may_be_whole(bring: Bring, memory: Any) -> None:
    store = memory()
    bring((HEAD + ROWS).rstrip("\n"), store)
    assert stored_rows(store) == FOUR


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (HEAD + ROWS.replace("20.02", "20.02,7"), "Line 4 has 3 columns, expected 2"),
        (HEAD + ROWS.replace("2026-10-13T09:02:00Z", "paused"), "Line 4 has no time in it"),
        (HEAD + ROWS.replace("2026-10-13T09:02:00Z", "2026-10-32T09:02:00Z"), "Line 4: there is no day"),
        (HEAD + ROWS.replace("2026-10-13T09:02:00Z", "2026-11-31T09:02:00Z"), "Line 4: there is no day"),
        (HEAD + ROWS.replace("T09:02:00Z", "T09:62:00Z"), "Line 4: there is no time '09:62:00Z'"),
        (HEAD + ROWS.replace("T09:02:00Z", "T09:02:00"), "Some times carry an offset"),
        (HEAD + ROWS.replace("20.02", "20,02").replace(",20,", ";20,"), "Line 4: '09:02:00Z;20' is not a"),
        (HEAD + ROWS + ROWS.replace(":00Z", ":30Z,1"), "Line 6 has 3 columns, expected 2"),
        ("time,temp\n" + ROWS, "'temperature' missing; line 1 has the others"),
        ("nothing here is a table\n", "No row holds all headings"),
        (HEAD, "no reading below them"),
        ("", "found an empty file"),
    ],
    ids=["too many columns", "no time", "no such date", "no such day", "no such minute",
         "offset here and there", "another separator", "one column more from there on",
         "another heading", "no table", "headings alone",
         "empty"],
)  # fmt: skip
def test_a_file_with_a_fault_stays_outside_as_a_whole(
    bring: Bring, memory: Any, text: str, expected: str
) -> None:
    store = memory()
    with pytest.raises(ImportRefused) as refused:
        bring(text, store)
    assert expected in str(refused.value)
    assert store.rows == []
    assert store.imports.files == {}


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_delimiters_are_found_by_the_headings(bring: Bring, memory: Any, delimiter: str) -> None:
    store = memory()
    bring((HEAD + ROWS).replace(",", delimiter), store)
    assert stored_rows(store) == FOUR


def test_a_decimal_comma_is_proven_by_the_whole_file(bring: Bring, memory: Any) -> None:
    store = memory()
    result = bring((HEAD + ROWS).replace(",", ";").replace("20.", "20,"), store)
    assert stored_rows(store) == FOUR
    assert "the decimal sign is a comma, proven by the whole file" in result.assumed


def test_an_undecided_decimal_sign_is_asked_about(bring: Bring, memory: Any) -> None:
    """1,013 is one and a bit or a thousand and thirteen."""
    text = "time;temperature\n2026-10-13T09:00:00Z;1,013\n"
    columns = (Column("temperature", "B1.pressure", "hPa"),)
    with pytest.raises(ImportRefused, match=r"sign in '1,013' a decimal comma or point\?.*Set `decimal"):
        bring(text, memory(), columns=columns)
    store = memory()
    bring(text, store, columns=columns, decimal=",")
    assert stored_rows(store) == [(T0, 1.013)]


def test_both_decimal_signs_in_one_file_are_refused(bring: Bring, memory: Any) -> None:
    with pytest.raises(ImportRefused, match="decimal comma or point"):
        bring("time;temperature\n2026-10-13T09:00:00Z;20,05\n2026-10-13T09:01:00Z;20.06\n", memory())


@pytest.mark.parametrize(
    ("stamp", "declared"),
    [
        ("2026-10-13T09:00:00Z", {}),
        ("2026-10-13T11:00:00+02:00", {"zone": None}),
        ("2026-10-13 10:00:00.000+0100", {"zone": None}),
        ("13.10.2026 09:00", {}),
        ("13.10.2026 11:00:00", {"zone": "Europe/Vienna"}),
        ("10/13/2026 09:00:00 AM", {}),
        ("10/13/2026 2:30:00 PM", {"zone": "+05:30"}),
        ("13-10-26 09:00:00", {"order": "day-month-year"}),
        ("26/10/13 18:00:00", {"order": "year-month-day", "zone": "Asia/Tokyo"}),
        ("2026年10月13日 18:00:00", {"zone": "UTC+9"}),
        ("1791882000", {"form": "epoch_s"}),
        ("1791882000.000", {"form": "epoch_s"}),
        ("1791882000000", {"form": "epoch_ms"}),
    ],
)
def test_ways_to_write_one_instant(bring: Bring, memory: Any, stamp: str, declared: dict[str, Any]) -> None:
    store = memory()
    bring(f"time;temperature\n{stamp};20.05\n", store, **declared)
    assert stored_rows(store) == [(T0, 20.05)]


def test_noon_and_midnight_of_a_12_hour_clock(bring: Bring, memory: Any) -> None:
    """12 AM is midnight, 12 PM is noon (NIST, Times of Day FAQs)."""
    store = memory()
    bring("time;temperature\n13.10.2026 12:05 AM;20.05\n13.10.2026 12:05 PM;20.05\n", store)
    midnight = int(datetime(2026, 10, 13, 0, 5, tzinfo=UTC).timestamp()) * NS
    assert [r.taken_ns for r in store.rows] == [midnight, midnight + 12 * 3600 * NS]


@pytest.mark.parametrize("stamp", ["2026-10-13-T09:05:00Z", "2026-10-13 T09:05:00Z", "2026-10-13TT09:05:00Z"])
def test_a_stamp_with_a_sign_too_many_is_refused(bring: Bring, memory: Any, stamp: str) -> None:
    """Found by the long campaign: beside a damaged stamp stood a damaged value, which nothing else shows."""
    with pytest.raises(ImportRefused, match=r"Line \d+: "):
        bring(HEAD + ROWS + f"{stamp},20.05\n", memory())


def test_a_declared_order_that_the_file_contradicts_is_refused(bring: Bring, memory: Any) -> None:
    with pytest.raises(ImportRefused, match="cannot all be month-day-year"):
        bring("time;temperature\n13.10.2026 09:00;20.05\n", memory(), order="month-day-year")


def test_rows_with_the_newest_first_are_sorted(bring: Bring, memory: Any) -> None:
    store = memory()
    result = bring(HEAD + "".join(reversed(ROWS.splitlines(keepends=True))), store)
    assert stored_rows(store) == FOUR
    assert any("sorted" in note for note in result.assumed)


def test_a_repeated_row_is_stored_once_and_a_contradiction_twice(bring: Bring, memory: Any) -> None:
    store = memory()
    result = bring(HEAD + ROWS + ROWS.splitlines()[3] + "\n2026-10-13T09:03:00Z,20.99\n", store)
    assert (result.stored, result.duplicates, len(result.conflicts)) == (5, 1, 1)
    assert (result.conflicts[0].stored, result.conflicts[0].incoming) == (20.03, 20.99)


def test_readings_after_the_clock_of_this_machine_are_refused(bring: Bring, memory: Any) -> None:
    """As the newest of its channel such a reading would hide that the probe fell silent."""
    store = memory()
    with pytest.raises(ImportRefused, match="taken at 2126-10-13T09:00:00Z, in the future"):
        bring("time,temperature\n2126-10-13T09:00:00Z,20.05\n", store)
    assert store.rows == []


def test_one_wrong_month_does_not_turn_the_order_of_all_dates(bring: Bring, memory: Any) -> None:
    with pytest.raises(ImportRefused, match="there is no day '2026-13-01'"):
        bring(HEAD + "2026-03-01T09:00:00Z,20.05\n2026-13-01T09:01:00Z,20.05\n", memory())


def test_a_heading_that_stands_twice_is_asked_about(bring: Bring, memory: Any) -> None:
    with pytest.raises(ImportRefused, match="'temperature' occurs 2 times in line 1"):
        bring("time,temperature,temperature\n2026-03-01T09:00:00Z,20.05,20.15\n", memory())


def test_an_unknown_channel_names_those_there_are(bring: Bring, memory: Any) -> None:
    with pytest.raises(ImportRefused, match=r"'P9.temperature', which is not in the setup.*P1.temperature"):
        bring(HEAD + ROWS, memory(), columns=(Column("temperature", "P9.temperature", "degC"),))


@pytest.mark.parametrize("name", ["+01:00", "UTC", "UTC+2", "-0330", "Europe/Vienna"])
def test_zones_that_are_known(name: str) -> None:
    assert zone_of(name).utcoffset(datetime(2026, 1, 1)) is not None


@pytest.mark.parametrize("name", ["Vienna", "", "+25:00", "../etc/passwd", "CEST please"])
def test_zones_that_are_not(name: str) -> None:
    with pytest.raises(ImportRefused, match="no time zone"):
        zone_of(name)


PROFILE = """
name = "made"
files = ["made*.csv"]
[time]
headings = ["time"]
zone = "UTC"
[[columns]]
heading = "temperature"
channel = "P1.temperature"
"""


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('zone = "UTC"', 'zone = "Vienna"', "made.toml [time] zone: expected an IANA time zone"),
        ('heading = "temperature"', "", "made.toml [columns #1] heading: expected a value, found nothing"),
        ("files", "file", "made.toml file: expected a known key; did you mean 'files'?"),
        ('headings = ["time"]', 'headings = ["a", "b", "c"]', "made.toml [time] headings"),
        (
            'heading = "temperature"',
            'heading = "time"',
            "made.toml [columns] heading: expected each heading once",
        ),
    ],
)
def test_faults_of_a_profile_say_where(old: str, new: str, expected: str) -> None:
    with pytest.raises(ConfigError) as refused:
        profile_of("made.toml", PROFILE.replace(old, new))
    assert expected in str(refused.value)


def test_the_profile_is_chosen_by_the_name_of_the_file(tmp_path: Any) -> None:
    built, other = profile_of("a.toml", PROFILE), profile_of("b.toml", PROFILE.replace("made", "other"))
    assert choose_profile(tmp_path / "made-7.csv", [built, other]) == built
    with pytest.raises(ImportRefused, match=r"No profile fits the name 'x\.csv': made, other"):
        choose_profile(tmp_path / "x.csv", [built, other])
    with pytest.raises(ImportRefused, match="Several profiles fit"):
        choose_profile(tmp_path / "made.csv", [built, built])


def test_twenty_thousand_rows_of_six_columns_are_read(bring: Bring, memory: Any) -> None:
    """Every row of a long file is there, in the zone of its profile."""
    first = datetime(2026, 10, 1, tzinfo=UTC)
    names = [f"{p}.{q}" for p in ("P1", "P2", "P3") for q in ("temperature", "relative_humidity")]
    rows = [f"{first + timedelta(minutes=i):%d.%m.%Y %H:%M:%S}" + ";20,05;48,1" * 3 for i in range(20_000)]
    text = "time;" + ";".join(names) + "\n" + "\n".join(rows) + "\n"
    units = ("degC", "%RH") * 3
    columns = tuple(Column(name, name, unit) for name, unit in zip(names, units, strict=True))
    result = bring(text, memory(), columns=columns, dry_run=True, zone="Europe/Vienna")
    assert result.stored == 120_000
