"""What a change does to the room is said before it is approved; what gets worse takes a word of its own."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from logger.acts import probes as placing
from logger.acts.probes import ProbeChange
from logger.acts.setup import approve
from logger.config import in_force
from logger.errors import Refused
from logger.inspections.setup_effect import (
    ShareChange,
    effect_if_approved,
    is_worse,
    refuse_unconfirmed,
    rule_losses,
    setup_effect,
    support,
)
from logger.inspections.setup_impact import ChangedVerdict
from logger.instants import NS, wall
from logger.store import Store
from logger.verdicts.verdicts import Verdicts
from tests.cli.test_cli_probe import NEW, PAPERS
from tests.inspections.test_lists import NOW

VIENNA = ZoneInfo("Europe/Vienna")

DAY_NS = 86_400 * NS
PLACES = {"T1": (1.0, 1.0, 1.0), "T2": (3.0, 1.0, 1.0)}


@pytest.fixture
def store(demo_copy: Path) -> Iterator[Store]:
    with Store.open(demo_copy) as opened:
        yield opened


def texts_in_force(store: Store) -> dict[str, str]:
    return dict(in_force(store.setups.versions()).texts)


def swap_p2(store: Store, check: Any = None) -> None:
    """P8, which has no humidity, takes the place of P2."""
    change = ProbeChange("Greta Holm", NOW, NOW, "broken", PAPERS)
    change = replace(change, check=check) if check else change
    placing.swap(store, "P2", "P8", change, NEW)


def test_who_takes_a_probe_away_is_told_which_rules_lose_it(build: SimpleNamespace) -> None:
    """Of two probes one leaves at noon: a rule that needs both, and one that takes what is placed."""
    rules = build.rule(name="both", need=2), build.rule(name="any")
    before = build.setup(rules, PLACES)
    ended = tuple(replace(p, to_ns=build.at(12)) if p.probe == "T2" else p for p in before.placements)
    losses = list(rule_losses(before, replace(before, placements=ended), build.at(12)))
    noon = wall(build.at(12), ZoneInfo(before.room.timezone))
    assert [loss.sentence for loss in losses] == [
        f"both in zone bay is not shown from {noon} on: evidence of 1 of the 2 channels it requires.",
        f"any in zone bay rests on 1 of 2 channels from {noon} on.",
    ]


def test_a_placed_probe_without_certificate_takes_the_evidence_away(build: SimpleNamespace) -> None:
    """A rule takes every channel that is placed: one without a certificate, and the zone is not shown."""
    rule = build.rule(name="any")
    before = build.setup((rule,), PLACES)
    bare = replace(before, certificates=tuple(c for c in before.certificates if c.channel[:2] != "T2"))
    states = [support(setup, rule, build.at(12)) for setup in (before, bare)]
    assert [(s.placed, s.evident, s.least, s.enough) for s in states] == [(2, 2, 2, True), (2, 1, 2, False)]
    (loss,) = rule_losses(before, bare, build.at(12))
    assert loss.not_shown


def test_a_later_end_is_said_with_its_instant(build: SimpleNamespace) -> None:
    before = build.setup((build.rule(name="any"),), PLACES)
    ended = tuple(replace(p, to_ns=build.at(20)) for p in before.placements)
    (loss,) = rule_losses(before, replace(before, placements=ended), build.at(12))
    assert (loss.not_shown, loss.from_ns) == (True, build.at(20))


@pytest.mark.slow
def test_a_swap_to_a_probe_without_humidity_is_not_silent(store: Store) -> None:
    """With P2 the bay loses one of two humidities; with P1 gone before, all: it is not shown from then on."""
    seen: list[Any] = []

    def check(texts: Mapping[str, str]) -> None:
        seen.append(effect_if_approved(store, texts, "Greta Holm", NOW))
        refuse_unconfirmed(seen[-1], yes=False, how="Add --yes")

    with pytest.raises(Refused, match="relative humidity in zone machine-bay rests on 1 of 2 channels"):
        swap_p2(store, check)
    assert [p for p in store.setups.proposals() if p.state == "waiting"] == []
    placing.withdraw(store, "P1", ProbeChange("Greta Holm", NOW - DAY_NS, NOW, "calibration"))
    approve(store, 2, "Ines Faber", "", NOW)
    with pytest.raises(
        Refused, match=f"Zone machine-bay is not shown from {re.escape(wall(NOW, VIENNA))} on"
    ):
        swap_p2(store, check)
    effect = seen[-1]
    assert effect.not_shown == {"machine-bay": NOW}
    (humidity,) = [loss for loss in effect.losses if loss.not_shown]
    assert humidity.rule == "relative humidity"
    (bay,) = effect.shares
    assert bay.after == 0.0


@pytest.mark.slow
def test_the_share_of_the_last_30_days_is_that_of_the_limits_as_proposed(store: Store) -> None:
    """Unchanged limits: the share of the stored verdicts. Half as wide a band: less, and worse is said."""
    config = in_force(store.setups.versions())
    narrow = tuple(
        replace(r, lower=19.9, upper=20.1) if r.key == "machine-bay.temperature" else r
        for r in config.setup.rules
    )
    effect = setup_effect(store, config.setup, replace(config.setup, rules=narrow), NOW)
    (share,) = effect.shares
    verdicts = Verdicts(store, config.setup)
    record = verdicts.record("machine-bay")
    assert record is not None
    begin = max(record[0], NOW - 30 * DAY_NS)
    periods = verdicts.periods("machine-bay", begin, NOW, NOW)
    stable = sum(p.to_ns - p.from_ns for p in periods if p.verdict == "stable")
    whole = sum(p.to_ns - p.from_ns for p in periods)
    assert share.before == pytest.approx(stable / whole, abs=1e-3)
    assert share.worse
    assert (share.after or 0) < (share.before or 0)
    assert any(s.startswith("Zone machine-bay, stable in the last 30 days") for s in effect.worse)
    assert {v.what for v in effect.verdicts} >= {"inspection I-2601"}


def test_files_that_change_nothing_get_nothing_worse(store: Store) -> None:
    effect = effect_if_approved(store, texts_in_force(store), "Greta Holm", NOW)
    assert (effect.worse, effect.sentences) == ([], [])


@pytest.mark.parametrize(
    ("was", "becomes", "worse"),
    [
        ("stable (conforming)", "not shown (guard band)", True),
        ("not shown (settling)", "not stable (settling)", True),
        ("not stable (nonconforming)", "not shown (indeterminate)", False),
        ("not shown (guard band)", "stable (conforming)", False),
    ],
)
def test_a_worse_verdict_is_one_that_says_less_for_the_room(was: str, becomes: str, worse: bool) -> None:
    assert is_worse(ChangedVerdict("inspection I", "", "bay", 0, 1, was, becomes)) is worse


def test_a_share_that_gets_better_or_stays_is_not_worse() -> None:
    assert not ShareChange("bay", 0.9, 0.9).worse
    assert not ShareChange("bay", None, None).worse
    assert ShareChange("bay", 0.9, None).worse
