"""Certificates read in the confined child: a small one can be nested so that reading it takes hours."""

from __future__ import annotations

from functools import lru_cache

from ..errors import CertificateRefused
from ..formats.dcc import LARGEST_BYTES, Dcc, read
from ..processes.child_limits import ChildLimits
from ..processes.confined import run_confined

_MIB = 1 << 20
_LIMITS = ChildLimits(
    memory=1024 * _MIB,
    computing_s=30,
    clock_s=150,
    answer=64 * _MIB,
    undone="Nothing was changed",
    instead="ask the laboratory that issued it for a new file",
)


@lru_cache(maxsize=32)
def certificate_of(content: bytes, name: str) -> Dcc:
    """A Digital Calibration Certificate from its bytes; `name` is that of the file.

    CertificateRefused where it is none; ImportRefused where reading it would go beyond the limits.
    """
    if len(content) > LARGEST_BYTES:
        return read(content, name)  # refuses it by its size
    answer = run_confined(name, _LIMITS, _read, content, name)
    if isinstance(answer, Dcc):
        return answer
    raise CertificateRefused(name, *answer)


def _read(content: bytes, name: str) -> Dcc | tuple[str, str]:
    """The certificate, or what was expected and found: the child passes on only the text of a refusal."""
    try:
        return read(content, name)
    except CertificateRefused as error:
        return error.expected, error.found
