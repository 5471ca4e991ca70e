"""Page Inspections: what is found, and the budget beside the tolerance."""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import urlencode

import pytest

from dashboard.data.queries import Queries
from dashboard.data.words import field_text
from dashboard.pages.inspections import earlier, inspection_list, layout
from dashboard.parts.check_answer import facts, question
from dashboard.parts.thermal_cards import bars, drawing, words
from logger.errors import Refused
from tests.dashboard.synthetic import HOUR, NOW, Synthetic

TOLD: dict[str, Any] = {
    "feature": "Bore",
    "case": "off 20 °C and not corrected",
    "adding_up": "gum",
    "k": 2.0,
    "nde_um": -3.0,
    "U_um": 1.0,
    "unde_um": 0.5,
    "tve_um": 0.4,
    "tve_source": "drift check",
    "tei_pct": 39.0,
    "share_of_tolerance": 0.4,
    "within_share": False,
    "share_allowed": 0.1,
    "tolerance_um": 10.0,
    "contributions": [{"name": "temperature of the part", "um": 0.3}, {"name": "variation", "um": 0.4}],
}


def titles(jobs: list[Any]) -> list[str]:
    return re.findall(r"A\(children='([^']*)'", str(jobs))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("filters", "expected"),
    [
        ({}, ["Ring set 100 mm", "Valve body 4480", "Gear hub 4471"]),
        ({"find": "gear"}, ["Gear hub 4471"]),
        ({"find": "sova VALVE"}, ["Valve body 4480"]),
        ({"verdict": "not stable"}, ["Valve body 4480"]),
        ({"verdict": "stable"}, ["Gear hub 4471"]),
        ({"find": "nothing such"}, []),
    ],
)
def test_jobs_are_found(q: Queries, filters: dict[str, str], expected: list[str]) -> None:
    assert titles(inspection_list(q, filters)) == expected


def test_jobs_of_a_day_are_found(q: Queries, record: Synthetic) -> None:
    from dashboard.data.words import local

    day = local(NOW - 30 * HOUR, q.room.timezone)[:10]
    assert "Gear hub 4471" in titles(inspection_list(q, {"day": day}))
    assert "Ring set 100 mm" not in titles(inspection_list(q, {"day": day}))
    assert "expected a local time" in str(layout(q, "?day=soon"))


def test_the_budget_says_what_is_how_large() -> None:
    """Bars at k = 2 beside the bias; the whole is |NDE| + U = 4 µm of 10 µm (by hand)."""
    rows = bars(TOLD)
    assert ("error + U", 4.0, "whole") in rows
    assert ("variation", 0.8, "part") in rows
    message = words(TOLD)
    assert "Bore: the part measures 3.00 µm too short, U 1.00 µm" in message
    assert "Error + U: 40 % of the tolerance of 10 µm. Not accepted: 10 % is allowed." in message
    drawn = drawing(rows, 10.0)
    lengths = {float(w) for w in re.findall(r'class="budget-whole" x="208" y="\d+" width="([\d.]+)"', drawn)}
    assert max(lengths) == pytest.approx(4 * min(lengths), rel=0.01)
    assert "tolerance 10 µm" in drawn
    corrected = {**TOLD, "case": "off 20 °C and corrected"}
    assert ("error + U", 1.0, "whole") in bars(corrected)
    assert "before correction" in words(corrected)


def test_the_facts_of_a_length_stand_large_above_the_budget() -> None:
    """|NDE| 3 µm with U 1 µm is 40 % of 10 µm; 10 % of 10 µm, 1 µm, is allowed (by hand)."""
    text = str(facts(TOLD))
    for words_ in (
        "3.00 µm too short",
        "U 1.00 µm (k = 2)",
        "40 %",
        "rule of 10 %",
        "not accepted",
        "allowed 1 µm",
    ):
        assert words_ in text
    assert facts(None) == []


def test_an_arithmetic_sum_has_no_uncertainty() -> None:
    budget = {**TOLD, "adding_up": "b89", "U_um": None, "k": None}
    assert bars(budget)[-1] == ("sum", pytest.approx(0.7), "whole")
    assert "UNDE 0.50 µm" in words(budget)


@pytest.mark.slow
def test_the_page_draws_a_length_that_was_asked_about(q: Queries) -> None:
    first, last = (field_text(NOW - h * HOUR, q.room.timezone) for h in (3, 2))
    about = {"length": "420", "tolerance": "30", "material": "aluminium"}
    queries = "?" + urlencode({"zone": "machine-bay", "from": first, "to": last, **about})
    drawn = str(layout(q, queries))
    assert "thermal-answer" in drawn
    assert "Temperatures used" in drawn
    assert "thermal-answer" not in str(layout(q, queries.replace("&length=420", "")))


@pytest.mark.parametrize(
    ("entries", "expected"),
    [
        ({"length": "420"}, "choose the part material"),
        ({"length": "long", "material": "steel"}, "enter a number in mm. You entered “long”"),
        ({"length": "420", "material": "cheese"}, "no material"),
    ],
)
def test_what_was_filled_in_wrongly_is_told(q: Queries, entries: dict[str, str], expected: str) -> None:
    with pytest.raises(Refused, match=expected):
        question(q, "machine-bay", (NOW - HOUR, NOW), None, entries)


def test_an_answer_to_something_else_is_marked_so() -> None:
    """After an entry that is refused, the answer below names the interval that it is for."""
    text, css = earlier("?zone=machine-bay&from=2026-10-19+06%3A00&to=2026-10-19+07%3A00")
    assert (text, css) == ("Below: the earlier answer, for 2026-10-19 06:00 to 2026-10-19 07:00.", "earlier")
    assert earlier("?inspection=I-2603")[0] == "Below: the earlier answer, for inspection I-2603."
    assert earlier("") == ("", "")


def test_an_end_in_the_future_is_refused_on_the_page(q: Queries, record: Synthetic) -> None:
    """As by the command and over HTTP: nothing is answered, and the sentence names the end."""
    zone = q.room.timezone
    ends = {"from": field_text(NOW - HOUR, zone), "to": field_text(NOW + HOUR, zone)}
    drawn = str(layout(q, "?" + urlencode({"zone": "machine-bay", **ends})))
    assert "in the future; give an end no later than now" in drawn
    assert "check-answer" not in drawn
