"""An export as CSV leaves nothing out and calls nothing good that the judge does not use."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pyarrow.dataset as ds

from logger.acts import conflicts
from logger.config import example_folder
from logger.instants import NS
from logger.model import Row
from logger.store import Store
from logger.store.hot.clocks import UNSURE

T0 = 1_792_000_020 * NS  # 2026-10-14T17:47:00Z, a full minute
P1, P5 = "P1.temperature", "P5.temperature"


def at(n: int) -> int:
    return T0 + 60 * NS * n


def begun(stillroom: Any, data: Path) -> None:
    result = stillroom(
        "config", "apply", "--begin", "--data", data, "--config", example_folder(), "--who", "Greta Holm"
    )
    assert result.returncode == 0, result.stderr


def expected_row(row: Row, value: float, source: str, raw: str = "") -> Row:
    return Row(row.channel, row.taken_ns, row.received_ns, value, source=source, raw=raw)


def rows_of(out: Path, channel: str) -> list[dict[str, str]]:
    with (out / "readings" / f"{channel}.csv").open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def exported(stillroom: Any, data: Path, out: Path, *more: object) -> str:
    result = stillroom("export", "--out", out, "--data", data, *more)
    assert result.returncode == 0, result.stderr
    return str(result.stdout)


def test_after_a_comparison_of_clocks_no_reading_is_missing(stillroom: Any, tmp_path: Path) -> None:
    """The logger's clock was 240 s behind, so that its last 4 min lie after all that the stamps say; its
    first reading and its last one had no value. All are in the CSV, and it equals the Parquet files.
    """
    data = tmp_path / "data"
    begun(stillroom, data)
    values = [None, *(20 + n % 7 / 100 for n in range(598)), None]
    with Store.open(data) as store:
        store.append(
            "import",
            [
                Row(P5, at(n), at(n), value, "ok" if value else "timeout", source="file")
                for n, value in enumerate(values)
            ],
        )
    shows, now = "2026-10-14T17:46:40Z", "2026-10-14T17:50:40Z"
    to = ("--data", data, "--who", "Greta Holm")
    assert stillroom("clock", "compare", "P5", "--shows", shows, "--at", now, *to).returncode == 0

    assert exported(stillroom, data, tmp_path / "csv").startswith("600 readings")
    exported(stillroom, data, tmp_path / "parquet", "--format", "parquet")
    rows = rows_of(tmp_path / "csv", P5)
    assert rows[0]["taken"] == "2026-10-14T17:51:00Z"  # 17:47:00 + 240 s
    assert rows[0]["stamp"] == "2026-10-14T17:47:00Z"
    table = ds.dataset(tmp_path / "parquet" / "archive", format="parquet").to_table().to_pydict()
    stored = sorted(zip(table["taken"], table["value"], strict=True), key=lambda pair: pair[0])
    assert [float(row["value"]) if row["value"] else None for row in rows] == [v for _, v in stored]
    assert [row["stamp"] for row in rows] == [f"{taken:%Y-%m-%dT%H:%M:%SZ}" for taken, _ in stored]


def test_wild_values_and_conflicts_are_not_called_good(stillroom: Any, tmp_path: Path) -> None:
    """28 264 °C lies outside the probe's span; two values for one instant are a conflict until a person
    decides, and then one holds and one does not; a value converted on import keeps what the file said.
    """
    data = tmp_path / "data"
    begun(stillroom, data)
    plain = [Row(P1, at(n), at(n), 20.0 + n % 5 / 100, source="import:a") for n in range(20)]
    plain[4] = expected_row(plain[4], 28_264.0, "import:a")
    plain[7] = expected_row(plain[7], 20.02, "import:a", raw='68,036 "degF"')
    plain[11] = expected_row(plain[11], 21.5, "import:a")  # its neighbours say 20.0
    with Store.open(data) as store:
        store.append("import", plain)
        store.append(
            "import", [expected_row(plain[15], 24.0, "import:b"), expected_row(plain[17], 24.0, "import:b")]
        )
    first = exported(stillroom, data, tmp_path / "open")
    assert first.startswith("22 readings")
    rows = rows_of(tmp_path / "open", P1)
    assert rows[4]["quality"] == "fail"
    assert rows[7]["raw"] == '68,036 "degF"'
    assert rows[11]["quality"] == "suspect"
    assert [r["quality"] for r in rows if r["stamp"] == rows[15]["stamp"]] == ["conflict", "conflict"]
    assert {r["quality"] for r in rows[:4]} == {"pass"}
    assert {r["decision"] for r in rows} == {""}

    with Store.open(data) as store:
        both = conflicts.Disagreement(
            P1, at(15), (conflicts.Claim(20.0, "import:a", ""), conflicts.Claim(24.0, "import:b", ""))
        )
        conflicts.decide(store, [(both, 20.0)], "Greta Holm", "b was read from another probe")
    exported(stillroom, data, tmp_path / "decided")
    rows = rows_of(tmp_path / "decided", P1)
    assert {(r["value"], r["decision"]) for r in rows if r["stamp"] == rows[15]["stamp"]} == {
        ("20", "holds"), ("24", "set aside"),
    }  # fmt: skip
    assert [r["quality"] for r in rows if r["value"] == "20" and r["decision"]] == ["pass"]


def test_a_reading_whose_clock_is_not_known_is_exported_without_an_instant(
    stillroom: Any, tmp_path: Path
) -> None:
    data = tmp_path / "data"
    begun(stillroom, data)
    with Store.open(data) as store:
        store.append("poll", [Row(P1, at(0), at(0), 20.0)])
        unsure = Row(P1, 90 * NS, 91 * NS, 21.0, source=UNSURE, boot="boot-a", monotonic_ns=11 * NS)
        store.append("poll", [unsure])
        store.clocks.record_doubt("boot-a", 80 * NS, "it shows 1970")
    assert exported(stillroom, data, tmp_path / "csv").startswith("2 readings")
    result = {(row["taken"], row["stamp"], row["value"]) for row in rows_of(tmp_path / "csv", P1)}
    assert result == {
        ("2026-10-14T17:47:00Z", "2026-10-14T17:47:00Z", "20"),
        ("", "1970-01-01T00:01:30Z", "21"),
    }
