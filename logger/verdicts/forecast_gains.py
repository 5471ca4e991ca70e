"""What the forecasts of a zone gained over "it stays as it is", measured once a UTC day."""

from __future__ import annotations

from collections.abc import Mapping

from ..core.judge.days import DAY_NS
from ..core.judge.outlook import Gains, gains
from .verdicts import Verdicts

# Days over which forecasts are compared with persistence.
GAIN_DAYS = 28

DatedGains = tuple[int, Gains]  # UTC day as a number since 1970, and what was gained


class ForecastGains:
    """Gains of one record by zone. A measurement takes a while; what another job measured can be used."""

    def __init__(self, verdicts: Verdicts) -> None:
        self._verdicts = verdicts
        self._by_zone: dict[str, DatedGains] = {}

    def today(self, zone: str, now_ns: int) -> Gains:
        """Gain of each rule and channel of a zone over the last weeks; measured where today's is missing."""
        day = now_ns // DAY_NS
        cached = self._by_zone.get(zone)
        if cached is None or cached[0] != day:
            cached = self._by_zone[zone] = day, self._measure(zone, now_ns)
        return cached[1]

    def newest(self, zone: str) -> Gains | None:
        """The newest gains of a zone, of whatever day; None before any."""
        return self._by_zone[zone][1] if zone in self._by_zone else None

    def measure_all(self, now_ns: int) -> Mapping[str, DatedGains]:
        """Today's gains of every zone, for `use` elsewhere."""
        for zone in self._verdicts.setup.zones_now():
            self.today(zone.key, now_ns)
        return dict(self._by_zone)

    def use(self, measured: Mapping[str, DatedGains]) -> None:
        """Take over what was measured elsewhere."""
        self._by_zone = dict(measured)

    def _measure(self, zone: str, now_ns: int) -> Gains:
        record = self._verdicts.record(zone)
        if record is None or record[0] >= now_ns:
            return {}
        begin_ns = max(record[0], (now_ns // DAY_NS - GAIN_DAYS) * DAY_NS)
        judgement = self._verdicts.judgement(zone, begin_ns, now_ns, now_ns, refresh=False)
        return gains(self._verdicts.setup, judgement) if judgement.grid.n else {}
