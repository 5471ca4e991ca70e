"""What a kind of probe is: ours and those of other packages alike.

A package brings kinds under the entry point `stillroom.probes`; docs/how-to/write-a-driver.md is its guide,
`logger.probes.conformance` the tests that every driver must pass.

    [project.entry-points."stillroom.probes"]
    bath = "lab_probe:BATH"
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from ..errors import ProbeError, Refused
from ..formats.table import NotNegative, Positive, Table, Text
from ..model import Line, PluginLine
from .clock import Clock, SystemClock
from .driver import OPENING_S, ProbeDriver, Raw, Status
from .identity import Identity, wrong_probe_values
from .line_socket import LineSocket

__all__ = [
    "INTERFACE", "OPENING_S", "Clock", "Identity", "KindRefused", "LineFacts", "LineSocket", "NotNegative",
    "PluginLine", "Positive", "ProbeDriver", "ProbeError", "ProbeKind", "Raw", "Status", "SystemClock",
    "Table", "Text", "TrialOptions", "TrialReport", "plugin_line", "wrong_probe_values",
]  # fmt: skip

INTERFACE = 1  # of `ProbeKind` and `ProbeDriver`; a kind that was written for another one is refused
KeyFault = tuple[str, str, str]  # key, what was expected, what was found


class KindRefused(Refused):
    """A kind of probe that cannot be used: what was expected, and what was found."""

    def __init__(self, expected: str, found: str) -> None:
        self.expected, self.found = expected, found
        super().__init__(f"expected {expected}, found {found}")


@dataclass(frozen=True)
class TrialReport:
    """What came: lines to show, and the lines of the table [probes.<name>.connection]; none: nothing came.

    answered: of a table that was there already: whether any poll gave a value.
    """

    shown: tuple[str, ...]
    table: tuple[str, ...]
    answered: bool = False


@dataclass(frozen=True)
class TrialOptions:
    """What a person may say of a trial beside the address.

    secret_env: the variable that holds a secret; user: where the other side knows users; save: where a
    certificate that the other side shows is to be written, "": nowhere; local: our own address, "": found.
    """

    timeout_s: float = 3.0
    secret_env: str = ""
    user: str = ""
    save: str = ""
    local: str = ""


@dataclass(frozen=True)
class LineFacts:
    """What a line says beside its table: `channels` by the names at the probe, `units` by channel."""

    probe: str
    kind: str
    bus: str
    channels: Mapping[str, str]
    interval_s: float = 60.0
    serial: str = ""
    units: Mapping[str, str] | None = None


def plugin_line(table: Any, facts: LineFacts) -> Line:
    """The record of a probe whose table says all."""
    return PluginLine(
        facts.probe, facts.kind, table, facts.channels, facts.bus, facts.interval_s, facts.serial,
        facts.units or {},
    )  # fmt: skip


def _no_faults(_table: Any) -> Iterable[KeyFault]:
    return ()


def _no_cautions(_table: Any) -> Iterable[str]:
    return ()


def _nothing(_line: Any) -> object:
    return None


@dataclass(frozen=True)
class ProbeKind:
    """One value of `kind` in [probes.KEY.connection].

    table: its keys, a pydantic model with extra="forbid" (`Table` is one) and a key `kind`. values: table ->
    {what the probe calls a value: name of the channel}. bus: table -> the wire; probes with an equal one are
    polled one after the other. driver: (line, clock) -> the driver of one probe; None: the probe sends by
    itself and is on no bus. interface: `INTERFACE` of the stillroom that it was written for.

    drivers: those of all probes on one bus, where they share a wire; then each has that object as `wire`.
    alike: line -> what must be equal for probes that share a bus. faults: table -> (key, expected, found) of
    what no single key can tell. cautions: table -> sentences of what may be set but should not without a
    thought. line: makes the record that the driver gets. names_at: the key that is blamed
    for a channel that is not there. needs: a module that must be installed, and the extra that brings it.
    trial: (address, `TrialOptions`) -> what `stillroom probe try` shows of an address without a table.
    """

    table: type[BaseModel]
    values: Callable[[Any], Mapping[str, str]]
    bus: Callable[[Any], str]
    driver: Callable[[Any, Clock], ProbeDriver] | None
    interface: int = 1
    drivers: Callable[[Sequence[Any], Clock], Sequence[ProbeDriver]] | None = None
    alike: Callable[[Any], object] = _nothing
    faults: Callable[[Any], Iterable[KeyFault]] = _no_faults
    cautions: Callable[[Any], Iterable[str]] = _no_cautions
    line: Callable[[Any, LineFacts], Line] = plugin_line
    names_at: str = ""
    needs: tuple[str, str] | None = None
    trial: Callable[[str, TrialOptions], TrialReport] | None = None
