"""Labels for probes and their positions: key, place, serial number, due day, and a code for a phone.

The due day makes a label age: what was printed is journalled, and `stale` names those whose day is another
one since.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..core.calibration.curve import correction
from ..core.calibration.status import RegisterEntry, register
from ..errors import Refused, UnknownName
from ..instants import local, rfc3339
from ..model import Certificate, Setup
from ..model.entry_forms import LabelsEntry
from ..model.words import medium_words
from ..units import difference_to_canonical, to_canonical
from .code import base_address, code_svg
from .paper import compile_paper, frame

if TYPE_CHECKING:
    from ..store import Store

KIND = "labels"
SHEETS: Mapping[str, tuple[int, int]] = {"3x8": (3, 8), "2x7": (2, 7), "2x5": (2, 5)}
SINGLE = "62x29"  # one label a page, for printers of labels: mm


@dataclass(frozen=True)
class Label:
    """What stands on the label of one probe; `due`: the first day of its channels, "" without any."""

    probe: str
    position: str
    place: str
    serial: str
    due: str
    lines: tuple[str, ...]

    def code(self, name: str) -> str:
        """What its code holds: the address of the position's page, else key and serial number."""
        if name and self.position:
            return f"{base_address(name)}/positions/{self.position}"
        return f"stillroom:{self.probe} {self.serial}"


def chosen_labels(setup: Setup, names: Sequence[str], at_ns: int) -> list[Label]:
    """The labels of probes by their keys or those of their positions; without any, of all that are placed."""
    entries = register(setup, at_ns)
    by_probe: dict[str, list[RegisterEntry]] = {}
    for entry in entries:
        by_probe.setdefault(entry.probe, []).append(entry)
    placed = {rows[0].position.key: probe for probe, rows in by_probe.items() if rows[0].position}
    probes = []
    for name in names:
        probe = name if name in by_probe else placed.get(name)
        if probe is None:
            raise UnknownName("probe or position with a probe", name, [*by_probe, *placed])
        probes.append(probe)
    chosen = list(dict.fromkeys(probes)) or list(placed.values())
    if not chosen:
        raise Refused("No probe is at a position: expected one, found none. See: stillroom probe list")
    return [_label(setup, by_probe[probe]) for probe in chosen]


def _label(setup: Setup, entries: Sequence[RegisterEntry]) -> Label:
    first, position = entries[0], entries[0].position
    due = min((e.confirmation.due for e in entries if e.confirmation.due), default=None)
    numbers = [e.confirmation.certificate.number for e in entries if e.confirmation.certificate]
    lines = [", ".join(dict.fromkeys(numbers)) if numbers else "no certificate"]
    lines += [text for e in entries for text in _correction(setup, e.confirmation.certificate)]
    if position is not None:
        place = " / ".join(f"{v:.2f}" for v in position.xyz_m)
        lines.append(f"{place} m, {medium_words(position.medium)}")
        zone = setup.zones[position.zone].name if position.zone in setup.zones else position.zone
    return Label(
        first.probe,
        position.key if position else "",
        f"{zone}, {position.name}" if position else "at no position",
        first.serial,
        "" if due is None else due.isoformat(),
        tuple(lines),
    )


def _correction(setup: Setup, certificate: Certificate | None) -> list[str]:
    """Lines with correction and U of a thermometer at 20 °C; none for other channels and ranges."""
    if certificate is None or certificate.channel not in setup.channels:
        return []
    channel = setup.channels[certificate.channel]
    if channel.quantity != "temperature":
        return []
    own_C = to_canonical(np.array([0.0, 1.0]), channel.unit, "temperature")
    at = (20.0 - float(own_C[0])) / float(own_C[1] - own_C[0])
    if not certificate.indications[0] <= at <= certificate.indications[-1]:
        return []
    value = difference_to_canonical(float(correction(certificate, np.array(at))), channel.unit, "temperature")
    U = difference_to_canonical(max(certificate.U), channel.unit, "temperature")
    correction_line = f"correction at 20 °C: {float(value):+.2f} K".replace("-", "−")
    return [correction_line, f"U {float(U):.2f} K (k = {certificate.k:g})"]


def labels_pdf(
    labels: Sequence[Label],
    setup: Setup,
    name: str,
    at_ns: int,
    sheet: str = "3x8",
    *,
    simulated: bool = False,
) -> bytes:
    """The labels as PDF on sheets of columns x rows on A4, or one a page; name: host of the pages or ""."""
    if sheet not in (*SHEETS, SINGLE):
        raise Refused(f"--sheet: expected one of {', '.join((*SHEETS, SINGLE))}, found {sheet!r}.")
    from zoneinfo import ZoneInfo

    day = local(at_ns, ZoneInfo(setup.room.timezone)).date().isoformat()
    columns, rows = SHEETS.get(sheet, (1, 1))
    words: dict[str, Any] = frame(setup, "Labels", simulated=simulated) | {
        "columns": columns,
        "rows": rows,
        "single": sheet == SINGLE,
        "labels": [
            {
                "probe": label.probe,
                "place": label.place,
                "serial": label.serial,
                "due": label.due or "no due day",
                "lines": list(label.lines),
                "foot": f"as of {day}",
                "code": f"code-{number}.svg",
                "alt": f"code: {label.code(name)}",
            }
            for number, label in enumerate(labels)
        ],
    }
    codes = {f"code-{number}.svg": code_svg(label.code(name)) for number, label in enumerate(labels)}
    return compile_paper("labels", words, at_ns, codes)


def note_printed(store: Store, labels: Sequence[Label], who: str, now_ns: int) -> None:
    """Journal what was printed with which due day, so that it is known when a label has aged."""
    what: LabelsEntry = {"at": rfc3339(now_ns), "due": {label.probe: label.due for label in labels}}
    store.journal.append(KIND, who, what)


def stale(store: Store, setup: Setup, at_ns: int) -> list[tuple[str, str, str]]:
    """Probes whose due day is another one than on the label printed last: probe, day there, day now."""
    printed: dict[str, str] = {}
    for entry in store.journal.entries(kind=KIND):
        printed |= entry.read(LabelsEntry)["due"]
    days = {e.probe: "" for e in register(setup, at_ns)}
    for e in register(setup, at_ns):
        due = e.confirmation.due.isoformat() if e.confirmation.due else ""
        days[e.probe] = min(filter(None, (days[e.probe], due)), default="")
    return [(p, day, days[p]) for p, day in printed.items() if p in days and days[p] != day]
