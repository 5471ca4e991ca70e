"""Soak clocks follow the air that was recorded; the page plans and begins them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from dashboard.data.queries import Queries
from dashboard.pages.soak import ASKED, layout, minutes, plan_from
from logger.config import in_force
from logger.core.measurement.soak import constant_from_tau, plan_soak
from logger.errors import Refused, UnknownName
from logger.inspections.soak_clocks import air_since, begin_soak, clocks, end_soak, read
from logger.instants import NS
from logger.store import Store
from logger.verdicts.verdicts import Verdicts
from tests.dashboard.synthetic import NOW as PAGE_NOW
from tests.dashboard.synthetic import Synthetic
from tests.inspections.test_lists import NOW

HOUR = 3600 * NS
GIVEN = {key: "" for key in ASKED} | {
    "material": "steel",
    "shape": "cuboid",
    "size": "100x35x9",
    "air": "still",
    "from": "25",
    "room": "20",
    "residual": "0.1",
}


def test_a_clock_follows_the_recorded_air(demo_copy: Path) -> None:
    """On a stable afternoon: within 20 mK of τ·ln by hand about the mean air; ended, it is gone."""
    with Store.open(demo_copy) as store:
        setup = in_force(store.setups.versions()).setup
        verdicts = Verdicts(store, setup)
        begun = NOW - NOW % HOUR - 36 * 24 * HOUR
        number = begin_soak(
            store, setup, "machine-bay", "Ring", from_C=27.0,
            plan=plan_soak(constant_from_tau(1800.0), 27.0, 20.0, 0.1),
            who="Radek Sova", now_ns=begun,
        )  # fmt: skip
        (clock,) = clocks(store)
        after = read(verdicts, clock, begun + HOUR)
        _, air = air_since(verdicts, "machine-bay", begun, begun + HOUR)
        assert after.part_C == pytest.approx(air.mean() + (27.0 - air.mean()) * np.exp(-2), abs=0.02)
        assert not after.ready
        left_s = 1800.0 * np.log((after.part_C - after.air_C) / 0.1)
        assert after.ready_ns == pytest.approx(begun + HOUR + left_s * NS, abs=2 * NS)
        assert read(verdicts, clock, begun + 4 * HOUR).ready
        end_soak(store, number, "Radek Sova")
        assert clocks(store) == []
        with pytest.raises(Refused, match="was taken away before"):
            end_soak(store, number, "Radek Sova")
        with pytest.raises(UnknownName):
            end_soak(store, 10**9, "Radek Sova")


def test_without_air_a_clock_says_so(demo_copy: Path) -> None:
    with Store.open(demo_copy) as store:
        setup = in_force(store.setups.versions()).setup
        words = {
            "from_C": 27.0,
            "plan": plan_soak(constant_from_tau(1800.0), 27.0, 20.0, 0.1),
            "who": "Radek Sova",
        }
        begin_soak(store, setup, "machine-bay", "Ring", **words, now_ns=NOW)
        check = read(Verdicts(store, setup), clocks(store)[0], NOW + HOUR)
        assert (check.ready, check.ready_ns) == (False, None)


def test_the_page_plans_by_size_by_constant_and_by_tolerance() -> None:
    """A gauge block of steel, 100x35x9 mm: 25.13 min (by hand); 10 % of 10 µm on 100 mm: 0.87 K."""
    assert plan_from(GIVEN).ready_after_s / 60 == pytest.approx(25.13 * np.log(50), abs=0.1)
    assert plan_from(GIVEN | {"tau": "30"}).ready_after_s == pytest.approx(1800 * np.log(50))
    by_length = GIVEN | {"residual": "", "length": "100", "tolerance": "10", "share": "10"}
    assert plan_from(by_length).residual_K == pytest.approx(1 / (100e3 * 11.5e-6))
    with pytest.raises(Refused, match="Part now"):
        plan_from(GIVEN | {"from": "warm"})
    with pytest.raises(Refused, match="allowed remaining difference"):
        plan_from(GIVEN | {"residual": ""})
    assert minutes(59.0) == "1 min"


@pytest.mark.slow
def test_several_parts_soak_at_once_on_the_wall() -> None:
    record = Synthetic()
    q = Queries(record, lambda: PAGE_NOW)
    for name in ("Ring", "Hub"):
        record.begin_soak("machine-bay", name, 25.0, plan_from(GIVEN), who="Radek Sova", now_ns=PAGE_NOW)
    wall = str(layout(q, "?wall=1"))
    assert "Ring" in wall
    assert "Hub" in wall
    assert "1 h 39 min" in wall  # from 5 K to 0.1 K: ln 50 = 3.91 time constants of 25.2 min
    assert "soak-ask" not in wall
    assert "soak-ask" in str(layout(q, ""))


def test_a_clock_ended_twice_says_so_on_the_page(demo_copy: Path) -> None:
    """Pressed twice, or by two people: an answer with a sentence and no fault of the server; one entry."""
    from dashboard.access.request_check import PATH
    from dashboard.app import create_app
    from tests.dashboard.test_who_may import with_token

    with Store.open(demo_copy) as store:
        number = begin_soak(
            store, in_force(store.setups.versions()).setup, "machine-bay", "Ring", from_C=27.0,
            plan=plan_soak(constant_from_tau(1800.0), 27.0, 20.0, 0.1), who="Radek Sova", now_ns=NOW,
        )  # fmt: skip
    app = create_app(demo_copy)
    output = next(
        key for key, entry in app.callback_map.items() if "soak-ending" in str(entry.get("inputs", ""))
    )
    client = with_token(app.server.test_client())

    def pressed(subject: object) -> Any:
        press = {"id": "soak-ending", "property": "data", "value": {"subject": subject, "at": 1}}
        body = {
            "output": output,
            "outputs": {"id": "soak-clocks", "property": output.strip(".").rpartition(".")[2]},
            "inputs": [press],
            "changedPropIds": ["soak-ending.data"],
        }
        return client.post(PATH, json=body)

    answers = [pressed(subject) for subject in ("ring", True, number, number)]
    assert [a.status_code for a in answers] == [200, 200, 200, 200]
    assert all("Choose the part that was removed. Nothing was changed." in a.text for a in answers[:2])
    assert "was taken away before" in answers[3].text
    with Store.open(demo_copy) as store:
        assert len(store.journal.entries(kind="soak-ended")) == 1
