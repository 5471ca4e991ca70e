"""Figures of the alarms, counted by hand; and the digest, once a day."""

from __future__ import annotations

from dataclasses import replace

from logger.acts import alarms as attending
from logger.core.alarms.performance import StateChange, change_of, performance_figures
from logger.instants import NS
from logger.model import NoticePlan
from logger.service.digest import queue_digest
from logger.store import Store
from logger.verdicts.verdicts import Verdicts
from tests.service.test_alarming import CONFIG, live

MINUTE, HOUR, DAY = 60 * NS, 3600 * NS, 86_400 * NS


def raised(
    alarm: str, n: int, at_ns: int, over_ns: int | None = None, heard_ns: int | None = None
) -> list[StateChange]:
    """One occurrence as the journal tells it."""
    output = [StateChange(at_ns, alarm, "normal", "unacknowledged", n, "service")]
    if heard_ns is not None:
        output.append(StateChange(heard_ns, alarm, "unacknowledged", "acknowledged", n, "Greta Holm"))
    if over_ns is not None:
        was, now = ("acknowledged", "normal") if heard_ns else ("unacknowledged", "returned unacknowledged")
        output.append(StateChange(over_ns, alarm, was, now, n, "service"))
    return output


def test_ten_days_counted_by_hand() -> None:
    """Five of "air" with three within the hour, one of "span" that stands for 30 h, one never ended."""
    story = [
        *raised("air", 1, HOUR, HOUR + 10 * MINUTE, HOUR + 4 * MINUTE),
        *raised("air", 2, HOUR + 20 * MINUTE, HOUR + 25 * MINUTE),
        *raised("air", 3, HOUR + 40 * MINUTE, HOUR + 45 * MINUTE),
        *raised("span", 1, 2 * DAY, 2 * DAY + 30 * HOUR, 2 * DAY + 12 * MINUTE),
        *raised("air", 4, 5 * DAY, 5 * DAY + HOUR, 5 * DAY + 2 * MINUTE),
        *raised("door", 1, 9 * DAY + 23 * HOUR),
        *raised("air", 5, 11 * DAY),
    ]

    result = performance_figures(sorted(story, key=lambda c: c.at_ns), 0, 10 * DAY)

    assert (result.raised, result.per_day) == (6, 0.6)
    assert result.top == (("air", 4), ("door", 1), ("span", 1))
    assert (result.chattering, result.stale) == (("air",), ("span",))
    assert (result.acknowledged, result.to_acknowledge_s, result.longest_to_acknowledge_s) == (
        3,
        240.0,
        720.0,
    )
    assert result.floods == 0


def test_a_flood_is_counted_once_and_a_re_alarm_is_no_new_alarm() -> None:
    """Eleven in ten minutes; the same occurrence told again counts once."""
    flood = [c for n in range(11) for c in raised(f"a{n}", 1, n * MINUTE // 2)]
    again = [StateChange(5 * HOUR, "a1", "acknowledged", "unacknowledged", 1, "service")]

    result = performance_figures([*flood, *again], 0, DAY)

    assert (result.raised, result.floods) == (11, 1)
    assert performance_figures(flood[:-1], 0, DAY).floods == 0
    assert performance_figures([], 0, DAY).to_acknowledge_s is None
    assert change_of(0, "x", {"alarm": "a"}) is None


def test_the_digest_goes_out_once_a_day_with_the_head_of_the_chain(store: Store) -> None:
    """At 06:30 of the room's time; a service that was away tells at once when it comes back."""
    live(store, [20.0, 20.0])
    config = replace(CONFIG, notices=NoticePlan(digest_at=(6, 30)))
    verdicts = Verdicts(store, config.setup)
    morning = 1_792_384_200 * NS  # 2026-10-19T04:30:00Z, 06:30 in Vienna

    assert queue_digest(store, config, verdicts, morning - MINUTE)  # that of the day before
    head = store.journal.head()
    assert not queue_digest(store, config, verdicts, morning - NS)
    assert queue_digest(store, config, verdicts, morning)
    assert not queue_digest(store, config, verdicts, morning + 20 * HOUR)

    text = attending.outbox(store).of("digest.2026-10-18")[0].body["text"]
    assert "Machine bay: " in text
    assert f"entry {head[0] - 1}, " in text
    assert not queue_digest(store, CONFIG, verdicts, morning)
