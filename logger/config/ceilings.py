"""Settings that make evidence easier than it may be: refused when entered, and judged by their ceilings where
an earlier version of the setup holds them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain
from typing import Any

import numpy as np

from ..core.rules.bending import um_per_K
from ..errors import Fault
from ..formats.toml import Entry
from ..model import DERIVED, Rule, Setup
from ..model.ceilings import (
    LEAST_COMPLETENESS,
    LONGEST_INTERVAL_S,
    LONGEST_USE_YEARS,
    PHYSICAL,
    WIDEST_CLOCK_S,
    latest_due,
    longest_age_s,
    longest_gap_s,
)
from ..units import QUANTITIES, from_canonical, to_canonical, unit_name
from .tables import Tables


@dataclass(frozen=True)
class Beyond:
    """A setting beyond its ceiling: where it is, its value, the ceiling, and what to enter."""

    entry: Entry[Any]
    key: str
    value: str
    ceiling: str
    enter: str

    def fault(self) -> Fault:
        return self.entry.fault(self.key, self.enter, self.value)

    def note(self) -> str:
        """What is printed where a setup that is in force already holds it."""
        return f"{self.entry.fault(self.key, '', '').place}: {self.value} is judged as {self.ceiling}"


def beyond(tables: Tables) -> Iterator[Beyond]:
    """Every setting beyond its ceiling, file by file."""
    return chain(_clock(tables), _gaps(tables), _readings(tables), _completeness(tables), _due(tables))


def _clock(tables: Tables) -> Iterator[Beyond]:
    if tables.room and tables.room.value.clock_limit_s > WIDEST_CLOCK_S:
        most = f"{WIDEST_CLOCK_S:g} s"
        value = f"{tables.room.value.clock_limit_s:g}"
        yield Beyond(tables.room, "clock_limit_s", value, most, f"at most {most}, such as 30")


def _gaps(tables: Tables) -> Iterator[Beyond]:
    for zone, entry in tables.zones.items():
        taus = [b.value.tau_s for key, b in tables.bodies.items() if key.split(".", 1)[0] == zone]
        longest_s = longest_gap_s(entry.value.settling_s, taus)
        if longest_s is None or (entry.value.body_gap_s or 0) <= longest_s:
            continue
        by = "the shortest time constant of its bodies" if taus else "its settling time"
        enter = f"at most {longest_s:g} s, {by}"
        yield Beyond(entry, "body_gap_s", f"{entry.value.body_gap_s:g}", f"{longest_s:g} s", enter)


def _readings(tables: Tables) -> Iterator[Beyond]:
    for probe, interval_s in tables.intervals_s.items():
        if interval_s > LONGEST_INTERVAL_S:
            most = f"{LONGEST_INTERVAL_S:g} s"
            enter = f"at most {most}; a room that is read less often cannot be shown to be stable"
            yield Beyond(tables.probes[probe], "sampling_interval_s", f"{interval_s:g}", most, enter)
    for key, entry in tables.channels.items():
        interval_s = min(tables.intervals_s[key.rsplit(".", 1)[0]], LONGEST_INTERVAL_S)
        most_s = longest_age_s(interval_s)
        if entry.value.max_age_s is not None and entry.value.max_age_s > most_s:
            enter = f"at most {most_s:g} s: three sampling intervals or 5 min, and never more than 2 h"
            yield Beyond(entry, "max_age_s", f"{entry.value.max_age_s:g}", f"{most_s:g} s", enter)
        yield from _span(entry)


def _span(entry: Entry[Any]) -> Iterator[Beyond]:
    """A probe's span reaches to the bounds of physics at most."""
    of, unit = entry.value.quantity, entry.value.unit
    if of not in PHYSICAL or unit_name(unit) not in QUANTITIES[of].units:
        return
    low, high = (float(from_canonical(bound, unit_name(unit), of)) for bound in PHYSICAL[of])
    least, most = entry.value.probe_span
    # A bound that is rounded to the unit's usual digits is meant as the bound.
    if least < low - 0.01 or most > high + 0.01:
        bounds = f"{max(least, low):g} to {min(most, high):g} {unit}"
        enter = f"a span within what {of.replace('_', ' ')} can be, such as {bounds}"
        yield Beyond(entry, "probe_span", str(entry.value.probe_span), bounds, enter)


def _completeness(tables: Tables) -> Iterator[Beyond]:
    least = f"{LEAST_COMPLETENESS:g}"
    for rule in tables.rules.values():
        share = rule.entry.value.completeness
        if share is not None and share < LEAST_COMPLETENESS:
            yield Beyond(rule.entry, "completeness", f"{share:g}", least, f"at least {least}")
    for defaults in tables.rule_defaults:
        if defaults.value.completeness < LEAST_COMPLETENESS:
            value = f"{defaults.value.completeness:g}"
            yield Beyond(defaults, "completeness", value, least, f"at least {least}")


def _due(tables: Tables) -> Iterator[Beyond]:
    for certificate in tables.certificates:
        head = certificate.entry.value
        latest = latest_due(head.calibrated_on)
        if head.due_on is not None and head.due_on > latest:
            enter = f"at most {LONGEST_USE_YEARS} years after the calibration: {latest} or earlier"
            yield Beyond(certificate.entry, "due_on", str(head.due_on), str(latest), enter)


def lenient(setup: Setup) -> list[str]:
    """What is allowed, though it can never do its work: limits that no probe can break, no due day."""
    faults = [
        f"{rule.key}: no reading inside the spans of its probes can break {_limits(rule)} {rule.unit}"
        for rule in setup.rules
        if _never_broken(rule, setup)
    ]
    return faults + [
        f"certificate {c.number}: without due_on it never becomes overdue; enter the day it is due"
        for c in setup.certificates
        if c.due_ns is None
    ]


def _limits(rule: Rule) -> str:
    return " and ".join(f"{limit:g}" for limit in (rule.lower, rule.upper) if limit is not None)


def _never_broken(rule: Rule, setup: Setup) -> bool:
    """Whether every limit of a rule lies where no value can be read."""
    keys = [key for key in setup.channels_of(rule) if key in setup.channels]
    if not keys or rule.quantity in DERIVED:
        return False
    spans = [
        to_canonical(np.array(setup.channels[k].probe_span), setup.channels[k].unit, rule.quantity)
        for k in keys
    ]
    low, high = min(span[0] for span in spans), max(span[1] for span in spans)
    if rule.kind != "limit":
        most = (high - low) * {"slope": 3600 / (rule.window_s or 3600)}.get(rule.kind, 1.0)
        low, high = -most, most
        if rule.plate is not None:
            low, high = low * um_per_K(rule.plate), high * um_per_K(rule.plate)
        if rule.kind in ("gradient", "plane"):
            low, high = low / rule.d_min_m, high / rule.d_min_m
    beyond_upper = rule.upper is None or rule.upper >= high
    beyond_lower = rule.lower is None or rule.lower <= low
    return bool(beyond_upper and beyond_lower)
