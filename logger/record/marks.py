"""The marks that paper and screen share: series by colour and dash, reasons by fill and pattern.

Colours are those of Okabe and Ito (2008), chosen for every kind of colour vision; the yellow is
left out because it vanishes on paper. A pattern always goes with a colour, so that a greyscale
print still tells the reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from ..model import Reason, Verdict

INK = "#1b2430"
SOFT = "#5a6672"
HAIR = "#c9ced3"
LIMIT = "#b34700"
GROUND = "#eef4f2"

SERIES: tuple[tuple[str, str], ...] = (
    ("#0072b2", ""),
    ("#a64d79", "5 2.2"),
    (INK, "1.2 1.8"),
    ("#009e73", "7 2 1.4 2"),
    ("#d55e00", "3.4 1.6"),
    ("#4a90b8", "9 2.5"),
    ("#8a6d00", "1.2 1.2 4 1.2"),
)

LEVELS: tuple[Verdict, ...] = ("stable", "not shown", "not stable")  # top to bottom, as in a timing diagram

FILLS: Mapping[Reason, str] = MappingProxyType(
    {
        "conforming": "#009e73",
        "guard band": "url(#guard-band)",
        "indeterminate": "url(#indeterminate)",
        "settling": "url(#settling)",
        "marked": "url(#marked)",
        "nonconforming": "#d55e00",
    }
)

PATTERNS = """<defs>
<pattern id="settling" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
<rect width="5" height="5" fill="#fbe3b5"/><rect width="2" height="5" fill="#e69f00"/></pattern>
<pattern id="marked" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
<rect width="5" height="5" fill="#f3dfeb"/><path d="M0 0H5M0 0V5" stroke="#a64d79" stroke-width="1.6"/>
</pattern>
<pattern id="guard-band" width="4" height="4" patternUnits="userSpaceOnUse">
<rect width="4" height="4" fill="#e3f1fa"/><rect width="4" height="1.4" fill="#56b4e9"/></pattern>
<pattern id="indeterminate" width="4" height="4" patternUnits="userSpaceOnUse">
<rect width="4" height="4" fill="#f1f2f4"/><circle cx="2" cy="2" r="0.8" fill="#5a6672"/></pattern>
<pattern id="guard" width="4" height="4" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
<rect width="0.7" height="4" fill="#8d98a3"/></pattern>
</defs>"""

# In a strip of three points the patterns are finer; the level says the verdict, also in grey.
STRIP_FILLS: Mapping[Reason, str] = MappingProxyType(
    {
        "conforming": "#009e73",
        "guard band": "#56b4e9",
        "indeterminate": "url(#strip-dots)",
        "settling": "url(#strip-settling)",
        "marked": "url(#strip-marked)",
        "nonconforming": "#d55e00",
    }
)

STRIP_PATTERNS = """<defs>
<pattern id="strip-settling" width="3" height="3" patternUnits="userSpaceOnUse"
 patternTransform="rotate(45)">
<rect width="3" height="3" fill="#fbe3b5"/>
<rect width="1.2" height="3" fill="#e69f00"/></pattern>
<pattern id="strip-marked" width="2.4" height="2.4" patternUnits="userSpaceOnUse"
 patternTransform="rotate(45)">
<rect width="2.4" height="2.4" fill="#f3dfeb"/>
<path d="M0 0H2.4M0 0V2.4" stroke="#a64d79" stroke-width="0.8"/>
</pattern>
<pattern id="strip-dots" width="2" height="2" patternUnits="userSpaceOnUse">
<rect width="2" height="2" fill="#e4e6e9"/><circle cx="1" cy="1" r="0.5" fill="#5a6672"/></pattern>
</defs>"""
