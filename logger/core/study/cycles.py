"""The cycle of the air handling: period and amplitude of what wanders, from the spectrum (Thomson 1982)."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...series import Bool, Float
from .channel_record import ChannelRecord, mean_course, subtract_course
from .figure import Figure, absent
from .spectra import Spectrum, background, spectrum, threshold

LONGEST_S = 3 * 3600
FEWEST_CELLS = 4  # of the shortest period that is looked for
CELLS_A_PERIOD = 10  # below so many cells a period may be a false one
COARSE_S = 300  # readings this far apart cannot tell a cycle from its images
LEAST_S = 2 * 86_400
SURE = 10.0  # times the background from which an interval is given
SINGLE = 20.0  # times the background from which single cycles are measured
# Stretches that overlap by half share half of their data, and the unrest of a cycle lasts over their borders:
# on made rooms neighbours have a correlation of 0.46, the next but one of about 0.1: √(1 + 2·(0.5 + 0.1)).
# The 1.22 of tapers that fall off towards both ends held the period in 0.86 of rooms: five tapers hardly do.
OVERLAP = 1.5
COURSE_BIN_S = 900  # of the mean day that is taken out
# So many periods must lie in a stretch: with 8 the tapers blur ±37 %, and 90 min were read as 84 ± 0.5.
PERIODS = 20
SLOW_S = 2 * 3600  # beyond it the background is too steep for an interval: 150 min held in 0.82 of rooms
LONGER_S = (72 * 3600, 48 * 3600, 36 * 3600, 24 * 3600, 18 * 3600)
BOOTSTRAPS = 400
LEAST_HALF = 6  # stretches
MOST_LINES = 8
METHOD = "5 Slepian tapers, NW = 3, half-overlapped stretches; excess over the background around the peak"


@dataclass(frozen=True)
class Cycle:
    """A line above its background. period_s and amplitude with standard uncertainties; `above`: S/B.

    line_s: period of its highest point; the centroid of neighbouring lines lies between them.
    present: in how many of the stretches it stands out by itself.
    halves: amplitude in the first and in the second half of the record, where they differ; else None.
    resolved: whether the stretches hold periods enough for an interval.
    images_s: periods that would look the same in readings this far apart. lengths_s: 10 and 90 % points of
    single cycles, where they can be measured.
    """

    period_s: float
    u_period_s: float
    amplitude: float
    u_amplitude: float
    above: float
    stretches: int
    present: int
    line_s: float = 0.0
    resolved: bool = True
    halves: tuple[float, float] | None = None
    images_s: tuple[float, float] | None = None
    lengths_s: tuple[float, float] | None = None


@dataclass(frozen=True)
class CycleSearch:
    """What was looked for and what stands out: cycles, largest first; the spectrum of the search.

    overtones: lines at whole parts of the period of a cycle, which belong to its shape.
    level: background, shape of the spectrum's frequencies; highest: greatest S/B anywhere; bound: what had
    to be exceeded; why_not: why nothing could be looked for, empty where it could.
    """

    cycles: tuple[Cycle, ...]
    estimate: Spectrum | None
    level: Float
    highest: float
    bound: float
    why_not: str = ""
    needed: str = ""
    overtones: tuple[Cycle, ...] = ()

    def amplitude(self, record: ChannelRecord) -> tuple[float, float]:
        """The amplitude that one sine of the power of all cycles, overtones included, would have; its u."""
        shown = [c for c in (*self.cycles, *self.overtones) if _is_shown(c, record)]
        whole = float(np.sqrt(sum(c.amplitude**2 for c in shown)))
        u = float(np.sqrt(sum((c.amplitude * c.u_amplitude) ** 2 for c in shown)))
        return whole, u / whole if whole else 0.0

    def share_in_means(self, record: ChannelRecord, length_s: float) -> float:
        """Share of the variance of all cycles that is left in means over so many seconds."""
        shown = [c for c in (*self.cycles, *self.overtones) if _is_shown(c, record)]
        power = np.array([c.amplitude**2 for c in shown])
        periods = np.array([c.period_s for c in shown])
        left = (np.sinc(length_s / periods) / np.sinc(record.step_s / periods)) ** 2
        return float((power * left).sum() / power.sum()) if power.sum() else 1.0


def search_cycles(record: ChannelRecord) -> CycleSearch:
    """Look for cycles of 4 cells to 3 h in a record of at least two days."""
    empty = CycleSearch((), None, np.empty(0), 0.0, 0.0)
    if record.span_s < LEAST_S:
        days = record.span_s / 86_400
        return replace(
            empty, why_not=f"{days:.1f} days recorded.", needed="Record 2 days or more, every 60 s."
        )
    # The course of the day is taken out: an on/off day leaks into the spectrum and looks like cycles.
    flat = subtract_course(record, mean_course(record, COURSE_BIN_S), COURSE_BIN_S)
    estimate = spectrum(flat.value, record.step_s)
    if estimate is None:
        return replace(
            empty,
            why_not="gaps leave fewer than 4 complete stretches of 4 h.",
            needed="Record 2 days without gaps of more than 3 readings.",
        )
    estimate = _with_cycles_whole(estimate, flat)
    level = background(estimate.frequency, estimate.mean)
    lowest, highest = 1 / LONGEST_S, 1 / (FEWEST_CELLS * record.step_s)
    band = (estimate.frequency >= lowest) & (estimate.frequency <= highest)
    bound = threshold(estimate, lowest, highest)
    ratio = np.where(band, estimate.mean / level, 0.0)
    lines = [_measure(estimate, float(ratio[i]), i, flat) for i in _peaks(estimate, ratio, bound)]
    cycles, overtones = _sorted_out(lines, estimate.length_s, 0.5 * record.resolution)
    cycles = tuple(with_images(cycle, record) for cycle in cycles)
    highest = float(ratio.max(initial=0.0))
    return CycleSearch(cycles, estimate, level, highest, bound, overtones=overtones)


def _sorted_out(
    lines: list[Cycle], length_s: float, least: float
) -> tuple[tuple[Cycle, ...], tuple[Cycle, ...]]:
    """Cycles, largest first, and overtones; what is not resolved stays only where nothing else is."""
    cycles, overtones = list[Cycle](), list[Cycle]()
    for line in sorted(lines, key=lambda item: -item.period_s):
        (overtones if any(_is_overtone(line, o, length_s) for o in cycles) else cycles).append(line)
    cycles.sort(key=lambda item: -item.amplitude)
    seen = [cycle for cycle in cycles if cycle.amplitude >= least] or cycles[:1]
    return tuple(seen), tuple(line for line in overtones if line.amplitude >= least)


def _is_overtone(line: Cycle, cycle: Cycle, length_s: float) -> bool:
    """Whether a line lies at 2, 3, 4 … times the frequency of a cycle and is not too large for its shape.

    Of a sawtooth the n-th overtone has 1/n of the amplitude; of short pulses all have nearly the same, which
    is believed only where the places of overtones are well apart.
    """
    order = round(cycle.period_s / line.line_s)
    width = max(3 / length_s, 0.02 / line.line_s)
    if order < 2 or abs(1 / line.line_s - order / cycle.period_s) >= width:
        return False
    apart = 1 / cycle.period_s >= 3.9 * width
    return line.amplitude <= 1.25 * cycle.amplitude / order or (
        apart and line.amplitude <= 1.5 * cycle.amplitude
    )


def _independent(stretches: int) -> float:
    """Of half-overlapping stretches as many as lie side by side."""
    return max(2.0, (stretches + 1) / 2)


def _with_cycles_whole(estimate: Spectrum, flat: ChannelRecord) -> Spectrum:
    """With the power back that went with the mean day."""
    return replace(estimate, density=estimate.density / share_left(estimate.frequency, flat))


def _resolving(
    estimate: Spectrum, above: float, at: int, flat: ChannelRecord
) -> tuple[Spectrum, float, int, bool]:
    """Spectrum, S/B and place to measure a peak by: of longer stretches where these hold few periods."""
    f0 = float(estimate.frequency[at])
    if f0 * estimate.length_s >= PERIODS:
        return estimate, above, at, True
    longer = spectrum(flat.value, flat.step_s, tuple(s for s in reversed(LONGER_S) if s * f0 >= PERIODS))
    if longer is None:
        return estimate, above, at, False
    longer = _with_cycles_whole(longer, flat)
    near = (longer.frequency > f0 / 1.3) & (longer.frequency < 1.3 * f0)
    ratio = np.where(near, longer.mean / background(longer.frequency, longer.mean), 0.0)
    return longer, max(above, float(ratio.max())), int(ratio.argmax()), True


def share_left(frequency: Float, record: ChannelRecord) -> Float:
    """Share of the power of a cycle that is left where the mean day of n days was taken out, shape (k,).

    n days of other phases do not cancel in their mean: 1/n of a slow cycle goes with it. Means over bins B
    and straight lines between them pass s = sinc(f·B) and s²: 1 − (2s³ − s⁶)/n.
    """
    days = max(2.0, record.share * record.span_s / 86_400)
    s3 = np.sinc(np.minimum(frequency * COURSE_BIN_S, 1.0)) ** 3
    return np.asarray(1 - (2 * s3 - s3**2) / days)


def _peaks(estimate: Spectrum, ratio: Float, bound: float) -> list[int]:
    """Places of peaks, highest first; none beside a higher one."""
    f, left, peaks = estimate.frequency, ratio.copy(), list[int]()
    while left.max(initial=0.0) > bound and len(peaks) < MOST_LINES:
        at = int(left.argmax())
        peaks.append(at)
        left[(f > f[at] / 1.5) & (f < f[at] * 1.5)] = 0
    return peaks


def _measure(estimate: Spectrum, above: float, at: int, flat: ChannelRecord) -> Cycle:
    """Period by the centroid and amplitude by the excess power around a peak."""
    estimate, above, at, resolved = _resolving(estimate, above, at, flat)
    f0, m = float(estimate.frequency[at]), len(estimate.density)
    period, amplitude = _centroid_and_amplitude(estimate, estimate.mean[None, :], f0)
    chance = np.random.default_rng(1)
    picks = chance.integers(0, m, (BOOTSTRAPS, m))
    weights = np.stack([np.bincount(pick, minlength=m) for pick in picks]) / m
    periods, _ = _centroid_and_amplitude(estimate, weights @ estimate.density, f0)
    # The amplitude of one stretch scatters by the cycle's own unrest, too.
    _, amplitudes = _centroid_and_amplitude(estimate, estimate.density, f0)
    usable = periods[np.isfinite(periods)]
    if not np.isfinite(period[0]) or len(usable) < BOOTSTRAPS / 2:  # hardly anything above the background
        period, usable, resolved = np.array([1 / f0]), np.zeros(1), False
    u_period = max(OVERLAP * float(usable.std()), 0.001 * float(period[0]))
    scatter = float(np.nanstd(amplitudes, ddof=1)) / _independent(m) ** 0.5
    u_amplitude = float(np.hypot(scatter, 0.02 * amplitude[0]))
    present = int((amplitudes > 0.5 * amplitude[0]).sum())
    halves = _halves(amplitudes)
    cycle = Cycle(
        float(period[0]),
        u_period,
        float(amplitude[0]),
        u_amplitude,
        above,
        m,
        present,
        1 / f0,
        resolved,
        halves,
    )
    return replace(cycle, lengths_s=_lengths(flat, cycle)) if above >= SINGLE else cycle


def _halves(amplitudes: Float) -> tuple[float, float] | None:
    """Mean amplitude in each half of the stretches, where one is twice the other beyond their scatter."""
    m = len(amplitudes)
    if m < 2 * LEAST_HALF:
        return None
    parts = amplitudes[: m // 2], amplitudes[m - m // 2 :]
    first, second = (float(part.mean()) for part in parts)
    u = sum(float(part.var(ddof=1)) / _independent(m // 2) for part in parts) ** 0.5
    apart = abs(first - second) > max(4 * u, 0.5 * max(first, second))
    return (first, second) if apart else None


def _centroid_and_amplitude(estimate: Spectrum, rows: Float, f0: float) -> tuple[Float, Float]:
    """Periods and amplitudes (rows,) of rows of densities: excess over a line through both sides."""
    f = estimate.frequency
    sides = ((f >= f0 / 2.6) & (f <= f0 / 1.55)) | ((f >= 1.55 * f0) & (f <= 1.9 * f0))
    peak = (f >= f0 / 1.5) & (f <= 1.5 * f0)
    if sides.sum() < 3:
        sides = ~peak & (f >= f0 / 4) & (f <= 4 * f0)
    x = np.log(f)
    design = np.stack((np.ones(sides.sum()), x[sides]), axis=1)
    # The mean of the logarithm of a density lies below the logarithm of its mean: by digamma of its degrees.
    line = np.linalg.lstsq(design, np.log(np.maximum(rows[:, sides], 1e-300)).T, rcond=None)[0]
    level = np.exp(line[0][:, None] + line[1][:, None] * x[peak])
    excess = rows[:, peak] - level
    power = excess.sum(axis=1)
    step = f[1] - f[0]
    # The centroid over as much below as above: what is left of the background would pull it upwards.
    even = f[peak] <= 4 / 3 * f0
    with np.errstate(invalid="ignore", divide="ignore"):
        centroid = (excess * f[peak])[:, even].sum(axis=1) / excess[:, even].sum(axis=1)
        usable = (power > 0) & (centroid > 0)
        return (
            np.where(usable, 1 / np.where(usable, centroid, 1.0), np.nan),
            np.where(power > 0, np.sqrt(2 * np.maximum(power, 0) * step), 0.0),
        )


def _lengths(flat: ChannelRecord, cycle: Cycle) -> tuple[float, float] | None:
    """10 and 90 % points of single cycles in s: upward crossings of the band-passed record."""
    from scipy.signal import butter, sosfiltfilt

    nyquist = 0.5 / flat.step_s
    band = [1 / cycle.period_s / 1.5, min(1.5 / cycle.period_s, 0.95 * nyquist)]
    sos = butter(3, band, btype="band", fs=1 / flat.step_s, output="sos")
    lengths = []
    for piece in _pieces(np.isfinite(flat.value), int(4 * cycle.period_s / flat.step_s)):
        wave = sosfiltfilt(sos, flat.value[piece])
        up = np.flatnonzero((wave[:-1] < 0) & (wave[1:] >= 0))
        crossings = up + wave[up] / (wave[up] - wave[up + 1])
        lengths += list(np.diff(crossings)[1:-1] * flat.step_s)
    if len(lengths) < 10:
        return None
    low, high = np.quantile(lengths, (0.1, 0.9))
    return float(low), float(high)


def _pieces(good: Bool, least: int) -> list[slice]:
    edges = np.diff(np.concatenate(([0], good.astype(np.int8), [0])))
    ends = zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True)
    return [slice(int(a), int(b)) for a, b in ends if b - a >= max(least, 30)]


def with_images(cycle: Cycle, record: ChannelRecord) -> Cycle:
    """The cycle with the two periods that look the same in readings `every_s` apart: |1/Δ ± f|."""
    every_s = max(record.every_s, float(record.step_s))
    if every_s < COARSE_S and cycle.period_s >= CELLS_A_PERIOD * record.step_s:
        return cycle
    rate, f = 1 / every_s, 1 / cycle.period_s
    return replace(cycle, images_s=(1 / (rate - f), 1 / (rate + f)))


def _is_shown(cycle: Cycle, record: ChannelRecord) -> bool:
    return cycle_figures(cycle, 1, record)[1].shown


def cycle_figures(cycle: Cycle, number: int, record: ChannelRecord) -> tuple[Figure, Figure]:
    """Period in minutes and amplitude of a cycle as figures."""
    from scipy.stats import t

    unit = record.difference_unit
    names = (f"period of cycle {number}", f"amplitude of cycle {number}")
    every_s = max(record.every_s, float(record.step_s))
    period_min = cycle.period_s / 60
    if every_s >= COARSE_S and cycle.images_s is not None:
        images = " or ".join(f"{image / 60:.1f}" for image in cycle.images_s)
        why = (
            f"readings every {every_s / 60:.0f} min show {period_min:.0f} min, but a cycle of {images} min "
            "would look the same."
        )
        needed = "Log one probe every 60 s for 4 h."
        return (
            Figure(names[0], period_min, "min", method=METHOD, shown=False, why_not=why, needed=needed),
            Figure(names[1], cycle.amplitude, unit, method=METHOD, shown=False, why_not=why, needed=needed),
        )
    if cycle.amplitude < 0.5 * record.resolution:
        why = f"below what the probe resolves ({record.resolution:g} {unit})."
        return absent(names[0], "min", why, method=METHOD), absent(names[1], unit, why, method=METHOD)
    n = _independent(cycle.stretches)
    resolved = cycle.resolved and cycle.period_s <= SLOW_S
    if cycle.above < SURE or not resolved:  # the amplitude of so weak a line reads low
        what = "the line is weak" if resolved else "the cycle is slow for this record"
        why = f"{what}: this is about what it is."
        return (
            Figure(names[0], period_min, "min", None, None, n, METHOD, no_interval=why),
            Figure(names[1], cycle.amplitude, unit, None, None, n, METHOD, no_interval=why),
        )
    k = float(t.ppf(0.975, n - 1))
    period, amplitude, a = k * cycle.u_period_s / 60, k * cycle.u_amplitude, cycle.amplitude
    return (
        Figure(names[0], period_min, "min", period_min - period, period_min + period, n, METHOD),
        Figure(names[1], a, unit, max(0.0, a - amplitude), a + amplitude, n, METHOD),
    )
