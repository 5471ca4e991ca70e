"""The tests' record with as many zones and alarms as a test wants."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal

from logger.core.alarms.condition import Cell
from logger.core.alarms.lifecycle import Alarm, AlarmState
from logger.instants import NS
from logger.model import AlarmSpec, Conformity, Period, Setup, Zone
from tests.dashboard.synthetic import NOW, Synthetic

BAY = "machine-bay"
NAMES = ("Form cell", "Long bed", "Hob check", "Soak store", "Ring table", "Lead tester", "Roundness cell")
PRIORITIES: tuple[Literal["high", "medium", "low"], ...] = ("high", "high", "medium", "medium", "low")


class Crowded(Synthetic):
    """Zones beyond the first two have the limits of the bay; all alarms have one cause."""

    def __init__(self, *, zones: int = 2, alarms: int = 0, now_ns: int = NOW) -> None:
        super().__init__(now_ns=now_ns)
        self.acknowledged: list[tuple[str, str, str]] = []
        self.crowd(zones, alarms)

    def crowd(self, zones: int, alarms: int) -> None:
        """So many zones and unacknowledged alarms from now on."""
        base = super().setup()
        both = dict(list(base.zones.items())[:zones])
        area = (0.8, 0.8, 5.2, 5.2)
        more = {f"zone-{i}": Zone(f"zone-{i}", NAMES[i], area) for i in range(max(zones - 2, 0))}
        rules = [
            replace(rule, key=f"{key}.{rule.key.partition('.')[2]}", zone=key)
            for key in more
            for rule in base.rules
            if rule.zone == BAY
        ]
        every = {**both, **more}
        within = tuple(rule for rule in (*base.rules, *rules) if rule.zone in every)
        self._crowded = replace(base, zones=every, rules=within, alarms=())
        self._crowded = replace(self._crowded, alarms=_specs(self._crowded, alarms))
        self._alarms = {spec.key: self._raised(i, spec) for i, spec in enumerate(self._crowded.alarms)}

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

    def setup(self) -> Setup:
        return self._crowded

    def alarms(self) -> list[Alarm]:
        return list(self._alarms.values())

    def acknowledge(self, alarms: Sequence[str], who: str, comment: str, now_ns: int) -> None:
        for key in alarms:
            self.acknowledged.append((key, who, comment))
            by = {"acknowledged_by": who, "acknowledged_ns": now_ns, "comment": comment}
            self._alarms[key] = replace(self._alarms[key], condition=AlarmState.ACKNOWLEDGED, **by)

    def live(self) -> Mapping[str, Mapping[str, Any]]:
        payload = {key: dict(body) for key, body in super().live().items()}
        if self._alarms:
            out = {"verdict": "not stable", "reason": "nonconforming"}
            payload[BAY] |= out | {"sentence": "Machine bay is not stable.", "next_step": "20.71 °C at P1."}
        text = json.dumps(payload[BAY])
        for key, zone in self._crowded.zones.items():
            payload.setdefault(key, json.loads(text.replace(BAY, key).replace("Machine bay", zone.name)))
        return {key: body for key, body in payload.items() if key in self._crowded.zones}

    def periods(self, zone: str, from_ns: int, to_ns: int, now_ns: int) -> list[Period]:
        of_bay = super().periods(BAY if zone.startswith("zone-") else zone, from_ns, to_ns, now_ns)
        mine = [replace(p, zone=zone, rule=p.rule.replace(BAY, zone)) for p in of_bay]
        begin = self.now - 900 * NS
        if not self._alarms or zone == "plate-bench" or to_ns <= begin:
            return mine
        out = Period(
            zone, max(begin, from_ns), to_ns, "not stable", "nonconforming", f"{zone}.temperature", "P1"
        )
        return [*(replace(p, to_ns=min(p.to_ns, begin)) for p in mine if p.from_ns < begin), out]


def _specs(setup: Setup, alarms: int) -> tuple[AlarmSpec, ...]:
    """Alarms over the zones in turn, of falling priority."""
    zones = list(setup.zones)
    rules = {zone: setup.rules_of(zone) for zone in zones}
    return tuple(
        AlarmSpec(
            f"alarm-{i}",
            rules[zone := zones[i % len(zones)]][i // len(zones) % len(rules[zone])].key,
            PRIORITIES[i % len(PRIORITIES)],
            "Parts are measured at the wrong temperature.",
            "Stop measuring. Look whether the air handling runs and the door is shut.",
        )
        for i in range(alarms)
    )
