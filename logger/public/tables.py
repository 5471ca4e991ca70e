"""The record as pandas DataFrames: units in the names of columns, instants in the room's time zone."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from logger.core.evidence.cells import Cells
from logger.instants import NS
from logger.model import Excursion, Period, Setup
from logger.model.reasons import WHY_TEXT, Why
from logger.series import STATUS, Int
from logger.store import Store
from logger.store.hot.studies import StoredStudy
from logger.units import MICRO, quantity
from logger.verdicts.channel_readings import QUALITY_WORDS, ChannelReadings, channel_readings
from logger.verdicts.verdicts import Verdicts

if TYPE_CHECKING:
    from logger.inspections.case_record import CaseRecord

DAY_NS = 86_400 * NS
DAYS_AT_ONCE = 31  # of cells that are judged for a grid
WORDS = {"%RH": "pctRH", "K/h": "K_per_h", "K/m": "K_per_m"}  # units as parts of names


def instants(ns: Iterable[int] | Int, zone: ZoneInfo) -> pd.DatetimeIndex:
    """Instants in the time zone of the room; an hour that comes twice is there twice."""
    return pd.DatetimeIndex(np.asarray(ns, dtype="datetime64[ns]"), tz="UTC").tz_convert(zone)


def _when(ns: Iterable[int | None], zone: ZoneInfo) -> pd.Series[Any]:
    times = [pd.NaT if at is None else pd.Timestamp(at, unit="ns", tz="UTC") for at in ns]
    return pd.Series(pd.DatetimeIndex(times, tz="UTC").tz_convert(zone))


def _unit(unit: str) -> str:
    return WORDS.get(unit, unit.replace("/", "_per_"))


def _words(codes: np.ndarray[Any, Any], words: Sequence[str]) -> pd.Categorical[Any]:
    """A text for each code, stored once."""
    categories: pd.Categorical[Any] = pd.Categorical.from_codes(codes.astype(np.int8), pd.Index(list(words)))
    return categories


def zones(setup: Setup) -> pd.DataFrame:
    """Zones by key."""
    rows = [
        {
            "zone": zone.key,
            "name": zone.name,
            **dict(zip(("x0_m", "y0_m", "x1_m", "y1_m"), zone.outline_m, strict=True)),
            "settling_s": zone.settling_s,
            "pre_window_s": zone.pre_window_s,
            "in_use": zone.to_ns is None,
        }
        for zone in setup.zones.values()
    ]
    return pd.DataFrame(rows).set_index("zone")


def channels(setup: Setup, now_ns: int) -> pd.DataFrame:
    """Channels by key, with their place and certificate of now."""
    rows = []
    for key, channel in setup.channels.items():
        position = setup.position_at(key, now_ns)
        used = [c for c in setup.certificates_of(key) if c.valid_from_ns <= now_ns]
        place = (None, None, None) if position is None else position.xyz_m
        rows.append(
            {
                "channel": key,
                "probe": channel.probe,
                "serial": setup.probes[channel.probe].serial,
                "quantity": channel.quantity,
                "unit": quantity(channel.quantity).unit,
                "zone": position.zone if position else None,
                "position": position.key if position else None,
                "medium": position.medium if position else None,
                **dict(zip(("x_m", "y_m", "z_m"), place, strict=True)),
                "certificate": used[-1].number if used else None,
                "due_ns": used[-1].due_ns if used else None,
            }
        )
    table = pd.DataFrame(rows).set_index("channel")
    due = _when(
        [None if pd.isna(ns) else int(ns) for ns in table.pop("due_ns")], ZoneInfo(setup.room.timezone)
    )
    return table.assign(due=due.to_numpy())


def readings(
    store: Store, setup: Setup, channel: str, span: tuple[int, int], zone: ZoneInfo, *, quality: bool
) -> pd.DataFrame:
    """Readings of a channel; see `RoomRecord.readings`."""
    part = channel_readings(store, setup, channel, *span, quality_flags=quality)
    columns: dict[str, Any] = {
        f"indicated_{_unit(part.unit)}": part.indicated,
        f"corrected_{_unit(part.unit)}": part.corrected,
        f"U_{_unit(part.difference_unit)}": part.U,
    }
    if part.quality is not None:
        flags = list(QUALITY_WORDS)
        codes = np.searchsorted(np.array([int(flag) for flag in flags]), part.quality)
        columns["quality"] = _words(codes, [QUALITY_WORDS[flag] for flag in flags])
    columns |= {"status": _words(part.status, STATUS), "why": _why(part), "late": part.late}
    return pd.DataFrame(columns, index=instants(part.taken_ns, zone).rename("taken"), copy=False)


def _why(part: ChannelReadings) -> pd.Categorical[Any]:
    """Why a reading supports no verdict; its status is told beside it."""
    return _words(part.why, [WHY_TEXT[why] for why in Why])


def grid(
    judged: Verdicts, names: Sequence[str], span: tuple[int, int], now_ns: int, zone: ZoneInfo
) -> pd.DataFrame:
    """Cells of several channels; see `RoomRecord.grid`."""
    setup, step_ns = judged.setup, judged.setup.step_s * NS
    first, end = span[0] // step_ns, min(-(-span[1] // step_ns), now_ns // step_ns)
    n = max(0, end - first)
    columns: dict[tuple[str, str], Any] = {}
    for name in names:
        kind = quantity(setup.channels[name].quantity)
        columns[name, _unit(kind.unit)] = np.full(n, np.nan)
        columns[name, f"U_{_unit(kind.difference_unit)}"] = np.full(n, np.nan)
    for key in setup.zones:
        inside = [name for name in names if name in setup.channels_in(key)]
        for begin in range(first, end, DAYS_AT_ONCE * DAY_NS // step_ns) if inside else ():
            stop = min(begin + DAYS_AT_ONCE * DAY_NS // step_ns, end)
            judgement = judged.judgement(key, begin * step_ns, stop * step_ns, now_ns)
            for name in inside:
                _fill(columns, name, judgement.cells[name], first, slice(begin, stop))
    index = instants(np.arange(first, first + n) * step_ns, zone).rename("from")
    return pd.DataFrame(columns, index=index)


def _fill(columns: dict[tuple[str, str], Any], name: str, cells: Cells, first: int, part: slice) -> None:
    """The cells of [part) in which the probe stood in the zone and gave evidence."""
    begin, stop = max(part.start, cells.grid.first), min(part.stop, cells.grid.first + cells.grid.n)
    if stop <= begin:
        return
    there = slice(begin - cells.grid.first, stop - cells.grid.first)
    evidence = cells.placed[there] & (cells.why[there] == Why.EVIDENCE)
    middle = (cells.low[there] + cells.high[there]) / 2
    mean = np.where(np.isfinite(cells.mean[there]), cells.mean[there], middle)
    for (of, unit), column in columns.items():
        if of == name:
            values = cells.U[there] if unit.startswith("U_") else mean
            target = column[begin - first : stop - first]
            target[evidence] = values[evidence] / MICRO


def verdicts(periods: Sequence[Period], zone: ZoneInfo) -> pd.DataFrame:
    """Periods of one verdict and reason."""
    table = pd.DataFrame(
        {
            "from": instants([p.from_ns for p in periods], zone),
            "to": instants([p.to_ns for p in periods], zone),
        }
    )
    for name in ("verdict", "reason", "rule", "probe"):
        table[name] = pd.Series([getattr(p, name) for p in periods], dtype="str")
    return table.assign(provisional=np.array([p.provisional for p in periods], np.bool_))


def excursions(runs: Sequence[Excursion], zone: ZoneInfo) -> pd.DataFrame:
    """Excursions: times out of limits."""
    fields = {
        "zone": [run.zone for run in runs],
        "rule": [run.rule for run in runs],
        "from": instants([run.from_ns for run in runs], zone),
        "to": instants([run.to_ns for run in runs], zone),
        "worst": np.array([run.worst for run in runs], np.float64),
        "worst_at": instants([run.worst_ns for run in runs], zone),
        "limit": np.array([run.limit for run in runs], np.float64),
        "U": np.array([run.U for run in runs], np.float64),
        "unit": [run.unit for run in runs],
        "exceedance": np.array([run.exceedance for run in runs], np.float64),
        "exceedance_unit": [f"{_difference(run.unit)}·h" for run in runs],
        "proven": np.array([run.proven for run in runs], np.bool_),
        "probes": [", ".join(run.probes) for run in runs],
        "basis": [run.basis for run in runs],
        "provisional": np.array([run.provisional for run in runs], np.bool_),
        "disposition": np.array([run.asks_disposition for run in runs], np.bool_),
    }
    return pd.DataFrame(fields)


def _difference(unit: str) -> str:
    return "K" if unit == "degC" else unit


def cases(records: Sequence[CaseRecord], zone: ZoneInfo) -> pd.DataFrame:
    """Excursions gathered by event."""
    fields = {
        "case": pd.array([record.number for record in records], dtype="Int64"),
        "zones": [", ".join(record.case.zones) for record in records],
        "from": instants([record.case.from_ns for record in records], zone),
        "to": instants([record.case.to_ns for record in records], zone),
        "settled": instants([max(record.settled_ns.values()) for record in records], zone),
        "state": [record.state for record in records],
        "cause": [record.cause for record in records],
        "runs": np.array([len(record.case.runs) for record in records], np.int64),
    }
    return pd.DataFrame(fields)


def studies(rows: Sequence[StoredStudy], zone: ZoneInfo) -> pd.DataFrame:
    """Figures of stored answers, one row each."""
    figures = [(row, figure) for row in rows for figure in json.loads(row.body)["figures"]]
    numbers = {
        name: np.array([np.nan if f[name] is None else f[name] for _, f in figures], np.float64)
        for name in ("value", "low", "high")
    }
    fields = {
        "asked": instants([row.at_ns for row, _ in figures], zone),
        "question": [row.question for row, _ in figures],
        "zone": [row.zone for row, _ in figures],
        "channel": [row.channel for row, _ in figures],
        "from": instants([row.from_ns for row, _ in figures], zone),
        "to": instants([row.to_ns for row, _ in figures], zone),
        "figure": [f["name"] for _, f in figures],
        "value": numbers["value"],
        "unit": [f["unit"] for _, f in figures],
        "low": numbers["low"],
        "high": numbers["high"],
        "shown": np.array([f["shown"] for _, f in figures], np.bool_),
        "why_not": [f["why_not"] for _, f in figures],
        "text": [f["text"] for _, f in figures],
        "digest": [row.digest for row, _ in figures],
    }
    return pd.DataFrame(fields)


def reasons(causes: Sequence[dict[str, Any]], zone: ZoneInfo) -> pd.DataFrame:
    """Reasons of a check."""
    table = pd.DataFrame(causes)
    for name in ("from", "to"):
        if name in table:
            table[name] = pd.to_datetime(table[name], utc=True, format="ISO8601").dt.tz_convert(zone)
    return table
