"""Rules that could never be shown to be met with the probes and certificates of this setup.

A limit that no probe here can prove would only show after days of "not shown"; so it is a fault
of the configuration. A certificate that is still missing is only warned of: the room can be watched
before it comes. Asked of sound setups only.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from itertools import combinations, product

import numpy as np

from ..core.calibration.apply import standard_uncertainty
from ..core.calibration.as_found import change, released_until_ns
from ..core.evidence.derived import derived_channel, nominal_U
from ..core.physics.saturation import log_slope_water
from ..core.rules import bending, condensation, plane
from ..core.rules.gradient import distance_m
from ..core.rules.lines import counts_as
from ..errors import Fault
from ..formats.toml import Entry
from ..model import Certificate, Channel, Rule, Setup
from ..model.figures import number_of
from ..units import difference_to_canonical, to_canonical
from .schema import RuleTable
from .tables import Tables

WANTED_RATIO = 3.0  # tolerance/U below this is worth a warning


def infeasible(tables: Tables, setup: Setup, faulty: Collection[tuple[str, str]] = ()) -> Iterator[Fault]:
    """A fault for each rule that could never be shown to be met.

    faulty: file and table of rules that have a fault already; they are left out.
    """
    for rule in setup.rules:
        entry = tables.rules[rule.key].entry
        place = entry.fault("", "", "")
        if (place.file, place.table) in faulty:
            continue
        channels = _channels(rule, setup)
        least = plane.FEWEST if rule.kind == "plane" else 2 if rule.kind in _PAIRS else 1
        if len(channels) < max(least, rule.need or 0):
            yield _too_few(entry, rule, channels, max(least, rule.need or 0))
            continue
        if rule.kind in _PAIRS and not any(_comparable(rule, setup)):
            yield entry.fault("", _PAIRS[rule.kind], _no_pair(rule, setup, channels))
            continue
        if rule.kind == "plane" and rule.direction not in _fit(rule, setup).determined:
            expected = f"positions that determine the {rule.direction or 'whole'} gradient"
            yield entry.fault("", expected, f"those of {', '.join(channels)}, which do not")
            continue
        yield from _window(entry, rule, setup)
        if not uncertified(rule, setup):
            yield from _acceptance(entry, rule, setup)


def uncertified(rule: Rule, setup: Setup) -> tuple[str, ...]:
    """Channels without any certificate that keep a rule from ever being proven; none: it can be.

    That is no fault: the values are shown and alarmed, and the zone is not shown until there is one.
    """
    bare = [key for key in _channels(rule, setup) if not _certified(key, setup)]
    if rule.kind in _PAIRS:
        provable = not bare or bool(list(_pairs(rule, setup)))
    else:
        count = len(_channels(rule, setup))
        provable = count - len(bare) >= (rule.need or count)
    named = dict.fromkeys(c.key for key in bare for c in _measured(key, setup))
    return () if provable else tuple(k for k in named if not setup.certificates_of(k))


def unreleased(tables: Tables, setup: Setup) -> Iterator[Fault]:
    """A fault for each certificate that says it releases overdue time, and cannot."""
    for entry in tables.certificates:
        head = entry.entry.value
        if head.releases_overdue is None:
            continue
        papers = setup.certificates_of(head.channel)
        later = next((i for i, c in enumerate(papers) if c.number == head.number), 0)
        before, after = (papers[later - 1], papers[later]) if later else (None, None)
        expected = "errors as found, each within the drift that the certificate before allows"
        if before is None or after is None:
            yield entry.entry.fault("releases_overdue", expected, "no certificate before this one")
        elif after.as_found is None:
            yield entry.entry.fault("releases_overdue", expected, "no errors as found")
        elif released_until_ns(before, after) is None:
            moved = np.abs(change(before, after, np.asarray(after.as_found.indications))).max()
            off = f"{moved:.3g} where {before.drift:.3g} is allowed"
            yield entry.entry.fault("releases_overdue", expected, off)


def _channels(rule: Rule, setup: Setup) -> tuple[str, ...]:
    if rule.kind == "condensation":
        surfaces, dew = condensation.sides(rule, setup)
        return surfaces + dew if surfaces and dew else ()
    return setup.channels_of(rule)


def _measured(key: str, setup: Setup) -> list[Channel]:
    """The channel itself, or those that a derived one is computed from."""
    return [setup.channels[k] for k in setup.inputs_of(key) or (key,)]


def _channel(key: str, setup: Setup) -> Channel:
    return setup.channels.get(key) or derived_channel(key, _measured(key, setup))


def _certified(key: str, setup: Setup) -> bool:
    return all(setup.certificates_of(channel.key) for channel in _measured(key, setup))


_PAIRS = {
    "gradient": "two probes at least d_min_m apart on a line of the rule's direction",
    "spread": "two probes",
    "difference": "two media with a probe in each, or two channels",
    "condensation": "a surface and a dew point of the air",
    "bending": "a probe on the top of a plate and one on its bottom, or two channels, the top first",
}


def _too_few(entry: Entry[RuleTable], rule: Rule, channels: tuple[str, ...], least: int) -> Fault:
    media = ", ".join(rule.media)
    expected = f"at least {number_of(least, 'channel')} of {rule.quantity} in {media} in zone {rule.zone}"
    if rule.kind == "condensation":
        expected = f"a temperature of {media}, and temperature with humidity of the air, in zone {rule.zone}"
    those = ", ".join(channels) or "none: no probe here could ever prove that this limit is kept"
    return entry.fault("need" if rule.need else "media", expected, those)


def _window(entry: Entry[RuleTable], rule: Rule, setup: Setup) -> Iterator[Fault]:
    if rule.kind not in ("span", "slope"):
        return
    if rule.window_s % setup.step_s:
        yield entry.fault("", f"a window of whole cells of {setup.step_s} s", f"{rule.window_s} s")
    channels = [_channel(c, setup) for c in setup.channels_of(rule)]
    slow = [c.key for c in channels if rule.window_s < 5 * c.interval_s]
    if slow:
        expected = "a window of at least five sampling intervals; in a shorter one nothing is shown"
        yield entry.fault("", expected, f"{rule.window_s} s with {', '.join(slow)}")


def _acceptance(entry: Entry[RuleTable], rule: Rule, setup: Setup) -> Iterator[Fault]:
    U, by = rule_U(rule, setup)
    width = _width(rule)
    if width is None or rule.r == 0 or not U:
        return
    band = 2 if rule.lower is not None and rule.upper is not None else 1
    if band * rule.r * U > width:
        least = f"{band * rule.r * U:.2g} {rule.unit}"
        expected = f"limits at least {least} wide, as U is {U:.2g} {rule.unit} ({by})"
        yield entry.fault("", expected, f"{width:.3g} {rule.unit}: this zone could never be stable")


def _width(rule: Rule) -> float | None:
    """Width of what is allowed; None where one side is open."""
    if rule.lower is not None and rule.upper is not None:
        return rule.upper - rule.lower
    return rule.upper if rule.kind in ("span", "gradient", "plane", "spread") else None


def warnings(setup: Setup) -> list[str]:
    """What is allowed but deserves a thought: limits narrow against what the probes can tell."""
    sentences: list[str] = []
    for rule in setup.rules:
        sentences += _leaning(rule, setup)
        if bare := uncertified(rule, setup):
            sentences.append(
                f"{rule.key}: no certificate for {', '.join(bare)}; zone {rule.zone} is not shown until "
                f"there is one{_unraised(rule, setup)}"
            )
            continue
        U, by = rule_U(rule, setup)
        width = _width(rule)
        if width is None or not U:
            continue
        tolerance = width / 2 if rule.lower is not None else width
        if tolerance / U < WANTED_RATIO:
            sentences.append(
                f"{rule.key}: tolerance {tolerance:.3g} {rule.unit} is only {tolerance / U:.1f} times "
                f"U = {U:.2g} {rule.unit} ({by}); {WANTED_RATIO:g} is usual"
            )
    return sentences


def _unraised(rule: Rule, setup: Setup) -> str:
    """That the alarms of a rule wait for the certificate, too; nothing where it has none."""
    alarms = [alarm.key for alarm in setup.alarms if alarm.rule == rule.key]
    return f", and alarm {', '.join(alarms)} is not raised" if alarms else ""


def rule_U(rule: Rule, setup: Setup) -> tuple[float, str]:
    """Expanded uncertainty (k = 2) that decides a rule, in its unit, and the probes it comes from.

    For one probe the largest in the band; of pairs the smallest, since a rule that not even the
    best pair could show to be met is the one to refuse.
    """
    if rule.kind in _PAIRS:
        return min(_pairs(rule, setup), default=(0.0, ""))
    if rule.kind == "plane":
        return _plane_U(rule, setup), "the plane"
    channels = [_channel(c, setup) for c in setup.channels_of(rule) if _certified(c, setup)]
    if rule.kind in ("span", "slope"):
        factor = math.sqrt(2) if rule.kind == "span" else _slope_factor(rule, setup)
        return max(((float(factor * _cell_U(c)), c.key) for c in channels), default=(0.0, ""))
    return max(((_channel_U(c, rule, setup), c.key) for c in channels), default=(0.0, ""))


def _channel_U(channel: Channel, rule: Rule, setup: Setup) -> float:
    """The best that any of its certificates offers at the limits; newest certificates replace old ones."""
    inputs = _measured(channel.key, setup)
    if channel.key not in setup.channels:
        anywhere = replace(rule, lower=None, upper=None)
        each = [_channel_U(c, anywhere, setup) for c in inputs]
        return nominal_U(channel.quantity, each, [setup.certificates_of(c.key) for c in inputs])
    return min(_certified_U(c, channel, rule) for c in setup.certificates_of(channel.key))


def _certified_U(certificate: Certificate, channel: Channel, rule: Rule) -> float:
    points = np.asarray(certificate.indications)
    points_canonical = to_canonical(points, channel.unit, channel.quantity)
    low = -np.inf if rule.lower is None or rule.kind != "limit" else rule.lower
    high = np.inf if rule.upper is None or rule.kind != "limit" else rule.upper
    inside = points[(points_canonical >= low) & (points_canonical <= high)]
    # Without a point between the limits the uncertainty there is not known better than at all points.
    u = standard_uncertainty(certificate, channel, inside if len(inside) else points)
    return float(difference_to_canonical(2 * np.max(u), channel.unit, channel.quantity))


def _cell_U(channel: Channel) -> float:
    """2·u_cell with one reading in a cell; the offset of a probe cancels in its own changes.

    U(span) is √2 of it and U(slope) the factor below, as the rules themselves have it.
    """
    u_cell = np.sqrt(channel.noise**2 + channel.resolution**2 / 12)
    return float(difference_to_canonical(2 * u_cell, channel.unit, channel.quantity))


def _slope_factor(rule: Rule, setup: Setup) -> float:
    """1/√Σ(t − t̄)² in 1/h, over a complete window of n cells: Σ(t − t̄)² = n·(n² − 1)/12·step²."""
    n = rule.window_s // setup.step_s
    return float(np.sqrt(12 / max(n * (n * n - 1), 1)) * 3600 / setup.step_s)


def _comparable(rule: Rule, setup: Setup) -> Iterator[bool]:
    """Whether each pair of channels of a rule could be compared, with certificates or without."""
    for first, other in _channel_pairs(rule, setup, certified=False):
        yield rule.kind != "gradient" or any(_distances(rule, first.key, other.key, setup))


def _distances(rule: Rule, first: str, other: str, setup: Setup) -> Iterator[float]:
    """In m, between the places of two channels, of those pairs that count for the rule's direction."""
    for a, b in product(setup.placements_of(first), setup.placements_of(other)):
        d = distance_m(rule, setup.positions[a.position], setup.positions[b.position])
        if d is not None:
            yield d


def _pairs(rule: Rule, setup: Setup) -> Iterator[tuple[float, str]]:
    """U of each pair of channels that the rule compares."""
    for first, other in _channel_pairs(rule, setup):
        U = np.hypot(_channel_U(first, rule, setup), _channel_U(other, rule, setup))
        if rule.kind == "condensation":
            # At its limit humidity is as much a matter of the surface's temperature as of the dew point.
            per_K = 1.0 if rule.unit == "K" else (rule.upper or 0.0) * float(log_slope_water(20.0))
            yield float(U) * per_K, f"{first.key} and {other.key}"
            continue
        if rule.plate is not None:  # U where the plate is flat, which is the least it can be
            yield float(U) * bending.um_per_K(rule.plate), f"{first.key} and {other.key}"
            continue
        if rule.kind in ("difference", "spread"):
            yield float(U), f"{first.key} and {other.key}"
            continue
        for d in _distances(rule, first.key, other.key, setup):
            yield float(U) / d, f"{first.key} and {other.key}"


def _fit(rule: Rule, setup: Setup) -> plane.Fit:
    """The plane through where the rule's probes stood last."""
    stays = [setup.placements_of(key)[-1:] for key in setup.channels_of(rule)]
    return plane.Fit.of([setup.positions[stay.position] for each in stays for stay in each])


def _plane_U(rule: Rule, setup: Setup) -> float:
    """U of the plane's gradient where there is none, which is the least it can be."""
    channels = [_channel(key, setup) for key in setup.channels_of(rule)]
    if not all(_certified(c.key, setup) for c in channels):
        return 0.0
    U = np.array([[_channel_U(c, rule, setup)] for c in channels])
    return float(_fit(rule, setup).component(rule.direction, 0 * U, U, 0 * U)[1][0])


def _channel_pairs(rule: Rule, setup: Setup, *, certified: bool = True) -> list[tuple[Channel, Channel]]:
    """Pairs with a certificate each, or all: across two media of a difference, any two for a gradient."""
    if rule.kind == "condensation":
        keys = list(product(*condensation.sides(rule, setup)))
    elif rule.kind in ("gradient", "spread") or rule.channels:
        keys = list(combinations(setup.channels_of(rule), 2))
    else:
        sides = [setup.channels_of(replace(rule, media=(medium,))) for medium in rule.media]
        keys = list(product(sides[0], sides[1])) if len(sides) == 2 else []
    usable = [pair for pair in keys if not certified or all(_certified(key, setup) for key in pair)]
    return [(_channel(a, setup), _channel(b, setup)) for a, b in usable]


def _no_pair(rule: Rule, setup: Setup, channels: Sequence[str]) -> str:
    reason = f"no such pair among {', '.join(channels)}"
    if rule.kind != "gradient" or rule.direction == "pair":
        return reason
    lines = "; ".join(f"{pair} {how}" for pair, how, _ in _lines(rule, setup))
    return f"{reason}: {lines}; gradient_pair_… is the limit for the line of any pair" if lines else reason


def _lines(rule: Rule, setup: Setup) -> Iterator[tuple[str, str, bool]]:
    """Of a gradient rule each pair far enough apart: probes, how its line leans, whether it is compared."""
    stays = [(key, setup.placements_of(key)[-1:]) for key in setup.channels_of(rule)]
    for (first, at), (other, there) in combinations(stays, 2):
        for a, b in product(at, there):
            ends = setup.positions[a.position], setup.positions[b.position]
            if math.dist(ends[0].xyz_m, ends[1].xyz_m) >= rule.d_min_m:
                pair = f"{setup.channels[first].probe}–{setup.channels[other].probe}"
                yield pair, counts_as(*ends), distance_m(rule, *ends) is not None


def _leaning(rule: Rule, setup: Setup) -> Iterator[str]:
    """What a rule of one direction makes of lines that are not quite of it."""
    if rule.kind != "gradient" or rule.direction == "pair":
        return
    exact = "leans 0°" if rule.direction == "vertical" else "leans 90°"
    for pair, how, compared in _lines(rule, setup):
        if compared and not how.startswith(exact):
            yield f"{rule.key}: {pair} {how}"
