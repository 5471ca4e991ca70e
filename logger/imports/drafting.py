"""A first configuration folder from a described file: what the file shows, and the fewest lines to enter.

Nothing is invented that could be believed: there are no limits and no certificates, so that no zone can be
stable before somebody has entered them.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta

from ..errors import ImportRefused
from ..instants import NS
from ..units import QUANTITIES
from .describing import Description, Guess
from .writing import profile_text

# Unit -> quantity and a span of the probe, wide enough for any room; common practice, no source.
MEASURED = {
    "degC": ("temperature", -40.0, 85.0),
    "degF": ("temperature", -40.0, 185.0),
    "K": ("temperature", 233.0, 358.0),
    "%RH": ("relative_humidity", 0.0, 100.0),
    "%": ("relative_humidity", 0.0, 100.0),
    "hPa": ("pressure", 500.0, 1100.0),
    "mbar": ("pressure", 500.0, 1100.0),
    "kPa": ("pressure", 50.0, 110.0),
    "Pa": ("pressure", 50000.0, 110000.0),
    "ppm": ("co2", 0.0, 10000.0),
}
_NAMED = re.compile(r"[A-Za-z]{0,12}[ _-]?\d{1,4}")


@dataclass(frozen=True)
class DraftedColumn:
    """A column as a channel: its probe and what it measures."""

    guess: Guess
    probe: str
    quantity: str
    unit: str
    low: float
    high: float


def draft(description: Description) -> dict[str, str]:
    """Texts of a configuration by their file names; ImportRefused where no column says what it measures."""
    drafted = list(drafted_columns(description.columns))
    if not drafted:
        raise ImportRefused(
            "No column of the file names a unit that shows what it measures. Write the units into the "
            "headings, such as (°C) or (%RH), or use --describe and write the configuration by hand."
        )
    since = date(2000, 1, 1) if description.first_ns is None else day_before(description.first_ns)
    return {
        "room.toml": _room(drafted),
        "probes.toml": _probes(drafted, since, description.step_s),
        "limits.toml": "# No limits yet: nothing is judged. See the complete example of `stillroom "
        "config export`.\n",
        f"profiles/{key_of(description.profile.name)}.toml": _profile(description, drafted),
        "certificates/README.txt": _CERTIFICATES,
        **{f"certificates/{d.probe}-{d.quantity}.toml.draft": _certificate(d) for d in drafted},
    }


def drafted_columns(columns: tuple[Guess, ...]) -> Iterator[DraftedColumn]:
    """Columns whose unit says what they are; those of one name and different quantities are one probe."""
    used: set[tuple[str, str]] = set()
    for guess in columns:
        if guess.unit not in MEASURED:
            continue
        quantity, low, high = MEASURED[guess.unit]
        name = _probe(" ".join(word for _, word in guess.only) or guess.heading)
        number = 2
        probe = name
        while (probe, quantity) in used:
            probe, number = f"{name}-{number}", number + 1
        used.add((probe, quantity))
        yield DraftedColumn(guess, probe, quantity, "%RH" if guess.unit == "%" else guess.unit, low, high)


def _probe(heading: str) -> str:
    """The part of a heading that names a probe: the first word with a number in it, else all but the unit."""
    bare = re.sub(r"[(\[{].*", "", heading)
    match = _NAMED.search(bare)
    return key_of(match[0] if match else bare)


def key_of(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9]+", "-", text).strip("-") or "probe"


def day_before(first_ns: int) -> date:
    return (datetime.fromtimestamp(first_ns // NS, UTC) - timedelta(days=1)).date()


def _room(drafted: list[DraftedColumn]) -> str:
    probes = list(dict.fromkeys(d.probe for d in drafted))
    lines = [
        "# A draft from a logger's file. Lines marked EDIT hold what no file can tell.",
        "[room]",
        'key = "room"',
        'name = "Measuring room"          # EDIT',
        'site = "Site"                    # EDIT',
        'timezone = "UTC"                 # EDIT: an IANA name such as "Europe/Vienna"',
        'custodian = "nobody yet"         # EDIT: who is responsible for the room',
        "size_m = [10.0, 10.0, 3.0]       # along x, y and z; positions below are placeholders in a row",
        "",
        "[zones.room]",
        'name = "Measuring room"',
        "outline_m = [0.0, 0.0, 10.0, 10.0]",
    ]
    for n, probe in enumerate(probes):
        barometer = all(d.quantity == "pressure" for d in drafted if d.probe == probe)
        x, y = 0.5 + n % 10 * 0.9, 0.5 + n // 10 % 10 * 0.9
        lines += [
            "",
            f"[positions.at-{probe}]",
            f'name = "At {probe}"',
            'zone = "room"',
            f'medium = "{"pressure" if barometer else "air"}"',
            f"xyz_m = [{x:.1f}, {y:.1f}, 1.0]",
        ]
    return "\n".join(lines) + "\n"


def _probes(drafted: list[DraftedColumn], since: date, step_s: float | None) -> str:
    probes = list(dict.fromkeys(d.probe for d in drafted))
    remark = "the usual step of the file" if step_s else "EDIT: seconds between readings"
    lines = [f"sampling_interval_s = {step_s or 60.0:.1f}      # {remark}"]
    for probe in probes:
        lines += [
            "",
            f"[probes.{probe}]",
            f'serial = "{probe}"      # as engraved',
            f'description = "{probe}"',
        ]
        for d in (d for d in drafted if d.probe == probe):
            lines += [
                "",
                f"[probes.{probe}.channels.{d.quantity}]",
                f'quantity = "{d.quantity}"',
                f'unit = "{d.unit}"',
                f"resolution = {resolution_of(d.guess.example)}",
                f"probe_span = [{d.low}, {d.high}]",
            ]
    for probe in probes:
        lines += ["", "[[placements]]", f'probe = "{probe}"', f'position = "at-{probe}"', f"from = {since}"]
    return "\n".join(lines) + "\n"


def resolution_of(example: str) -> float:
    match = re.search(r"[.,](\d+)$", example.strip())
    return round(10.0 ** -len(match[1]), 9) if match else 1.0


def _profile(description: Description, drafted: list[DraftedColumn]) -> str:
    columns = tuple(replace(d.guess.column, channel=f"{d.probe}.{d.quantity}") for d in drafted)
    return profile_text(replace(description.profile, columns=columns), questions=open_questions(description))


def open_questions(description: Description) -> tuple[str, ...]:
    """The questions of a description that a draft does not answer: channels have their names there."""
    return tuple(q for q in description.questions if not q.startswith("Which channel is column"))


_CERTIFICATES = """Without certificates every zone is "not shown": readings are kept and drawn.
Each .draft here names a channel. Enter what the certificate states and rename it to .toml; a Digital
Calibration Certificate (XML) is read by `stillroom confirm`. `stillroom config export` writes an example
with all keys.
"""


def _certificate(d: DraftedColumn) -> str:
    difference = QUANTITIES[d.quantity].difference_unit
    return (
        f'number = ""\nchannel = "{d.probe}.{d.quantity}"\nserial = "{d.probe}"\nissuer = '
        f'""\naccreditation = ""\n'
        f"# calibrated_on = 2026-10-01\n# valid_from = 2026-10-01\n# due_on = 2027-10-01\n"
        f'unit = "{d.unit}"\nk = 2.0\n# range = [15.0, 30.0]\n# drift = 0.0     # half-width, {difference}\n'
        '# drift_basis = ""\n\n# [[points]]\n# indication = 20.00\n# reference = 20.00\n# U = 0.10\n'
    )
