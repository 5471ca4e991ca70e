"""Page Campaigns: a click adds a position, lines draw the plan, buttons run a campaign."""

from __future__ import annotations

import json
from typing import Any

import pytest

from dashboard.data.queries import Queries
from dashboard.pages import campaigns
from logger.acts.campaigns import BEFORE, PlannedCampaign, add_phase, plan_campaign
from logger.acts.campaigns import campaigns as planned
from logger.errors import Refused
from logger.studies.position_lines import line_of, positions_of, with_position
from tests.dashboard.synthetic import HOUR, NOW, Synthetic

LINES = "A; 1; 1; 1; P1.temperature\nB; 3; 1; 2; P2.temperature; part\n"


def text_of(component: Any) -> str:
    return json.dumps(component.to_plotly_json(), default=lambda o: o.to_plotly_json(), ensure_ascii=False)


def test_lines_become_positions_and_back() -> None:
    """Commas or points, a medium at the end; what is typed comes back as it was meant."""
    positions = positions_of(LINES)
    assert [p.medium for p in positions] == ["air", "part"]
    assert positions_of("\n".join(line_of(p) for p in positions)) == positions
    with pytest.raises(Refused, match="line 2: expected"):
        positions_of("A; 1; 1; 1; P1.temperature\nB; one; 2; 1; P2.temperature")
    for number in ("nan", "inf"):
        with pytest.raises(Refused, match="line 1: expected"):
            positions_of(f"A; {number}; 1; 1; P1.temperature")


def test_a_click_adds_a_line_with_the_next_free_channel() -> None:
    """The lines that stand there stay as they are."""
    text = with_position(
        LINES, "position 3", (2.25, 1.75, 1.1), ["P1.temperature", "P2.temperature", "P4.temperature"]
    )
    assert text.splitlines()[:2] == LINES.splitlines()
    assert text.splitlines()[2] == "position 3; 2.25; 1.75; 1.1; P4.temperature"


@pytest.mark.slow
def test_the_plan_is_a_raster_of_the_room_with_numbers(q: Queries) -> None:
    """One button a cell, by its place for who cannot see it; a planned position has its number."""
    words = text_of(campaigns._plan(q, positions_of(LINES)))
    side = campaigns.cell_m(q)
    across, up = (round(length / side) for length in q.room.size_m[:2])
    assert words.count('"plan": "cell"') == across * up
    assert ": position 2" in words
    assert words.count("plan-cell used") == 2


@pytest.mark.slow
def test_a_campaign_runs_on_the_page(record: Synthetic, q: Queries) -> None:
    """Planned, a phase begun and ended: the card says what comes next."""
    assert "No campaign yet." in text_of(campaigns.layout(q, ""))
    plan = PlannedCampaign("map-1", "machine-bay", "Volume", tuple(positions_of(LINES)), "Greta Holm", NOW)
    plan_campaign(record.store, q.setup, plan, "Greta Holm")
    add_phase(record.store, "map-1", BEFORE, (NOW - 3 * HOUR, NOW - HOUR), "Greta Holm")
    words = text_of(campaigns.layout(q, ""))
    for expected in ("map-1: Volume", "Next: put each probe at its position", BEFORE, "2 positions"):
        assert expected in words, expected
    add_phase(record.store, "map-1", "empty", (NOW - HOUR, None), "Greta Holm")
    assert "running: empty" in text_of(campaigns.layout(q, ""))
    assert [campaign.key for campaign in planned(record.store)] == ["map-1"]


def test_what_was_typed_for_one_campaign_stays_when_another_is_drawn(record: Synthetic, q: Queries) -> None:
    for key in ("map-1", "map-2"):
        positions = tuple(positions_of(LINES))
        plan = PlannedCampaign(key, "machine-bay", "Volume", positions, "Greta Holm", NOW)
        plan_campaign(record.store, q.setup, plan, "Greta Holm")
    newest, older = map(text_of, campaigns._cards(q, {"map-1": "in use, door shut"}))
    assert "in use, door shut" in older
    assert "in use, door shut" not in newest
    drawn = campaigns._with_newest(q).to_plotly_json()["operations"]
    assert [item["operation"] for item in drawn] == ["Prepend"]  # the card of map-1 is left alone
