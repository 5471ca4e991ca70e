"""What disturbs: the mean response of a channel to events of one kind, such as a door that opens.

The response is free in each cell; intervals are a jackknife over days, which are independent where minutes
are not. Superposed epochs (Chree 1913) without a model "showed" an effect in 95 of 100 rooms that had none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from ...model.figures import decimals, number_of, unit_name
from ...series import Bool, Float
from .channel_record import DAY_S, ChannelRecord
from .figure import Answer, Figure, absent, effect, percent
from .mean_response import POST_S, Response, mean_response

BIN_S = 300
LEAST_EVENTS = 8
LEAST_DAYS = 6
BUSY = 0.5
QUARTER_S = 900
# The jackknife alone held the planted size in 0.86 to 0.92 and the area in 0.82 to 0.93 of made rooms: few
# days, unlike in weight, and slow pieces that take a little of the area. So much wider they hold 0.95.
WIDER_SIZE, WIDER_AREA = 1.2, 1.4
METHOD = (
    "free response a minute, slow pieces, autoregressive noise; jackknife over {n} groups of days, "
    f"widened by {WIDER_SIZE:g} (area {WIDER_AREA:g}) to what made rooms showed"
)


def disturbance(record: ChannelRecord, events_s: Sequence[float], small: float = 0.02) -> Answer:
    """The response to events at these instants (UTC s); `small`: below so much (K) it counts as over."""
    unit = record.difference_unit
    events = np.unique(np.asarray(events_s, np.float64))
    inside = (events >= record.start_s) & (events < record.start_s + len(record) * record.step_s)
    refusal = _refusal(record, events[inside])
    if refusal is None:
        response = mean_response(record, events[inside])
        refusal = _late_refusal(response, record, events[inside])
        if refusal is None:
            return _answer(record, response, events[inside], small)
    figures = tuple(absent(name, unit, *refusal) for name in ("peak", "area"))
    return Answer("events", "Not shown: " + refusal[0], figures)


def _refusal(record: ChannelRecord, events: Float) -> tuple[str, str] | None:
    local = _local_s(record, events)
    days = len(np.unique(local // DAY_S))
    if len(events) < LEAST_EVENTS or days < LEAST_DAYS:
        return (
            f"{number_of(len(events), 'event')} on {number_of(days, 'day')} inside the record.",
            f"Record {LEAST_EVENTS} events or more on {LEAST_DAYS} days or more.",
        )
    if record.step_s > BIN_S:
        return f"readings every {record.step_s / 60:.0f} min.", "Log one probe every 60 s on such days."
    local = np.sort(local % DAY_S)
    apart = np.diff(np.append(local, local[0] + DAY_S))
    if DAY_S - apart.max() <= QUARTER_S:
        return (
            (
                "all events lie within one quarter of an hour of the day: they "
                "cannot be separated from the daily course."
            ),
            "Vary the time of day by an hour or more.",
        )
    covered = _covered(record, events)
    if covered > BUSY:
        return (
            f"events cover {percent(covered)} of the time: nothing undisturbed is left to compare with.",
            "Record days with fewer events.",
        )
    return None


def _local_s(record: ChannelRecord, events: Float) -> Float:
    """Events by the clock of the room on their day: doors follow it over a change of the clock."""
    places = ((events - record.start_s) // record.step_s).astype(np.int64)
    return np.asarray(events + record.offset_s[places])


def _covered(record: ChannelRecord, events: Float) -> float:
    ends = np.minimum(events + POST_S, np.append(events[1:], np.inf))
    return float((ends - events).sum() / (len(record) * record.step_s))


def _late_refusal(response: Response, record: ChannelRecord, events: Float) -> tuple[str, str] | None:
    days = len(np.unique(_local_s(record, events[response.used]) // DAY_S))
    n = int(response.used.sum())
    if n >= LEAST_EVENTS and days >= LEAST_DAYS and len(response.without) >= 3:
        return None
    why = f"gaps leave {number_of(n, 'event')} on {number_of(days, 'day')}."
    return why, f"Record {LEAST_EVENTS} events on {LEAST_DAYS} days without gaps around them."


@dataclass(frozen=True)
class Decay:
    """A·exp(−t/θ) fitted to a response: A in the unit of the channel, θ in s."""

    size: float
    decay_s: float

    def minutes_above(self, small: float) -> float:
        """Minutes until it has fallen below `small`; 0 where it never was above."""
        return self.decay_s / 60 * float(np.log(max(abs(self.size) / small, 1.0)))


def fit_decay(h: Float, normal: Float, step_s: int, phase_s: float) -> Decay:
    """The decay that fits a response best, by the precision of its cells after the first.

    phase_s: how long after the start of a cell events happen on average. The first cell holds part of the
    time before the event, and is left to itself.
    """
    at = (np.arange(1, len(h)) + 0.5) * step_s - phase_s
    normal = normal[1:, 1:] - np.outer(normal[1:, 0], normal[0, 1:]) / normal[0, 0]
    h = h[1:]
    decays = np.geomspace(60, POST_S, 40)
    shapes = np.exp(-at[None, :] / decays[:, None])
    weighted = shapes @ normal
    gains, sizes = (weighted * shapes).sum(axis=1), weighted @ h
    explained = sizes**2 / gains
    best = int(explained.argmax())
    decay_s = float(decays[best])
    if 0 < best < len(decays) - 1:  # the top of the parabola through three points, in the logarithm
        a, b, c = explained[best - 1 : best + 2]
        bend = a - 2 * b + c
        decay_s *= float(decays[1] / decays[0]) ** (0.5 * float((a - c) / bend) if bend < 0 else 0.0)
    shape = np.exp(-at / decay_s)
    weight = normal @ shape
    return Decay(float(weight @ h / (weight @ shape)), decay_s)


def jackknife(without: Float) -> Float:
    """Standard uncertainty of a statistic from its values with each group left out, shape (groups, …)."""
    g = len(without)
    return np.asarray(np.sqrt((g - 1) / g * ((without - without.mean(axis=0)) ** 2).sum(axis=0)))


def _answer(record: ChannelRecord, response: Response, events: Float, small: float) -> Answer:
    from scipy.stats import t

    unit, g = record.difference_unit, len(response.without)
    method = METHOD.format(n=g)
    k = float(t.ppf(0.975, g - 1))
    phase_s = float(np.mean((events[response.used] - record.start_s) % record.step_s))
    fit = partial(fit_decay, step_s=response.step_s, phase_s=phase_s)
    whole = fit(response.h, response.normal)
    parts = [fit(h, normal) for h, normal in zip(response.without, response.normals, strict=True)]
    u_size = WIDER_SIZE * float(jackknife(np.array([part.size for part in parts])))
    peak = effect(
        "peak", whole.size, whole.size - k * u_size, whole.size + k * u_size, unit, n=g, method=method
    )
    hour = response.step_s / 3600
    area, areas = float(response.h.sum()) * hour, response.without.sum(axis=1) * hour
    u_area = WIDER_AREA * float(jackknife(areas))
    figures = [
        peak,
        effect("area", area, area - k * u_area, area + k * u_area, f"{unit}·h", n=g, method=method),
    ]
    figures += _times(peak, whole, parts, small, k)
    used = int(response.used.sum())
    remarks = [f"{used} of {len(events)} events used."]
    if response.runs_left_out:
        runs = number_of(response.runs_left_out, "run")
        remarks.append(f"{runs} of events with gaps; what was whole was used.")
    tables: dict[str, Any] = {
        "response": _bins(response, g),
        "events": _events_table(record, events, response.used),
    }
    tables["each event"] = _epochs(record, events, response)
    return Answer("events", _headline(peak, figures, unit), tuple(figures), tuple(remarks), tables)


def _times(peak: Figure, whole: Decay, parts: list[Decay], small: float, k: float) -> list[Figure]:
    """Decay of the response, and when it has fallen below `small`; nothing where no peak is shown."""
    method = peak.method
    if not peak.shown:
        why = "no peak is shown, so that it has no decay."
        return [absent("decay", "min", why, method=method), absent("over after", "min", why, method=method)]
    logs = np.log([part.decay_s / 60 for part in parts])
    half = WIDER_SIZE * k * float(jackknife(logs))
    minutes = whole.decay_s / 60
    figures = []
    if half < np.log(4):
        ends = minutes * np.exp(-half), minutes * np.exp(half)
        figures.append(Figure("decay", minutes, "min", *ends, len(parts), method))
    else:
        why = f"about {minutes:.0f} min, known to less than a factor of 4."
        figures.append(absent("decay", "min", why, "Record more events.", method))
    return [*figures, _over_after(whole, parts, small, (k, method))]


def _over_after(whole: Decay, parts: list[Decay], small: float, how: tuple[float, str]) -> Figure:
    """When the decay has fallen below `small`, with its interval by the jackknife of that time."""
    k, method = how
    over = whole.minutes_above(small)
    if over > POST_S / 60:
        why = f"more than {POST_S / 60:.0f} min, which is as far as it is looked for."
        return absent("over after", "min", why)
    half = WIDER_SIZE * k * float(jackknife(np.array([part.minutes_above(small) for part in parts])))
    method = f"when the decay is below {small:.2g}; {method}"
    return Figure("over after", over, "min", max(0.0, over - half), over + half, len(parts), method)


def _headline(peak: Figure, figures: list[Figure], unit: str) -> str:
    if not peak.shown:
        return f"No effect is shown: {peak.why_not.removesuffix('.')}."
    over = next((item for item in figures if item.name == "over after" and item.shown), None)
    n = min(3, max(2, decimals(((peak.high or 0.0) - (peak.low or 0.0)) / 2)))
    size = f"{peak.value:+.{n}f}".replace("-", "−")
    ends = f"({peak.low:+.{n}f} to {peak.high:+.{n}f})".replace("-", "−")
    tail = "" if over is None else f" and {over.value:.0f} min"
    return f"One event costs {size} {unit_name(unit)} {ends}{tail}."


def _bins(response: Response, g: int) -> dict[str, list[float]]:
    """Bins of 5 min: mean response with a band that holds for all of them together (Bonferroni)."""
    from scipy.stats import t

    size = max(1, BIN_S // response.step_s)
    n = len(response.h) // size
    mean = response.h[: n * size].reshape(n, size).mean(axis=1)
    without = response.without[:, : n * size].reshape(g, n, size).mean(axis=2)
    half = WIDER_SIZE * float(t.ppf(1 - 0.025 / n, g - 1)) * jackknife(without)
    minute = (np.arange(n) + 0.5) * size * response.step_s / 60
    return {
        "minute": minute.tolist(),
        "mean": mean.tolist(),
        "low": (mean - half).tolist(),
        "high": (mean + half).tolist(),
    }


def _events_table(record: ChannelRecord, events: Float, used: Bool) -> dict[str, list[object]]:
    local = _local_s(record, events)
    return {
        "utc_s": [int(at) for at in events],
        "local_hour": [round(float(at % DAY_S) / 3600, 3) for at in local],
        "used": [bool(item) for item in used],
    }


def _epochs(record: ChannelRecord, events: Float, response: Response) -> dict[str, list[object]]:
    """Up to 60 events as hairs: departure from the mean of the 15 min before, every 5 min."""
    size = max(1, BIN_S // response.step_s)
    n = len(response.h) // size
    table: dict[str, list[object]] = {"event": [], "minute": [], "departure": []}
    places = ((events - record.start_s) // record.step_s).astype(np.int64)
    chosen = places[response.used][:: max(1, int(response.used.sum()) // 60)]
    for number, place in enumerate(chosen):
        before = record.value[max(0, place - 3 * size) : place]
        after = record.value[place : place + n * size]
        if len(after) < n * size or not np.isfinite(before).any():
            continue
        means = after.reshape(n, size).mean(axis=1) - np.nanmean(before)
        for i, departure in enumerate(means):
            table["event"].append(number)
            table["minute"].append((i + 0.5) * size * response.step_s / 60)
            table["departure"].append(float(departure) if np.isfinite(departure) else None)
    return table
