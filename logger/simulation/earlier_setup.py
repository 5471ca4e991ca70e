"""What the demo's setup needs for the 24 earlier weeks: an outdoor probe, earlier certificates and dates."""

from __future__ import annotations

from collections.abc import Mapping

BEGAN = "2026-04-20"
OUTDOOR_FILE = "probes-outdoors.toml"
_AFTER = "2026-10-01"
_EARLIER = ("AG-0411-T", "AG-0411-H", "AG-0412-T", "AG-0412-H")

_ROOM = """\
# The outdoor probe of the earlier weeks. Invented, as everything in the demo.
[positions.north-wall]
name = "North wall, outdoors"
zone = "machine-bay"
medium = "outdoor"
xyz_m = [4.5, 6.0, 2.4]
"""
_PROBES = """\
[probes.O1]
serial = "AG-0601"
description = "Temperature probe in a radiation shield, north wall; its logger is read by hand"

[probes.O1.channels.temperature]
quantity = "temperature"
unit = "degC"
resolution = 0.01
noise = 0.03
probe_span = [-40.0, 60.0]

[[placements]]
probe = "O1"
position = "north-wall"
from = 2026-04-20
to = 2026-10-12T00:00:00
"""
_CERTIFICATE = """\
number = "AG-0601-T"
channel = "O1.temperature"
serial = "AG-0601"
issuer = "Traunfeld Calibration Laboratory"
accreditation = "invented, TF-018"
calibrated_on = 2026-03-12
valid_from = 2026-04-20
due_on = 2027-03-12
unit = "degC"
k = 2.0
range = [-20.0, 50.0]
drift = 0.1
drift_basis = "maker's statement for a year"
other_u = 0.1

[[points]]
indication = -20.0
reference = -20.0
U = 0.1

[[points]]
indication = 50.0
reference = 50.0
U = 0.1
"""
_PROFILE = """\
name = "machine bay and outdoors, 24 weeks: comma separated, UTC"
files = ["earlier-weeks*.csv"]
delimiter = ","
decimal = "."

[time]
headings = ["time"]
"""
_COLUMN = '\n[[columns]]\nheading = "{heading}"\nchannel = "{channel}"\nunit = "{unit}"\n'
_COLUMNS = (
    ("P1 temperature", "P1.temperature", "degC"),
    ("P1 humidity", "P1.relative_humidity", "%RH"),
    ("P2 temperature", "P2.temperature", "degC"),
    ("P2 humidity", "P2.relative_humidity", "%RH"),
    ("O1 temperature", "O1.temperature", "degC"),
)


def with_earlier_weeks(texts: Mapping[str, str]) -> dict[str, str]:
    """The example's files with limits and placements from 20 April on, and what was in use until then."""
    earlier = dict(texts)
    for name in ("limits.toml", "probes.toml"):
        earlier[name] = texts[name].replace(f"from = {_AFTER}", f"from = {BEGAN}")
    for number in _EARLIER:
        earlier[f"certificates/{number}-2025.toml"] = _last_year(texts[f"certificates/{number}.toml"], number)
    columns = (_COLUMN.format(heading=h, channel=c, unit=u) for h, c, u in _COLUMNS)
    return earlier | {
        "room-outdoors.toml": _ROOM,
        OUTDOOR_FILE: _PROBES,
        "certificates/AG-0601-T.toml": _CERTIFICATE,
        "profiles/earlier-weeks.toml": _PROFILE + "".join(columns),
    }


def _last_year(text: str, number: str) -> str:
    """A certificate as the laboratory gave it a year before."""
    changes = {
        f'"{number}"': f'"{number}-2025"',
        f"valid_from = {_AFTER}": f"valid_from = {BEGAN}",
        "calibrated_on = 2026-": "calibrated_on = 2025-",
        "due_on = 2027-09": "due_on = 2026-10",
    }
    for old, new in changes.items():
        text = text.replace(old, new)
    return text
