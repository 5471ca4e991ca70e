"""How fast a part, a machine or a probe follows the air around it: no clean step is needed.

    dy/dt = (g·x + o − y)/τ    x the air, y what follows: y = g·(x behind a lag τ) + o + c·e^(−t/τ)

For each τ the rest is linear; the best τ by the sum of squares, its interval by the error model of `noise.py`
on the Jacobian (variable projection, Golub & Pereyra 1973).
"""

from __future__ import annotations

import numpy as np

from ...series import Float
from .channel_record import ChannelRecord, fill_short_gaps
from .figure import Answer, Figure, absent, percent
from .noise import in_blocks, regress

STEP_S = 300
LEAST_MOVE = 10.0  # noises of what follows, by which the air must have moved
LEAST_TAUS = 3.0
WIDEST = 0.25  # half-width of τ
LEAST_S, MOST_S, TRIED = 30.0, 48 * 3600.0, 60
METHOD = "lag of the air with free gain and offset; white noise and a memory on the Jacobian, averaged"


def follower(air: ChannelRecord, body: ChannelRecord) -> Answer:
    """Time constant with which `body` follows `air`, not shown where that is not known."""
    t, x, y = _common(air, body)
    if len(t) < 100:
        return _refused("fewer than 100 cells hold both.", "Log both together for a day or more.")
    tau, design = _best(t, x, y)
    linear: Float = np.asarray(np.linalg.lstsq(design, y, rcond=None)[0], np.float64)
    rest = y - design @ linear
    noise = float(np.diff(rest).std() / 2**0.5) or 1e-9
    if np.ptp(x) * abs(float(linear[0])) < LEAST_MOVE * noise:
        return _refused("the air moved by less than 10 times the noise.", "Log over a set-back or a step.")
    if (t[-1] - t[0]) < LEAST_TAUS * tau:
        more = (LEAST_TAUS * tau - t[-1] + t[0]) / 3600
        return _refused(
            f"about {tau / 3600:.1f} h, of which less than 3 were logged.", f"Log {more:.0f} h longer."
        )
    moved = [_design(t, x, tau * np.exp(sign * 0.01)) @ linear for sign in (-1, 1)]
    jacobian = np.column_stack(((moved[1] - moved[0]) / 0.02, design))
    blocks = in_blocks(t, rest, jacobian)
    keep = np.abs(blocks[2]).max(axis=0) > 1e-9  # the start has faded where the record is long
    fit = regress(blocks[2][:, keep], blocks[1], blocks[0])
    unit_vectors = np.eye(int(keep.sum()))
    _, low, high = fit.interval(unit_vectors[0])
    half, (more, gain_low, gain_high) = (high - low) / 2, fit.interval(unit_vectors[1])
    if half > WIDEST:
        why = f"about {tau / 3600:.1f} h, known to ±{percent(half)} only."
        why = why if half <= 1 else "the record leaves the time constant open."
        return _refused(why, "Log longer, or over a set-back.")
    g = float(linear[0])
    gain = Figure("gain", g + more, "", g + gain_low, g + gain_high, fit.degrees, METHOD)
    return _answer((t, x, y), (tau, half, fit.degrees), gain, design @ linear)


def _common(air: ChannelRecord, body: ChannelRecord) -> tuple[Float, Float, Float]:
    """Seconds since the start, air (short gaps filled) and body, of the cells that hold both."""
    step = max(air.step_s, body.step_s)
    x, y = (r.coarser(step) if r.step_s < step else r for r in (air, body))
    start, end = max(x.start_s, y.start_s), min(x.start_s + len(x) * step, y.start_s + len(y) * step)
    n = max(0, (end - start) // step)
    values = [fill_short_gaps(r.value)[(start - r.start_s) // step :][:n] for r in (x, y)]
    at = np.arange(n, dtype=np.float64) * step
    longest = _longest(np.isfinite(values[0]) & np.isfinite(values[1]))
    return at[longest] - at[longest.start : longest.start + 1].sum(), values[0][longest], values[1][longest]


def _longest(good: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> slice:
    """The longest stretch without a gap: a lag looks back over all that came before."""
    edges = np.diff(np.concatenate(([0], good.astype(np.int8), [0])))
    begins, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    if not len(begins):
        return slice(0, 0)
    i = int((ends - begins).argmax())
    return slice(int(begins[i]), int(ends[i]))


def _design(t: Float, x: Float, tau: float) -> Float:
    """Columns: lagged air, level, what is left of the start; shape (n, 3)."""
    from scipy.signal import lfilter

    step = float(t[1] - t[0])
    # Of air that is a straight line between the cells, exactly.
    keep = np.exp(-step / tau)
    a = 1 - tau / step * (1 - keep)
    b = tau / step * (1 - keep) - keep
    lagged = lfilter([a, b], [1, -keep], x, zi=[(1 - a) * x[0]])[0]
    return np.column_stack((lagged, np.ones(len(t)), np.exp(-(t - t[0]) / tau)))


def _best(t: Float, x: Float, y: Float) -> tuple[float, Float]:
    from scipy.optimize import minimize_scalar

    def square(ln_tau: float) -> float:
        design = _design(t, x, float(np.exp(ln_tau)))
        rest = y - design @ np.linalg.lstsq(design, y, rcond=None)[0]
        return float(rest @ rest)

    tried = np.linspace(np.log(LEAST_S), np.log(MOST_S), TRIED)
    i = int(np.argmin([square(ln_tau) for ln_tau in tried]))
    ends = float(tried[max(0, i - 1)]), float(tried[min(TRIED - 1, i + 1)])
    tau = float(np.exp(minimize_scalar(square, bounds=ends, method="bounded").x))
    return tau, _design(t, x, tau)


def _refused(why: str, needed: str) -> Answer:
    return Answer("step", f"Not shown: {why}", (absent("time constant", "h", why, needed, METHOD),))


def _answer(
    data: tuple[Float, Float, Float], tau: tuple[float, float, float], gain: Figure, fit: Float
) -> Answer:
    (t, _, y), (tau_s, half, degrees) = data, tau
    hours, ends = tau_s / 3600, (tau_s / 3600 * np.exp(-half), tau_s / 3600 * np.exp(half))
    figures = (
        Figure("time constant", hours, "h", float(ends[0]), float(ends[1]), degrees, METHOD),
        gain,
    )
    thin = slice(None, None, max(1, len(t) // 400))
    table = {"hour": (t[thin] / 3600).tolist(), "value": y[thin].tolist(), "fit": fit[thin].tolist()}
    headline = f"Follows the air in {hours:.2f} h ({ends[0]:.2f} to {ends[1]:.2f})."
    remarks = (f"{(t[-1] - t[0]) / 3600:.0f} h without a gap were used.",)
    return Answer("step", headline, figures, remarks, {"fit": table})
