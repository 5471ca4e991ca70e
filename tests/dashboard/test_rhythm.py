"""How often open pages ask whether anything is new: once a second, and less often where hundreds are open."""

from __future__ import annotations

from dashboard.parts.news import SLOWEST_S, Rhythm


class Clock:
    """Seconds that pass when a test says so."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def watch(rhythm: Rhythm, clock: Clock, pages: int, seconds: int) -> float:
    """So many pages ask as the server says, one second after the other; what it says at the end."""
    due = [clock.now_s] * pages
    for _ in range(seconds):
        clock.now_s += 1.0
        for page in range(pages):
            if clock.now_s >= due[page]:
                rhythm.count()
                due[page] = clock.now_s + rhythm.again_s
    return rhythm.again_s


def test_few_pages_ask_each_second() -> None:
    clock = Clock()
    assert watch(Rhythm(clock), clock, 50, 30) == 1.0


def test_hundreds_of_pages_ask_each_five_seconds_and_fewer_soon_each_second_again() -> None:
    """Never more than 5 s: that long an alarm may take to an open page."""
    clock = Clock()
    rhythm = Rhythm(clock)
    assert watch(rhythm, clock, 300, 30) == SLOWEST_S
    assert watch(rhythm, clock, 3000, 30) == SLOWEST_S
    assert watch(rhythm, clock, 20, 30) == 1.0
