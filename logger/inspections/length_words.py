"""What a number of µm is, in one set of words for paper, screen and command: an error with U, or a bound."""

from __future__ import annotations

ERROR_HEAD = "Error ± U, µm"
SHARE_HEAD = "Of tolerance"
ERROR_NOTE = (
    "Error: by how much the length measured too long (+) or too short (−), from the mean temperatures of "
    "part and scale. U: its expanded uncertainty (k = 2), drift included. Of tolerance: error + U; of a "
    "corrected result U alone."
)
BOUNDS_NOTE = "An error without U was added up by bounds (ASME B89.6.2)."
EFFECT_HEAD = "Effect at most, µm"
EFFECT_NOTE = (
    "Effect at most: a bound, not an error with U. It is the largest difference of expansion between part "
    "and scale at any time of the inspection; where both follow the same air, the expansion of the part as "
    "if the scale had stayed at the reference temperature (ISO 1). Records and checks give the error ± U of "
    "the same inspection, which is another figure. Of tolerance: the effect."
)
