"""The assessor's package: a BagIt folder (RFC 8493) that sha256sum verifies, and its verification."""

from .checking import Checked, verify_package
from .writing import Packed, pack

__all__ = ["Checked", "Packed", "pack", "verify_package"]
