"""Evidence cell by cell, by the definitions written out plainly: covered cells, neighbours, dew points."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Mapping
from dataclasses import dataclass, field
from statistics import median

from .readings import Reading, interval_s, max_age_s, micro, position_at, stays
from .rooms import STEP_S, Room, medium, probe_of, quantity_of
from .vapour import dew_point, dew_point_slopes

FORMULA_U = 0.004  # K, of a dew point: what the published formulas differ by
COMPARED_S, INTERVALS, SHARE = 15 * 60, 5, (4, 5)


@dataclass
class Cell:
    """What a cell holds: bounds, mean of its own readings, U, whether it is evidence.

    doubted: something was read in it that is in doubt; outside: or outside its certificate's range.
    """

    low: int | None = None
    high: int | None = None
    mean: int | None = None
    U: int | None = None
    evidence: bool = False
    valid: list[Reading] = field(default_factory=list)
    doubted: bool = False
    outside: bool = False


class Channel:
    """A channel of a room, by cells. `as_read`: its readings as they stand, but for single departures."""

    def __init__(self, name: str, room: Room, rows: list[Reading], *, as_read: bool) -> None:
        self.name, self.room, self.as_read = name, room, as_read
        self.stays = stays(room, name)
        self.by_cell: dict[int, list[Reading]] = {}
        rows = [r for r in rows if not r.missing]
        if as_read:
            rows = [r for r in rows if not (r.alone and not r.doubt)]
        for r in rows:
            self.by_cell.setdefault(int(r.at_s // STEP_S), []).append(r)
        self.sure = [r for r in rows if self.worth(r) == ""]
        self.sure_at = [r.at_s for r in self.sure]
        self.disagrees: set[int] = set()
        self._cells: dict[int, Cell] = {}

    def worth(self, r: Reading) -> str:
        """The doubt of a reading; as read, none."""
        return "" if self.as_read else r.worth

    def placed(self, cell: int) -> str | None:
        """The position in which it stands when a cell begins; as read, "" where it stands nowhere."""
        position = position_at(self.room, self.name, cell * STEP_S)
        return position if position is not None or not self.as_read else ""

    def stands(self, cell: int, media: tuple[str, ...]) -> bool:
        """Whether it takes part in a rule on some media (none: whatever it stands in, in the zone)."""
        position = self.placed(cell)
        if position is None:
            return False
        return position == "" or (medium(position) != "" and (not media or medium(position) in media))

    def ever(self, media: tuple[str, ...]) -> bool:
        """Whether it stands in one of some media at any time."""
        return any(medium(position) in media for position, _, _ in self.stays)

    def cell(self, number: int) -> Cell:
        """The cell of that number."""
        if number in self.disagrees and not self.as_read:
            return Cell(doubted=True)
        return self.undisputed(number)

    def undisputed(self, number: int) -> Cell:
        """The cell, whatever neighbours say."""
        if number not in self._cells:
            self._cells[number] = self._of_readings(number)
        return self._cells[number]

    def _of_readings(self, number: int) -> Cell:
        rows = self.by_cell.get(number, [])
        if not rows:
            return self._covered(number)
        visible = [r for r in rows if self.worth(r) in ("", "outside")]
        valid = [r for r in rows if self.worth(r) == ""]
        doubted = len(valid) < len(rows)
        if not visible:
            return Cell(doubted=True)
        values = [r.value for r in visible]
        mean = round(sum(values) / len(values))
        outside = len(visible) > len(valid)
        U = max(r.U or 0 for r in visible)
        return Cell(min(values), max(values), mean, U, not doubted, valid, doubted, outside)

    def _covered(self, number: int) -> Cell:
        place = bisect_left(self.sure_at, number * STEP_S)  # the cell has none of its own
        before, after = self.sure[max(place - 1, 0) : place], self.sure[place : place + 1]
        if not before:
            return Cell()
        flanks = [before[-1], *after[:1]]
        until = after[0].at_s if after else self.room["cells"] * STEP_S
        if until - before[-1].at_s > max_age_s(self.room) + 1e-9:
            return Cell()
        values = [r.value for r in flanks]
        return Cell(min(values), max(values), None, max(r.U or 0 for r in flanks), evidence=True)


class DewPoint(Channel):
    """The dew point that follows from temperature and humidity of one probe."""

    def __init__(self, temperature: Channel, humidity: Channel) -> None:
        super().__init__(probe_of(temperature.name) + "d", temperature.room, [], as_read=temperature.as_read)
        self.temperature, self.humidity = temperature, humidity

    def undisputed(self, number: int) -> Cell:
        """From the bounds of both: it rises with each."""
        t, rh = self.temperature.cell(number), self.humidity.cell(number)
        doubted = t.doubted or rh.doubted
        if t.low is None or t.high is None or rh.low is None or rh.high is None:
            return Cell(doubted=doubted)
        bounds = dew_point(t.low / 1e6, rh.low / 1e6), dew_point(t.high / 1e6, rh.high / 1e6)
        if bounds[0] is None or bounds[1] is None:
            return Cell(doubted=doubted)
        low, high = (round(bound * 1e5) * 10 for bound in bounds if bound is not None)
        return Cell(low, high, None, self._U(t, rh, number), t.evidence and rh.evidence, [], doubted)

    def _U(self, t: Cell, rh: Cell, number: int) -> int:
        """By the law of propagation, at the middle of the cell (JCGM 100:2008 5.1.2, 5.2.2)."""
        middle = [((c.low or 0) + (c.high or 0)) / 2e6 for c in (t, rh)]
        slopes = dew_point_slopes(*middle)
        parts = [s * (c.U or 0) / 1e6 for s, c in zip(slopes, (t, rh), strict=True)]
        squared = sum(p * p for p in parts) + FORMULA_U**2
        if self._one_certificate(number):
            squared += 2 * abs(parts[0] * parts[1])
        return round(math.sqrt(squared) * 1e5) * 10

    def _one_certificate(self, number: int) -> bool:
        """Whether both are used by one certificate when a cell begins."""
        papers = []
        for name in (self.temperature.name, self.humidity.name):
            used = [c for c in self.room["certificates"] if c[0] == name and c[1] <= number * STEP_S]
            papers.append(max(used, key=lambda c: c[1])[8:] if used else [])
        return papers[0] == papers[1] and papers[0] != []


def channels(room: Room, rows: Mapping[str, list[Reading]], *, as_read: bool) -> dict[str, Channel]:
    """Every channel, those that disagree with their neighbours marked, and dew points."""
    every = {name: Channel(name, room, rows[name], as_read=as_read) for name in rows}
    if not as_read:
        _compare_temperatures(room, every)
        _compare_dew_points(room, every)
    for name in sorted(every):
        if quantity_of(name) == "relative_humidity" and probe_of(name) in every:
            every[probe_of(name) + "d"] = DewPoint(every[probe_of(name)], every[name])
    return every


# Neighbours


def _compare_temperatures(room: Room, every: Mapping[str, Channel]) -> None:
    if room.get("agree_K") is None:
        return
    of = {n: c for n, c in every.items() if quantity_of(n) == "temperature"}
    series = {n: [_newest(c, cell) for cell in _seen_cells(room)] for n, c in of.items()}
    _compare(room, of, series, micro(room["agree_K"]))


def _compare_dew_points(room: Room, every: Mapping[str, Channel]) -> None:
    """Of humidity, which its own temperature turns into a dew point."""
    if room.get("agree_dew_point_K") is None:
        return
    of = {n: c for n, c in every.items() if quantity_of(n) == "relative_humidity" and probe_of(n) in every}
    series = {}
    for name, channel in of.items():
        both = [(_newest(every[probe_of(name)], c), _newest(channel, c)) for c in _seen_cells(room)]
        dew = [None if None in pair else dew_point(pair[0] / 1e6, min(pair[1] / 1e6, 100)) for pair in both]
        series[name] = [None if d is None else micro(d) for d in dew]
    _compare(room, of, series, micro(room["agree_dew_point_K"]))


def _seen_cells(room: Room) -> range:
    """Cells in which anything read may still stand."""
    return range(room["cells"] + int(max_age_s(room)) // STEP_S + 2)


def _newest(channel: Channel, cell: int) -> int | None:
    """The mean of the newest cell with valid readings, none of them too old at the end of this cell."""
    for number in range(cell, max(cell - int(max_age_s(channel.room)) // STEP_S - 2, -1), -1):
        there = channel.undisputed(number)
        if there.valid:
            young = (cell + 1) * STEP_S - there.valid[-1].at_s <= max_age_s(channel.room) + 1e-9
            return there.mean if young else None
    return None


def _compare(
    room: Room, of: Mapping[str, Channel], series: Mapping[str, list[int | None]], agree: int
) -> None:
    width = -(-int(max(COMPARED_S, INTERVALS * interval_s(room))) // STEP_S)
    for place in ("air", "part"):
        names = [n for n in of if of[n].ever((place,))]
        values = {
            n: [v if of[n].stands(cell, (place,)) else None for cell, v in enumerate(series[n])]
            for n in names
        }
        for name in names if len(names) > 1 else ():
            others = [values[n] for n in names if n != name]
            departs, compared = [], []
            for cell, value in enumerate(values[name]):
                beside = [o[cell] for o in others if o[cell] is not None]
                compared.append(value is not None and bool(beside))
                departs.append(
                    compared[-1]
                    and max(beside) - min(beside) <= agree
                    and abs(value - median(beside)) > agree
                )
            _mark(of[name], _departures(departs, compared, width))


def _departures(departs: list[bool], compared: list[bool], width: int) -> set[int]:
    """From a cell that departs to the last one of the window that does, where most of it departs."""
    cells: set[int] = set()
    few, many = SHARE
    for begin in (n for n, d in enumerate(departs) if d):
        window = range(begin, min(begin + width, len(departs)))
        apart = [n for n in window if departs[n]]
        if many * len(apart) >= few * sum(compared[n] for n in window):
            cells |= set(range(begin, apart[-1] + 1))
    return cells


def _mark(channel: Channel, cells: set[int]) -> None:
    """Those cells, and the covered ones beside them: a reading in doubt covers none."""
    own = [n for n in sorted(channel.by_cell) if channel.undisputed(n).valid]
    covered = []
    for n in range(channel.room["cells"]):
        if channel.undisputed(n).evidence and n not in channel.by_cell:
            place = bisect_left(own, n)
            if any(cell in cells for cell in own[max(place - 1, 0) : place + 1]):
                covered.append(n)
    channel.disagrees |= cells | set(covered)
