"""What the keys of a rule on the bending of a plate mean."""

from __future__ import annotations

PLATE = {
    "plate_length_mm": "of `bending_um`: free length of the plate",
    "plate_thickness_mm": "of `bending_um`: its thickness",
    "plate_alpha_per_K": "of `bending_um`: its thermal expansion, such as `6.5e-6`",
    "plate_u_alpha_per_K": "of `bending_um`: standard uncertainty of that",
}
