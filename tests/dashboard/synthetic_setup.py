"""The setup of the invented record: two zones, six probes, the limits of the bay and the bench."""

from __future__ import annotations

from typing import Any

from logger.instants import NS
from logger.model import AlarmSpec, Certificate, Channel, Placement, Position, Probe, Room, Rule, Setup, Zone

HOUR = 3600 * NS
NOW = 1_792_418_400 * NS  # 2026-10-19T14:00Z, 16:00 in Vienna
START = NOW - 72 * HOUR
PLACES = {
    "P1": ("Bridge table", "machine-bay", "air", (2.0, 2.0, 0.9), 20.02),
    "P2": ("Column top", "machine-bay", "air", (3.6, 3.8, 2.3), 19.91),
    "P3": ("Machine scale", "machine-bay", "scale", (2.8, 2.9, 1.4), 20.11),
    "P4": ("Plate air", "plate-bench", "air", (7.0, 1.6, 1.1), 20.24),
    "P5": ("Granite plate", "plate-bench", "plate-top", (7.3, 1.7, 0.85), 20.31),
    "P6": ("Bench air", "plate-bench", "air", (8.2, 2.4, 1.1), 20.33),
}


def setup() -> Setup:
    """Two zones, six probes, the limits of the bay and the bench."""
    positions = {
        name.lower().replace(" ", "-"): Position(name.lower().replace(" ", "-"), name, zone, medium, xyz)
        for name, zone, medium, xyz, _ in PLACES.values()
    }
    channels, certificates = {}, []
    for probe in PLACES:
        for quantity, unit, step, U in (
            ("temperature", "degC", 0.01, 0.06),
            ("relative_humidity", "%RH", 0.1, 1.2),
        ):
            key = f"{probe}.{quantity}"
            channels[key] = Channel(key, probe, quantity, unit, 60.0, 180.0, step, step / 3, (-20.0, 100.0))
            due = NOW - 20 * HOUR if probe == "P6" else NOW + 5000 * HOUR
            certificates.append(
                Certificate(
                    f"C-{key}",
                    key,
                    "Invented Lab",
                    "none",
                    "2026-01-10",
                    START - 1000 * HOUR,
                    due,
                    (20.0,),
                    (0.0,),
                    (U,),
                    2.0,
                    (0.0, 100.0),
                )
            )
    return Setup(
        1,
        "0123456789abcdef" * 4,
        Room(
            "east",
            "Measuring room East",
            "Almtal Gearworks",
            "Europe/Vienna",
            (9.0, 6.0, 3.0),
            "Greta Holm",
            True,
            (9.0, 4.2, 9.0, 5.2),
        ),
        {
            "machine-bay": Zone("machine-bay", "Machine bay", (0.8, 0.8, 5.2, 5.2)),
            "plate-bench": Zone("plate-bench", "Plate bench", (6.0, 0.6, 8.6, 2.8), 7200),
        },
        positions,
        {
            p: Probe(p, f"AG-{p}", PLACES[p][0], (f"{p}.temperature", f"{p}.relative_humidity"))
            for p in PLACES
        },
        channels,
        tuple(Placement(p, PLACES[p][0].lower().replace(" ", "-"), START - HOUR) for p in PLACES),
        tuple(certificates),
        rules(),
        (
            AlarmSpec(
                "bay-temperature",
                "machine-bay.temperature",
                "high",
                "Parts are measured at the wrong temperature.",
                "Stop measuring. Look whether the air handling runs and the door is shut.",
            ),
        ),
    )


def rules() -> tuple[Rule, ...]:
    def rule(
        key: str, kind: Any, name: str, unit: str, lower: float | None, upper: float, **more: Any
    ) -> Rule:
        quantity = "relative_humidity" if "humidity" in key else "temperature"
        return Rule(
            key,
            key.partition(".")[0],
            kind,
            name,
            quantity,
            unit,
            lower,
            upper,
            "agreed with quality",
            START - HOUR,
            **more,
        )

    return (
        rule("machine-bay.temperature", "limit", "temperature", "degC", 19.5, 20.5, disturbs=True),
        rule("machine-bay.span-1h", "span", "span in 1 h", "K", None, 0.5, window_s=3600),
        rule("machine-bay.span-24h", "span", "span in 24 h", "K", None, 1.0, window_s=86400),
        rule("machine-bay.gradient-vertical", "gradient", "vertical gradient", "K/m", None, 0.5),
        rule("machine-bay.humidity", "limit", "relative humidity", "%RH", 40.0, 60.0),
        rule(
            "plate-bench.temperature", "limit", "temperature", "degC", 19.0, 21.0, media=("air", "plate-top")
        ),
        rule("plate-bench.span-1h", "span", "span in 1 h", "K", None, 1.0, window_s=3600),
        rule("plate-bench.humidity", "limit", "relative humidity", "%RH", 35.0, 65.0),
    )
