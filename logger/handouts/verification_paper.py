"""The log of a machine's verification as a paper."""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from ..inspections.verification_log import LogRow, StatedLimits
from ..instants import wall, wall_span
from ..model import Setup
from .paper import compile_paper, frame, section


def verification_pdf(
    setup: Setup, what: tuple[str, str, StatedLimits], rows: Sequence[LogRow], *, simulated: bool
) -> bytes:
    """The bytes of the PDF, A4 across. what: zone, machine, limits as they were stated."""
    zone, machine, limits = what
    clock = ZoneInfo(setup.room.timezone)
    within = sum(row.result == "kept" for row in rows)
    stated = [
        ["air temperature", f"{_or_none(limits.lower_degC)} to {_or_none(limits.upper_degC)} °C"],
        ["change", f"at most {_or_none(limits.change_K_per_h)} K/h"],
        ["gradient", f"at most {_or_none(limits.gradient_K_per_m)} K/m"],
    ]
    body = [
        [
            row.length.position, f"{row.length.length_mm:g}", str(row.length.repeat),
            wall(row.length.from_ns, clock), _range(row, "before"), _range(row, "during"),
            _range(row, "after"), _figure(row.during.U_K), _figure(row.during.change_K_per_h),
            _figure(row.during.gradient_K_per_m), row.result, row.why,
        ]
        for row in rows
    ]  # fmt: skip
    heads = ["Position", "Length, mm", "Repeat", "From", "1 h before, °C", "During, °C", "1 h after, °C",
             "U, K", "Change, K/h", "Gradient, K/m", "Result", ""]  # fmt: skip
    span = wall_span(rows[0].length.from_ns, max(r.length.to_ns for r in rows), clock)
    words = frame(setup, "Room during a verification", simulated=simulated) | {
        "sentence": f"Stated limits kept at {within} of {len(rows)} lengths.",
        "because": f"{setup.zone(zone).name}, {span}" + (f"; {machine}" if machine else ""),
        "sections": [
            section("Limits as they were stated", ["", "Limit"], "lw", stated),
            section("Each length", heads, "lrrlrrrrrrlw", body),
        ],
        "judged": [
            "Stated by the maker for acceptance, by the user for reverification (ISO 10360-2:2009, 5.1); "
            "five lengths, each three times (6.3). Least and greatest value of all air probes of the zone, "
            "corrected by their certificates; U with k = 2. Change: the steepest slope of a probe over the "
            "hour that ends with the length. Gradient: the largest between two probes at least 0.3 m apart. "
            "Kept: proven with U; not shown: within U of a limit, or not known.",
        ],
    }
    return compile_paper("verification", words, rows[-1].length.to_ns)


def _range(row: LogRow, when: str) -> str:
    state = getattr(row, when)
    return "–" if state.min_degC is None else f"{state.min_degC:.2f} to {state.max_degC:.2f}"


def _figure(value: float | None) -> str:
    return "–" if value is None else f"{value:.2f}".replace("-", "−")


def _or_none(value: float | None) -> str:
    return "not stated" if value is None else f"{value:g}"
