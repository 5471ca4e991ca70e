"""The invented record with as many zones and alarms as a test wants."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Literal

from logger.core.alarms.lifecycle import Alarm, AlarmState, Cell
from logger.instants import NS
from logger.model import AlarmSpec, Conformity, Period, Zone
from tests.dashboard.synthetic import NOW, Synthetic
from tests.dashboard.synthetic_words import told

NAMES = ("Form cell", "Long bed", "Hob check", "Soak store", "Ring table", "Lead tester", "Roundness cell")
PRIORITIES: tuple[Literal["high", "medium", "low"], ...] = ("high", "high", "medium", "medium", "low")


class Crowded(Synthetic):
    """Zones beyond the first two have the limits of the bay; all alarms have one cause."""

    def __init__(self, *, zones: int = 2, alarms: int = 0, now_ns: int = NOW) -> None:
        super().__init__(now_ns=now_ns)
        self._base = self._setup
        self.crowd(zones, alarms)

    def crowd(self, zones: int, alarms: int) -> None:
        """So many zones and unacknowledged alarms from now on."""
        both = dict(list(self._base.zones.items())[:zones])
        area = (0.8, 0.8, 5.2, 5.2)
        more = {f"zone-{i}": Zone(f"zone-{i}", NAMES[i], area) for i in range(max(zones - 2, 0))}
        rules = [
            replace(rule, key=f"{key}.{rule.key.partition('.')[2]}", zone=key)
            for key in more
            for rule in self._base.rules
            if rule.zone == "machine-bay"
        ]
        every = {**both, **more}
        kept = tuple(rule for rule in (*self._base.rules, *rules) if rule.zone in every)
        self._setup = replace(self._base, zones=every, rules=kept, alarms=_specs(list(every), alarms))
        self._alarms = {spec.key: self._raised(i, spec) for i, spec in enumerate(self._setup.alarms)}

    def _raised(self, i: int, spec: AlarmSpec) -> Alarm:
        """One alarm after the other, all of one cause."""
        since = self.now - (900 - 60 * i) * NS
        worst = Cell(
            since, since + 60 * NS, Conformity.NONCONFORMING, 20.71 + i / 50, 0.1, -0.21, "degC", 20.5, "P1"
        )
        state = AlarmState.UNACKNOWLEDGED
        return Alarm(
            spec.key, state, since_ns=since, worst=worst, occurrence=1, cause="alarm-0", cause_ns=NOW
        )

    def live(self) -> Mapping[str, Mapping[str, Any]]:
        out = any(a.state is not AlarmState.NORMAL for a in self._alarms.values())
        said = dict(told(self.at or self.now, out=out))
        bay = said["machine-bay"]
        for key, zone in self._setup.zones.items():
            if key not in said:
                text = json.dumps(bay).replace("machine-bay", key).replace("Machine bay", zone.name)
                said[key] = json.loads(text)
        return {key: body for key, body in said.items() if key in self._setup.zones}

    def periods(self, zone: str, from_ns: int, to_ns: int, now_ns: int) -> list[Period]:
        first = super().periods("machine-bay" if zone.startswith("zone-") else zone, from_ns, to_ns, now_ns)
        mine = [replace(p, zone=zone, rule=p.rule.replace("machine-bay", zone)) for p in first]
        begin = self.now - 900 * NS
        if not self._alarms or zone == "plate-bench" or to_ns <= begin:
            return mine
        out = Period(
            zone, max(begin, from_ns), to_ns, "not stable", "nonconforming", f"{zone}.temperature", "P1"
        )
        return [*(replace(p, to_ns=min(p.to_ns, begin)) for p in mine if p.from_ns < begin), out]


def _specs(zones: list[str], alarms: int) -> tuple[AlarmSpec, ...]:
    """Alarms over the zones in turn, of falling priority."""
    what = ("temperature", "span-1h", "span-24h", "humidity")
    return tuple(
        AlarmSpec(
            f"alarm-{i}",
            f"{zones[i % len(zones)]}.{what[i // len(zones) % len(what)]}",
            PRIORITIES[i % len(PRIORITIES)],
            "Parts are measured at the wrong temperature.",
            "Stop measuring. Look whether the air handling runs and the door is shut.",
        )
        for i in range(alarms)
    )
