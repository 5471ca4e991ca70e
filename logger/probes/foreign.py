"""Drivers of other packages, held at arm's length: what they raise or return wrongly is a row, never a value.

A plug-in runs in this process with the rights of the service; this is no sandbox. It keeps a fault in a
plug-in from ending a bus, and a row that is no row from being stored.
"""

from __future__ import annotations

import logging
import math
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, TypeVar, cast, get_args

from pydantic import BaseModel

from ..instants import rfc3339
from ..model import PluginLine
from .clock import Clock
from .driver import OPENING_S, Interruptible, ProbeDriver, Raw, Status
from .plug_in import KindRefused, ProbeKind

log = logging.getLogger(__name__)
STATUSES: tuple[str, ...] = get_args(Status)
_SHOWN = 64
OLDEST_NS = 86_400_000_000_000  # an instant more than a day ago is none that a driver took
AHEAD_NS = 60_000_000_000  # nor is one beyond now; so far clocks of two machines may differ
T = TypeVar("T")


class SilentDriver:
    """A probe that cannot be read, with the reason as its rows. Conforms to `ProbeDriver`."""

    def __init__(self, line: Any, clock: Clock, why: str) -> None:
        self.probe: str = line.probe
        self.channels = tuple(line.channels.values())
        self.interval_s: float = line.interval_s
        self.deadline_s = OPENING_S
        self.wire: object = self
        self._clock, self._why = clock, why

    def open(self) -> None:
        """There is nothing to open."""

    def close(self) -> None:
        """There is nothing to close."""

    def listen(self, until_s: float) -> bool:  # noqa: ARG002 (it never speaks)
        """See `ProbeDriver`."""
        return False

    def read(self) -> Sequence[Raw]:
        """A `device-error` for each channel."""
        at_ns = self._clock.wall_ns()
        return [Raw(channel, None, "device-error", at_ns, self._why[:_SHOWN]) for channel in self.channels]


class ForeignDriver:
    """A driver of a plug-in whose answers are looked at. Conforms to `ProbeDriver`."""

    def __init__(self, driver: ProbeDriver, line: PluginLine, clock: Clock) -> None:
        self._driver, self._clock = driver, clock
        self.probe = line.probe
        self.channels = tuple(line.channels.values())
        self.interval_s = line.interval_s
        self.deadline_s = float(driver.deadline_s)
        shared = driver.wire
        self.wire: object = self if shared is driver else shared
        if not (self.deadline_s > 0 and math.isfinite(self.deadline_s)):
            raise KindRefused("a deadline_s above 0", f"{driver.deadline_s!r}")

    def open(self) -> None:
        """See `ProbeDriver`."""
        _without_ending(self._driver.open)

    def listen(self, until_s: float) -> bool:
        """See `ProbeDriver`; one that returns True at once would keep the bus busy, and waits here."""
        try:
            listens = self._driver.listen(until_s) is True
        except Exception:
            log.exception("probe %s: listen", self.probe)
            return False
        if listens:
            time.sleep(max(0.0, until_s - time.monotonic()))
        return listens

    def read(self) -> Sequence[Raw]:
        """The answers as they are; `device-error` for each that is no proper row."""
        answers = list(_without_ending(self._driver.read))
        now_ns = self._clock.wall_ns()
        by_channel: dict[str, list[Raw]] = {channel: [] for channel in self.channels}
        for raw in answers:
            if not isinstance(raw, Raw) or raw.channel not in by_channel:
                channel = getattr(raw, "channel", type(raw).__name__)
                return [self._bad(c, f"the driver gave a row of {channel!r}", now_ns) for c in self.channels]
            by_channel[raw.channel].append(raw)
        return [self._checked(channel, rows, now_ns) for channel, rows in by_channel.items()]

    def close(self) -> None:
        """See `ProbeDriver`; a fault in closing is logged, since nobody could mend it."""
        try:
            self._driver.close()
        except Exception:
            log.exception("probe %s: close", self.probe)

    def interrupt(self) -> None:
        """Passed on to a driver that can be interrupted."""
        if isinstance(self._driver, Interruptible):
            try:
                self._driver.interrupt()
            except Exception:
                log.exception("probe %s: interrupt", self.probe)

    def _checked(self, channel: str, rows: Sequence[Raw], now_ns: int) -> Raw:
        if len(rows) != 1:
            return self._bad(channel, f"the driver gave {len(rows)} rows, expected 1", now_ns)
        raw = rows[0]
        why = _fault_of(raw, now_ns)
        if why:
            return self._bad(channel, why, now_ns)
        value = None if raw.value is None else float(raw.value)
        return replace(raw, value=value, raw=_storable(raw.raw))

    def _bad(self, channel: str, why: str, now_ns: int) -> Raw:
        return Raw(channel, None, "device-error", now_ns, why[:_SHOWN])


def _without_ending(act: Callable[[], T]) -> T:
    """What it gives; RuntimeError where it would end the program, and with it the thread of its bus."""
    try:
        return act()
    except (SystemExit, KeyboardInterrupt) as end:
        raise RuntimeError(f"the driver called for the end of the program: {end!r}") from end


def _storable(text: str) -> str:
    """The text that explains a row, as any store takes it: short, and of signs that can be written."""
    return text[:_SHOWN].encode("utf-8", "backslashreplace").decode("utf-8").replace("\0", "\\x00")


def _fault_of(raw: Raw, now_ns: int) -> str:
    """What keeps a row from being one; "" for a proper row."""
    if raw.status not in STATUSES:
        return f"the driver gave the status {raw.status!r}"
    at_ns, value, text = (
        cast(Any, raw.at_ns),
        cast(Any, raw.value),
        cast(Any, raw.raw),
    )  # no type checker there
    if not isinstance(at_ns, int) or not now_ns - OLDEST_NS <= at_ns <= now_ns + AHEAD_NS:
        return f"the driver gave the instant {_in_utc(at_ns, now_ns)}"
    if not isinstance(text, str):
        return "the driver gave a `raw` that is no text"
    if raw.status != "ok":
        return "" if value is None else f"the driver gave {raw.status} with a value"
    if isinstance(value, bool) or not isinstance(value, float | int) or not _is_finite(value):
        return f"the driver gave ok with the value {value!r}"
    return ""


def _is_finite(value: float) -> bool:
    try:
        return math.isfinite(value)
    except OverflowError:  # a whole number beyond every float
        return False


def _in_utc(at_ns: Any, now_ns: int) -> str:
    """An instant within some years as a date, anything else as it is written."""
    if isinstance(at_ns, int) and abs(at_ns - now_ns) < 3 * 366 * OLDEST_NS:
        return rfc3339(at_ns)
    return repr(at_ns)


def guard(kind: ProbeKind, name: str, package: str) -> ProbeKind:
    """A kind of another package whose functions refuse by name instead of raising anything.

    Its record is always a `PluginLine`.
    """

    def refusing(act: Callable[..., Any], what: str) -> Callable[..., Any]:
        def run(*arguments: Any) -> Any:
            try:
                return _without_ending(lambda: act(*arguments))
            except KindRefused:
                raise
            except Exception as error:
                log.exception("kind %s of %s: %s", name, package, what)
                raise KindRefused(f"kind {name!r} of {package} to give its {what}", repr(error)) from error

        return run

    return ProbeKind(
        kind.table, refusing(kind.values, "values"), refusing(kind.bus, "bus"),
        kind.driver and refusing(kind.driver, "driver"), kind.interface,
        kind.drivers and refusing(kind.drivers, "drivers"), refusing(kind.alike, "alike"),
        refusing(lambda table: list(kind.faults(table)), "faults"),
        refusing(lambda table: list(kind.cautions(table)), "cautions"),
        names_at=kind.names_at, needs=kind.needs, trial=kind.trial,
    )  # fmt: skip


def supervise(drivers: Sequence[ProbeDriver], lines: Sequence[PluginLine], clock: Clock) -> list[ProbeDriver]:
    """The drivers of a plug-in with their answers looked at; what is no driver is silent, with the reason."""
    return [_supervise(driver, line, clock) for driver, line in zip(drivers, lines, strict=True)]


def _supervise(driver: ProbeDriver, line: PluginLine, clock: Clock) -> ProbeDriver:
    try:
        return ForeignDriver(driver, line, clock)
    except Exception as error:
        log.exception("probe %s", line.probe)
        return SilentDriver(line, clock, str(error))


def load_entry(load: Callable[[], Any], name: str, package: str) -> Any:
    """What an entry point names; KindRefused where importing it raises anything."""
    try:
        return _without_ending(load)
    except Exception as error:
        log.exception("kind %s of %s", name, package)
        raise KindRefused(f"kind {name!r} of {package} to be loaded", repr(error)) from error


class UnavailableTable(BaseModel):
    """Stands for the connection of an approved setup whose kind cannot be used any more, with the reason."""

    why: str
