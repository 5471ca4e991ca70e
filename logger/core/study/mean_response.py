"""The mean response of a channel to events: free in each cell, with a slow course and autoregressive noise.

    x(t) = slow(t) + Σ_i h(t − t_i) + e(t)

h is free in each cell of [0, post); slow is a line of straight pieces, own for each run of events; e is
autoregressive, fitted to the residuals, and everything is filtered by it, twice (generalised least squares).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...series import Bool, Float, Int
from .channel_record import DAY_S, ChannelRecord, fill_short_gaps

POST_S = 90 * 60
BEFORE_S = 30 * 60
ORDER_S = 45 * 60  # reach of the autoregression
GROUPS = 12


@dataclass(frozen=True)
class Response:
    """Mean response h (n,) a cell after the event, and h with each group of days left out (groups, n).

    normal: the precision of h, shape (n, n), up to a factor; used: which events took part; runs_left_out:
    runs of events with a gap.
    """

    h: Float
    without: Float
    normal: Float
    normals: Float
    used: Bool
    runs_left_out: int
    step_s: int


@dataclass(frozen=True)
class _Run:
    """One run of events: cells of the record, places of its events in it, and its group of days."""

    begin: int
    end: int
    events: Int
    day: int


def mean_response(record: ChannelRecord, events: Float) -> Response:
    """The mean response to events (UTC s, ascending) inside a record."""
    value = fill_short_gaps(record.value)
    post = int(POST_S // record.step_s)
    # An event belongs to the cell in which it happens.
    places = ((events - record.start_s) // record.step_s).astype(np.int64)
    runs, used, left_out = _runs(record, value, places, post)
    if not runs:
        empty = np.empty((0, post))
        return Response(
            np.zeros(post), empty, np.eye(post), np.empty((0, post, post)), used, left_out, record.step_s
        )
    order = max(1, int(ORDER_S // record.step_s))
    coefficients, parts = np.zeros(order), _parts(value, runs, post)
    for turn in range(3):  # once plain, then filtered twice
        normal, right = _solve(parts, post, coefficients)
        h = _ridged(normal.sum(axis=0)) @ right.sum(axis=0)
        if turn < 2:
            coefficients = _autoregression(_rests(parts, h), order)
    normals = normal.sum(axis=0) - normal
    without = np.array([_ridged(a) @ b for a, b in zip(normals, right.sum(axis=0) - right, strict=True)])
    return Response(h, without, normal.sum(axis=0), normals, used, left_out, record.step_s)


def _ridged(normal: Float) -> Float:
    """Inverse of a normal matrix that may lack a direction where slow pieces and response agree."""
    n = len(normal)
    return np.asarray(np.linalg.inv(normal + np.eye(n) * np.trace(normal) / n * 1e-9))


def _runs(record: ChannelRecord, value: Float, places: Int, post: int) -> tuple[list[_Run], Bool, int]:
    """Runs of events whose surroundings overlap; those with a gap, or over an end, are left out."""
    before = int(BEFORE_S // record.step_s) + post
    used = np.zeros(len(places), np.bool_)
    missing = np.concatenate(([0], np.cumsum(~np.isfinite(value))))
    splits = np.flatnonzero(np.diff(places) > before + 2 * post) + 1
    runs, left_out = list[_Run](), 0
    local_s = record.local_s
    for group in np.split(np.arange(len(places)), splits):
        begin, end = int(places[group[0]]) - before, int(places[group[-1]]) + 2 * post
        if begin < 0 or end > len(value) or missing[end] > missing[begin]:
            pieces = _parts_without_gap(places[group], before, post, missing, len(value))
            left_out += 1
        else:
            pieces = [(begin, end, places[group])]
        for first, last, inside in pieces:
            day = int(local_s[inside[0]] // DAY_S)
            runs.append(_Run(first, last, inside - first, day))
            used[np.isin(places, inside)] = True
    return runs, used, left_out


def _parts_without_gap(
    places: Int, before: int, post: int, missing: Int, size: int
) -> list[tuple[int, int, Int]]:
    """What is left of a run with gaps: stretches between them that hold whole events."""
    good = np.flatnonzero(np.diff(missing) == 0)
    begin, end = max(0, int(places[0]) - before), min(size, int(places[-1]) + 2 * post)
    good = good[(good >= begin) & (good < end)]
    parts = []
    for stretch in np.split(good, np.flatnonzero(np.diff(good) > 1) + 1):
        if not len(stretch):
            continue
        first, last = int(stretch[0]), int(stretch[-1]) + 1
        # An event whose response reaches into the stretch from before it would be missed by the sum.
        reach = places[(places > first - post) & (places < first)]
        first = max(first, int(reach[-1]) + post) if len(reach) else first
        inside = places[(places - post >= first) & (places + post <= last)]
        if len(inside):
            begin = max(first, int(inside[0]) - before)
            later = places[places > inside[-1]]
            stop = min(last, int(inside[-1]) + 2 * post, int(later[0]) if len(later) else last)
            if stop - inside[-1] >= post:
                parts.append((begin, stop, inside))
    return parts


@dataclass(frozen=True)
class _Part:
    """A run as arrays: its values (cells,), slow pieces (cells, knots), places of its events, its group."""

    y: Float
    slow: Float
    events: Int
    group: int

    def without(self, h: Float) -> Float:
        """Values less the response to the events."""
        rest = self.y.copy()
        for event in self.events:
            n = min(len(h), len(rest) - event)
            rest[event : event + n] -= h[:n]
        return rest


def _parts(value: Float, runs: list[_Run], post: int) -> list[_Part]:
    """Runs as arrays, in at most twelve groups of days."""
    days = sorted({run.day for run in runs})
    groups = np.array_split(np.array(days), min(GROUPS, len(days)))
    group_of = {int(day): number for number, group in enumerate(groups) for day in group}
    parts = []
    for run in runs:
        n = run.end - run.begin
        knots = np.arange(0, n + 2 * post, 2 * post)
        slow = np.maximum(0.0, 1 - np.abs(np.arange(n)[:, None] - knots[None, :]) / (2 * post))
        used = slow[:, slow.any(axis=0)]
        parts.append(_Part(value[run.begin : run.end], used, run.events, group_of[run.day]))
    return parts


def _solve(parts: list[_Part], post: int, coefficients: Float) -> tuple[Float, Float]:
    """Normal equations (groups, post, post) and right sides of the response; slow pieces are taken out."""
    groups = 1 + max(part.group for part in parts)
    normal, right = np.zeros((groups, post, post)), np.zeros((groups, post))
    kernel = np.concatenate(([1.0], -coefficients)) if coefficients.any() else np.ones(1)
    # An event puts the filter's kernel, moved by one cell a column, into the rows behind it.
    band = np.zeros((post + len(kernel) - 1, post))
    for j in range(post):
        band[j : j + len(kernel), j] = kernel
    for part in parts:
        columns = _filtered(np.column_stack((part.y, part.slow)), kernel)
        response = np.zeros((len(part.y), post))
        for event in part.events:
            n = min(len(band), len(part.y) - event)
            response[event : event + n] += band[:n]
        response = response[len(kernel) - 1 :]
        q = np.linalg.qr(columns[:, 1:])[0]
        across = q.T @ response
        normal[part.group] += response.T @ response - across.T @ across
        right[part.group] += response.T @ columns[:, 0] - across.T @ (q.T @ columns[:, 0])
    return normal, right


def _rests(parts: list[_Part], h: Float) -> list[Float]:
    """What is left of each run without response and slow pieces, unfiltered."""
    rests = []
    for part in parts:
        rest = part.without(h)
        rests.append(rest - part.slow @ np.linalg.lstsq(part.slow, rest, rcond=None)[0])
    return rests


def _filtered(columns: Float, kernel: Float) -> Float:
    from scipy.signal import lfilter

    return np.asarray(lfilter(kernel, [1.0], columns, axis=0)[len(kernel) - 1 :])


def _autoregression(rests: list[Float], order: int) -> Float:
    """Coefficients by the Yule–Walker equations, from the covariances of all runs together."""
    from scipy.linalg import solve_toeplitz

    covariance = np.zeros(order + 1)
    for rest in rests:
        n = len(rest)
        size = 1 << (2 * n - 1).bit_length()
        power = np.abs(np.fft.rfft(rest, size)) ** 2
        covariance[: min(order + 1, n)] += np.fft.irfft(power, size)[: min(order + 1, n)]
    covariance[0] *= 1 + 1e-9
    return np.asarray(solve_toeplitz(covariance[:-1], covariance[1:]))
