"""What the keys of a rule in limits.toml mean, besides its limit."""

from __future__ import annotations

RULES = {
    "basis": "basis of the number",
    "name": "name as printed; default: made from the limit",
    "quantity": "where the unit alone does not say it: `dew_point`, for example",
    "media": "media whose probes count",
    "channels": "named channels instead of all that fit in the zone",
    "need": "how many channels must have readings; default: all",
    "d_min_m": "probes nearer to each other are not compared in a gradient",
    "plate_length_mm": "of `bending_um`: free length of the plate",
    "plate_thickness_mm": "of `bending_um`: its thickness",
    "plate_alpha_per_K": "of `bending_um`: its thermal expansion, such as `6.5e-6`",
    "plate_u_alpha_per_K": "of `bending_um`: standard uncertainty of that",
    "disturbs_bodies": "whether machine and parts settle after it; default: for temperature bands only",
    "activity": "this rule replaces the general one of its name for this work",
    "valid_from": "from when; default: as in [defaults]",
    "valid_to": "until when; default: no end",
    "guard_factor_r": "as in [defaults], for this rule",
    "completeness": "as in [defaults], for this rule",
    "approver": "as in [defaults], for this rule",
}
