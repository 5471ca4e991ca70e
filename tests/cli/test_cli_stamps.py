"""Stamps that were changed, and options of a check that cannot be meant."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

BAY = (
    *("check", "--zone", "machine-bay"),
    *("--from", "2026-10-13T13:00", "--to", "2026-10-13T15:00"),
)
LENGTH = ("--length-mm", "300", "--material", "brass", "--tolerance-um", "20")
Ask = Callable[..., tuple[int, Any]]


def test_a_stamp_holds_only_as_it_was_given(ask: Ask) -> None:
    """Another verdict beside the right digest is forged, as is another digest: exit 12."""
    code, answer = ask(*BAY)
    line, verdict = answer["stamp"], answer["verdict"]
    status, again = ask("check", "--stamp", line)
    assert status == code
    assert again["stamp_holds"]
    other = "stable" if verdict != "stable" else "not shown"
    for forged in (line.replace(f": {verdict}", f": {other}"), line[:-4] + "0000"):
        code, answer = ask("check", "--stamp", forged)
        assert (code, answer["stamp_holds"], answer["verdict"]) == (12, False, verdict)


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        ((*LENGTH, "--tve-um", "nan"), "--tve-um"),
        ((*LENGTH, "--tve-um", "2", "--tve-span-K", "-1"), "--tve-span-K"),
        ((*LENGTH, "--part-tau-s", "-100"), "--part-tau-s"),
        ((*LENGTH, "--scale-tau-s", "nan"), "--scale-tau-s"),
        ((*LENGTH, "--um-per-K", "nan"), "--um-per-K"),
        (("--tolerance-um", "20"), "give --length-mm"),
        (
            (*LENGTH, "--part-tau-s", "900", "--arrived-C", "25", "--arrived-at", "2026-10-13T14:00"),
            "no later than the start",
        ),
        (("--stamp", "stillroom: x"), "--stamp names zone and interval itself"),
    ],
)
def test_what_cannot_be_meant_is_refused(
    stillroom: Any, demo_history: Path, more: tuple[str, ...], expected: str
) -> None:
    """Exit 2 and the option's name, in place of an answer that passes it over."""
    result = stillroom(*BAY, *more, "--data", demo_history)
    assert result.returncode == 2
    assert expected in result.stderr


def test_a_drift_check_says_its_day_and_a_mastering_without_a_record_is_not_shown(ask: Ask) -> None:
    _, answer = ask(*BAY, *LENGTH, "--tve-um", "1.5", "--tve-on", "2026-10-02")
    assert answer["thermal"]["tve_source"] == "drift check of 2026-10-02"
    _, answer = ask(*BAY, *LENGTH, "--mastered-at", "2026-09-01")
    assert not answer["thermal"]["shown"]
    assert any("no temperature is known at mastering" in n for n in answer["thermal"]["notices"])
