"""What was in force when: a changed limit leaves the past as it was."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.core.validity.timeline import first_affected
from logger.core.validity.versions import Version, contradictions, effective_setup
from logger.errors import Refused
from logger.instants import NS
from logger.model import Certificate, Placement, Rule, Setup

HOUR = 3600 * NS


def day(month: int, date: int = 1, year: int = 2026) -> int:
    return int(datetime(year, month, date, tzinfo=UTC).timestamp()) * NS


def version(setup: Setup, number: int, approved_ns: int, **more: object) -> Version:
    return Version(
        replace(setup, version=number, digest=f"d{number}"), approved_ns, "Greta", "Ines", "why", **more
    )  # type: ignore[arg-type]


def limits(setup: Setup, key: str = "bay.temperature") -> list[tuple[int, int | None, float | None]]:
    """Validity and upper limit of each piece of a rule."""
    return [(r.from_ns, r.to_ns, r.upper) for r in setup.rules if r.key == key]


def upper_at(setup: Setup, ns: int) -> float | None:
    value = [u for start, end, u in limits(setup) if start <= ns and (end is None or ns < end)]
    assert len(value) <= 1
    return value[0] if value else None


def test_a_limit_changed_on_1_march_leaves_february_under_the_old_one(build: SimpleNamespace) -> None:
    """The new file holds the new limit only."""
    old = version(build.setup((build.rule(upper=20.5),)), 1, day(1))
    new = version(build.setup((build.rule(upper=20.6),)), 2, day(3))
    assert limits(effective_setup([old, new])) == [(0, day(3), 20.5), (day(3), None, 20.6)]
    assert limits(effective_setup([old, new], known_ns=day(2))) == [(0, None, 20.5)]


def test_one_version_is_what_its_files_say(build: SimpleNamespace) -> None:
    setup = build.setup((build.rule(),))
    assert effective_setup([Version(setup, day(1))]) == setup


def test_nothing_is_in_force_before_the_first_approval(build: SimpleNamespace) -> None:
    with pytest.raises(Refused, match="approved by then"):
        effective_setup([version(build.setup((build.rule(),)), 1, day(3))], known_ns=day(2))


def test_a_change_may_begin_later_than_its_approval(build: SimpleNamespace) -> None:
    old = version(build.setup((build.rule(upper=20.5),)), 1, day(1))
    new = version(build.setup((build.rule(upper=20.6, from_ns=day(4)),)), 2, day(3))
    assert limits(effective_setup([old, new])) == [(0, day(4), 20.5), (day(4), None, 20.6)]


def test_a_change_postponed_before_it_began_never_begins(build: SimpleNamespace) -> None:
    each = [(20.5, 0, day(1)), (20.6, day(4), day(3)), (20.6, day(6), day(3, 15))]
    versions = [
        version(build.setup((build.rule(upper=u, from_ns=f),)), i + 1, a) for i, (u, f, a) in enumerate(each)
    ]
    assert limits(effective_setup(versions)) == [(0, day(6), 20.5), (day(6), None, 20.6)]


def test_a_rule_that_is_gone_ends_at_the_approval(build: SimpleNamespace) -> None:
    other = build.rule(name="span in 1 h", kind="span", window_s=3600, lower=None, upper=1.0, unit="K")
    old, new = build.setup((build.rule(), other)), build.setup((build.rule(),))
    rules = effective_setup([version(old, 1, day(1)), version(new, 2, day(3))]).rules
    assert [(r.key, r.from_ns, r.to_ns) for r in rules] == [
        ("bay.temperature", 0, None),
        ("bay.span in 1 h", 0, day(3)),
    ]


def test_another_approver_in_the_file_is_no_change(build: SimpleNamespace) -> None:
    old = version(build.setup((build.rule(approver="A"),)), 1, day(1))
    new = version(build.setup((build.rule(approver="B"),)), 2, day(3))
    assert limits(effective_setup([old, new])) == [(0, None, 21.0)]


def test_a_changed_rule_names_who_approved_its_version(build: SimpleNamespace) -> None:
    old = version(build.setup((build.rule(upper=20.5, approver="A"),)), 1, day(1))
    new = version(build.setup((build.rule(upper=20.6, approver="A"),)), 2, day(3))
    assert [r.approver for r in effective_setup([old, new]).rules] == ["A", "Ines"]


def test_a_corrected_entry_error_takes_the_place_of_the_error_alone(build: SimpleNamespace) -> None:
    """20.5, mistyped as 26.5 in version 2, corrected in version 3: version 1 keeps its time."""
    versions = [
        version(build.setup((build.rule(upper=u),)), i + 1, a, correction=c)
        for i, (u, a, c) in enumerate([(20.5, day(1), False), (26.5, day(3), False), (20.6, day(4), True)])
    ]
    result = effective_setup(versions)
    assert limits(result) == [(0, day(3), 20.5), (day(3), None, 20.6)]
    assert [(c.version, c.from_ns, c.approver) for c in result.corrections] == [(3, day(3), "Ines")]


def test_settings_of_a_zone_hold_from_the_approval(build: SimpleNamespace) -> None:
    old, new = (build.setup((build.rule(),), settling_s=s) for s in (14400, 7200))
    result = effective_setup([version(old, 1, day(1)), version(new, 2, day(3))])
    settled = [result.at(ns).zone("bay").settling_s for ns in (day(2), day(3) - 1, day(3))]
    assert settled == [14400, 14400, 7200]
    assert result.zone("bay").settling_s == 7200


def test_a_corrected_setting_reaches_back_to_where_the_error_began(build: SimpleNamespace) -> None:
    setups = [build.setup((build.rule(),), settling_s=s) for s in (14400, 1440, 14400)]
    flags = (False, False, True)
    versions = [version(s, i + 1, day(1 + 2 * i), correction=flags[i]) for i, s in enumerate(setups)]
    assert {effective_setup(versions).at(day(month)).zone("bay").settling_s for month in (2, 4, 6)} == {14400}


def test_a_certificate_may_act_on_the_past_and_one_taken_away_is_withdrawn(build: SimpleNamespace) -> None:
    setup = build.setup((build.rule(),))
    (paper,) = setup.certificates
    new = replace(paper, number="C-2", valid_from_ns=day(2, 20))
    result = effective_setup(
        [version(setup, 1, day(1)), version(replace(setup, certificates=(new,)), 2, day(3))]
    ).certificates_of("T1.temperature")
    assert [(c.number, c.valid_from_ns, c.withdrawn_ns) for c in result] == [
        ("C-T1", 0, day(3)),
        ("C-2", day(2, 20), None),
    ]


def test_a_moved_probe_keeps_its_earlier_place(build: SimpleNamespace) -> None:
    """The new file only says where it stands since 20 February."""
    setup = build.setup((build.rule(),), {"T1": (1, 1, 1), "T2": (2, 2, 2)})
    moved = replace(setup, placements=(Placement("T1", "T2", day(2, 20)),))
    result = effective_setup([version(setup, 1, day(1)), version(moved, 2, day(3))])
    assert result.placements_of("T1.temperature") == (
        Placement("T1", "T1", 0, day(2, 20)),
        Placement("T1", "T2", day(2, 20)),
    )
    assert result.placements_of("T2.temperature") == (Placement("T2", "T2", 0, day(3)),)


def test_a_zone_given_up_can_still_be_asked(build: SimpleNamespace) -> None:
    setup = build.setup((build.rule(),))
    without = replace(setup, zones={}, rules=())
    result = effective_setup([version(setup, 1, day(1)), version(without, 2, day(3))])
    assert result.zone("bay").to_ns == day(3)
    assert result.zones_now() == ()


def test_what_would_change_the_meaning_of_readings_is_named(build: SimpleNamespace) -> None:
    setup = build.setup((build.rule(),))
    channel, probe = setup.channels["T1.temperature"], setup.probes["T1"]
    other = replace(
        setup,
        channels={channel.key: replace(channel, unit="degF")},
        probes={"T1": replace(probe, serial="X-9")},
    )
    result = contradictions(setup, other)
    assert contradictions(setup, setup) == []
    assert ["degF" in result[0], "X-9" in result[1]] == [True, True]


def test_only_what_judges_touches_the_past(build: SimpleNamespace) -> None:
    """A basis, a comment, an issuer touch nothing; a limit from March on, nothing before."""
    setup = build.setup((build.rule(upper=20.5),))
    (rule,), (paper,) = setup.rules, setup.certificates
    spoken = replace(
        setup, rules=(replace(rule, basis="another"),), certificates=(replace(paper, issuer="another"),)
    )
    old = version(setup, 1, day(1))
    assert first_affected(setup, effective_setup([old, version(spoken, 2, day(3))]), "bay") is None
    stricter = build.setup((build.rule(upper=20.4),))
    assert first_affected(setup, effective_setup([old, version(stricter, 2, day(3))]), "bay") == day(3)


def test_an_overdue_day_moved_touches_from_the_earlier_one(build: SimpleNamespace) -> None:
    early, late = (build.setup((build.rule(),), certificate={"due_ns": day(m)}) for m in (3, 6))
    assert first_affected(early, late, "bay") == day(3)


def test_an_activity_has_its_own_limit_only_while_that_holds(build: SimpleNamespace) -> None:
    """20.6 conforms for hand gauges and not for gauge blocks, once these have a limit."""
    general = build.rule(upper=21.0)
    blocks = build.rule(key="bay.blocks", upper=20.5, activity="gauge blocks", from_ns=day(3))
    setup = build.setup((general, blocks))
    pieces = [(r.upper, r.from_ns, r.to_ns) for r in setup.rules_of("bay", "gauge blocks")]
    assert pieces == [(21.0, 0, day(3)), (20.5, day(3), None)]
    assert setup.rules_of("bay") == (general,)


# Properties: against the definition, walked change by change.

CHANGES = st.lists(
    st.tuples(st.integers(0, 40), st.one_of(st.none(), st.integers(0, 40)), st.floats(20, 21)),
    min_size=1,
    max_size=6,
)


def in_force(changes: list[tuple[int, Rule | None, int]], t: int) -> Rule | None:
    """The newest change that began by t, of those that no later change overtook before they began."""
    for i in reversed(range(len(changes))):
        start, rule, _ = changes[i]
        void = any(approved < start for _, _, approved in changes[i + 1 :])
        if start <= t and not void:
            return rule
    return None


@given(CHANGES, st.integers(0, 60))
def test_the_pieces_are_what_the_definition_says(
    made_rules: SimpleNamespace, drawn: list[tuple[int, int | None, float]], t: int
) -> None:
    """A limit changed, moved or dropped at will: in force is the newest change that had begun."""
    versions, changes, before = [], [], None
    for number, (valid_from, removed, upper) in enumerate(drawn):
        approved = 10 * number
        dropped = removed is not None and removed > 30 and number > 0
        rule = None if dropped else made_rules.rule(from_ns=valid_from, upper=upper)
        versions.append(version(made_rules.setup((rule,) if rule else ()), number + 1, approved))
        if rule != before:
            start = approved if rule is None else max(valid_from, approved) if number else valid_from
            changes.append((start, rule, approved))
        before = rule
    expected = in_force(changes, t)
    assert upper_at(effective_setup(versions), t) == (expected.upper if expected else None)


@given(CHANGES)
def test_a_further_version_never_changes_what_was_before_its_approval(
    made_rules: SimpleNamespace, drawn: list[tuple[int, int | None, float]]
) -> None:
    """Without a correction, no limit reaches back."""
    versions = [
        version(made_rules.setup((made_rules.rule(from_ns=start, upper=upper),)), i + 1, 10 * i)
        for i, (start, _, upper) in enumerate(drawn)
    ]
    for n in range(1, len(versions)):
        before, after = effective_setup(versions[:n]), effective_setup(versions[: n + 1])
        touched = first_affected(before, after, "bay")
        assert touched is None or touched >= versions[n].approved_ns


@pytest.fixture(scope="module")
def made_rules() -> SimpleNamespace:
    """The builders of `made`, for hypothesis: it wants no fixture of a function's scope."""
    from tests.builders import rule, setup

    return SimpleNamespace(rule=rule, setup=setup)


def test_an_unused_certificate_is_not_lost(build: SimpleNamespace) -> None:
    """A number that two versions hold is as the newer one says."""
    setup = build.setup((build.rule(),))
    (paper,) = setup.certificates
    right: Certificate = replace(paper, U=(0.3,))
    result = effective_setup(
        [version(setup, 1, day(1)), version(replace(setup, certificates=(right,)), 2, day(3))]
    )
    assert result.certificates == (right,)
