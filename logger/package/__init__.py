"""The assessor's package: a BagIt folder (RFC 8493) that sha256sum verifies, and its verification."""

from .checking import PackageVerification, verify_package
from .writing import PackedFiles, pack

__all__ = ["PackageVerification", "PackedFiles", "pack", "verify_package"]
