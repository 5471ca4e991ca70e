"""Ten questions of an assessor to six played months, answered from the paper alone with public tools.

Read are the issued files only, by pdftotext, openssl, sha256sum and DuckDB; what they say is compared with
what was planted (`six_months.py`), never with an answer of our own program.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from tests.programs import library
from tests.record import six_months as planted

from .conftest import tool

pytestmark = pytest.mark.long
duckdb = library("duckdb")


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Iterator[planted.Played]:
    history = planted.play(tmp_path_factory.mktemp("six"))
    yield history
    history.store.close()


def paper(played: planted.Played, month: str) -> str:
    """The text of a record's pages, blanks as one."""
    (pdf,) = played.records[month].glob("*.pdf")
    code, text = tool("pdftotext", "-layout", pdf, "-")
    assert code == 0
    return " ".join(text.split())


def table(played: planted.Played, month: str, name: str, columns: str, where: str = "true") -> list[Any]:
    """What DuckDB reads from a table beside a record: `begin_s` and `end_s` are its ends since 1970."""
    (file,) = played.records[month].glob(f"*-{name}.csv")
    read = duckdb.read_csv(str(file), header=True, all_varchar=True)
    if "from" in read.columns:
        read = read.project(f"*, {seconds('from')} AS begin_s, {seconds('to')} AS end_s")
    rows: list[Any] = read.filter(where).aggregate(columns).fetchall()
    return rows


def seconds(column: str) -> str:
    return f'epoch(CAST("{column}" AS TIMESTAMPTZ))'


def test_1_every_file_is_as_it_was_signed(played: planted.Played) -> None:
    """sha256sum and openssl; a byte that is changed in a copy shows."""
    for folder in played.records.values():
        (listed,) = folder.glob("*.sha256")
        (key,) = folder.glob("*.pem")
        assert tool("sha256sum", "--check", "--strict", listed.name, cwd=folder)[0] == 0
        signature = listed.with_name(f"{listed.name}.sig")
        verify = (
            "pkeyutl",
            "-verify",
            "-pubin",
            "-inkey",
            key,
            "-rawin",
            "-in",
            listed,
            "-sigfile",
            signature,
        )
        assert tool("openssl", *verify)[0] == 0
    (csv,) = played.records["2026-05"].glob("*-readings.csv")
    whole = csv.read_bytes()
    csv.write_bytes(whole.replace(b"20.0", b"20.1", 1))
    (listed,) = csv.parent.glob("*.sha256")
    assert tool("sha256sum", "--check", "--strict", listed.name, cwd=csv.parent)[0] != 0
    csv.write_bytes(whole)


def test_2_how_much_of_each_month_was_stable(played: planted.Played) -> None:
    """The share on page 1 is that of the periods in the attached table, summed by DuckDB; whole months."""
    for n, month in enumerate(planted.MONTHS):
        spent = dict(table(played, month, "periods", "verdict, sum(end_s - begin_s)"))
        ends = [planted.when(f"{m}-01") for m in (*planted.MONTHS, "2026-11")][n : n + 2]
        assert abs(sum(spent.values()) - (ends[1] - ends[0]) / planted.NS) <= 60
        share = 100 * spent["stable"] / ((ends[1] - ends[0]) / planted.NS)
        text = paper(played, month)
        printed = re.findall(r"was stable for [^(]*\((>? ?[\d.]+) %\)", text) or ["100"]
        assert len(printed) == 1
        assert ("stable throughout" in text) == (printed == ["100"])
        assert abs(float(printed[0].lstrip("> ")) - share) <= 0.1


def test_3_what_happened_on_16_june_and_what_was_done(played: planted.Played) -> None:
    """One case in use, begun within two hours of the trip, with the cause and the decision in words."""
    text = paper(played, "2026-06")
    assert all(word in text for word in (*planted.CAUSE.split(), "Measuring", "stopped"))  # cells break lines
    used = "lower(in_use) IN ('1', 'true', 'yes')"
    ((begin, end),) = table(played, "2026-06", "cases", "begin_s, end_s", used)
    assert 0 <= begin - planted.TRIP[0] / planted.NS <= 7200
    assert planted.TRIP[1] / planted.NS - 600 <= end <= planted.TRIP[1] / planted.NS + 3 * 3600


def test_4_which_inspections_it_affected_and_what_was_decided(played: planted.Played) -> None:
    """The two that were planted in the trip and its settling, each decided."""
    inside = [
        j.key
        for j in played.inspections
        if j.to_ns is not None
        and j.from_ns < planted.TRIP[1] + 60 * planted.MINUTE
        and j.to_ns > planted.TRIP[1] - 45 * planted.MINUTE
    ]
    rows = dict(table(played, "2026-06", "inspections", "key, decisions", "verdict <> 'stable'"))
    text = paper(played, "2026-06")
    assert {*inside} <= {*rows}
    for key in inside:
        assert "stands, corrected" in rows[key]
        assert key in text


def test_5_when_a_probe_was_swapped(played: planted.Played) -> None:
    text = paper(played, "2026-07")
    assert "Serial S-102" in text
    assert "until 2026-07-14 10:00" in text
    assert "Serial S-103" in text
    assert "from 2026-07-14 10:00" in text
    rows = table(played, "2026-07", "readings", "channel, min(taken), max(taken)")
    ends = {channel: (first, last) for channel, first, last in rows}
    assert ends["G2.temperature"][1] < "2026-07-14T09:00" <= ends["G3.temperature"][0]  # UTC: 09:00 there


def test_6_what_a_recalibration_found_and_how_it_acts(played: planted.Played) -> None:
    """K-21 found 0.11 K where K-11 had left 0.02; the August record names both and the change of 0.09 K."""
    text = paper(played, "2026-08")
    assert "K-11" in text
    assert "K-21" in text
    assert re.search(r"Found later by K-21.{0,160}0\.11", text)
    assert "linear" in text


def test_7_a_corrected_reading_by_hand_from_the_paper(played: planted.Played) -> None:
    """By the printed points alone: K-13 errs by +0.01 at each, so the correction is −0.01, exactly, always.

    G1 in July, by hand: −0.02 − 0.09 · (days since 2 March)/(169 days to 18 August), to a thousandth.
    """
    assert re.search(r"K-13 .*−0\.01 \(U 0\.05\) at 20\.01", paper(played, "2026-09"))
    change = "round(CAST(corrected AS DOUBLE) - CAST(value AS DOUBLE), 4)"
    rows = table(played, "2026-09", "readings", change, "channel = 'G3.temperature'")
    assert rows == [(-0.01,)]
    noon = "channel = 'G1.temperature' AND taken LIKE '%T12:0%'"
    rows = table(played, "2026-07", "readings", f"{seconds('taken')}, {change}", noon)
    assert len(rows) > 30
    begin, end = planted.when("2026-03-02") / planted.NS, planted.RECALIBRATED / planted.NS
    for at, correction in rows:
        assert abs(correction - (-0.02 - planted.FOUND_K * (at - begin) / (end - begin))) < 2e-3


def test_8_which_readings_came_late(played: planted.Played) -> None:
    ((late,),) = table(played, "2026-09", "readings", "count(*)", "late = '1'")
    assert late == played.late_readings == 48 * 12
    ((none,),) = table(played, "2026-08", "readings", "count(*)", "late = '1'")
    assert none == 0


def test_9_where_nothing_was_recorded(played: planted.Played) -> None:
    """The gap of 20 May, and the time around it that is not shown."""
    assert re.search(r"2026-05-20 1[01]:\d\d 2026-05-20 14:0\d 3 h", paper(played, "2026-05"))
    that_day = "verdict = 'not shown' AND \"from\" LIKE '2026-05-20%'"
    ((begin, end),) = table(played, "2026-05", "periods", "min(begin_s), max(end_s)", that_day)
    assert abs(begin - planted.GAP[0] / planted.NS) <= 600
    assert end >= planted.GAP[1] / planted.NS


def test_10_how_many_inspections_and_with_which_verdict(played: planted.Played) -> None:
    """300 in six records; counts on paper are those of the tables; set-back weekends ask for nothing."""
    total = 0
    for month in planted.MONTHS:
        counts = dict(table(played, month, "inspections", "verdict, count(*)"))
        (printed,) = re.findall(r"(\d+) inspections: ", paper(played, month))
        assert int(printed) == sum(counts.values())
        total += sum(counts.values())
    assert total == planted.JOBS
    for month, day in (("2026-05", "2026-05-23"), ("2026-07", "2026-07-25"), ("2026-09", "2026-09-19")):
        rows = table(played, month, "cases", "in_use", f"\"from\" LIKE '{day}%'")
        assert [row[0].lower() for row in rows] in (["0"], ["false"], ["no"]), (month, rows)
        assert "outside hours of use: nothing is asked" in paper(played, month)


def test_each_record_has_five_pages_at_most(played: planted.Played) -> None:
    for folder in played.records.values():
        (pdf,) = folder.glob("*.pdf")
        (pages,) = re.findall(r"Pages: +(\d+)", tool("pdfinfo", pdf)[1])
        assert int(pages) <= 5
