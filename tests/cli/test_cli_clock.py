"""Clocks compared and corrected by the program itself."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from logger.config import example_folder
from logger.instants import NS
from logger.model import Row
from logger.store import Store
from logger.store.hot.clocks import UNSURE

T0 = 1_792_000_000 * NS


def test_a_logger_is_compared_and_a_boot_corrected(stillroom: Any, tmp_path: Path) -> None:
    """Stamps stay; readings move; the acts carry the person's name; an unknown probe or boot is named."""
    data = tmp_path / "data"
    result = stillroom(
        "config", "apply", "--begin", "--data", data, "--config", example_folder(), "--who", "Greta Holm"
    )
    assert result.returncode == 0, result.stderr
    with Store.open(data) as store:
        store.append("import", [Row("P5.temperature", T0, T0, 20.0, source="file")])
        unsure = Row(
            "P1.temperature", 90 * NS, 91 * NS, 21.0, source=UNSURE, boot="boot-a", monotonic_ns=11 * NS
        )
        store.append("poll", [unsure])
        store.clocks.record_doubt("boot-a", 80 * NS, "it shows 1970")
    to = ("--data", data, "--who", "Greta Holm")
    shows, at = "2026-10-14T17:46:40Z", "2026-10-14T17:50:40Z"
    result = stillroom("clock", "compare", "P5", "--shows", shows, "--at", at, *to)
    assert result.stdout.startswith("The clock of P5 was 240 s behind."), result.stderr
    answer = json.loads(stillroom("clock", "list", "--json", "--data", data).stdout)
    assert [c["ahead_s"] for c in answer["comparisons"]] == [-240.0]
    assert [b["boot"] for b in answer["unsure"]] == ["boot-a"]
    result = stillroom("clock", "correct", "boot", "--shift", T0 // NS, "--why", "radio clock", *to)
    assert result.returncode == 0, result.stderr
    assert "1 comparison, 0 boots waiting" in stillroom("clock", "list", "--data", data).stdout
    with Store.open(data) as store:
        assert store.readings.read("P5.temperature", 0, 2**62).taken_ns.tolist() == [T0 + 240 * NS]
        assert store.readings.read("P1.temperature", 0, 2**62).taken_ns.tolist() == [T0 + 90 * NS]
        assert store.readings.columns("P1.temperature", 0, 2**62).taken_ns.tolist() == [90 * NS]
        assert store.verify().intact
    assert stillroom("clock", "compare", "P9", "--shows", shows, *to).returncode == 2
    assert stillroom("clock", "correct", "other", "--shift", 0, "--why", "x", *to).returncode == 2


def test_readings_that_wait_are_listed_though_no_doubt_was_recorded(stillroom: Any, tmp_path: Path) -> None:
    """A service that was killed before it recorded why it marked readings: they are named and placed."""
    data = tmp_path / "data"
    result = stillroom(
        "config", "apply", "--begin", "--data", data, "--config", example_folder(), "--who", "Greta Holm"
    )
    assert result.returncode == 0, result.stderr
    with Store.open(data) as store:
        rows = [
            Row("P1.temperature", (90 + n) * NS, (91 + n) * NS, 21.0, source=UNSURE, boot="boot-b",
                monotonic_ns=(11 + n) * NS)
            for n in range(3)
        ]  # fmt: skip
        store.append("poll", rows)

    answer = json.loads(stillroom("clock", "list", "--json", "--data", data).stdout)

    assert [(b["boot"], b["readings"]) for b in answer["unsure"]] == [("boot-b", 3)]
    assert "1 boot waiting" in stillroom("clock", "list", "--data", data).stdout
    to = ("--data", data, "--who", "Greta Holm")
    result = stillroom("clock", "correct", "boot-b", "--shift", T0 // NS, "--why", "radio clock", *to)
    assert result.returncode == 0, result.stderr
    assert "0 boots waiting" in stillroom("clock", "list", "--data", data).stdout
    with Store.open(data) as store:
        assert store.readings.read("P1.temperature", 0, 2**62).taken_ns.tolist() == [
            T0 + (90 + n) * NS for n in range(3)
        ]
