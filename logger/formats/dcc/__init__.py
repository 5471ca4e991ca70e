"""Digital Calibration Certificates: XML by PTB's schema, versions 3.1 to 3.3, read and never written.

    read(content, name) -> Dcc      CertificateRefused with what was expected and found
    text_of(content), content_of(text)    original bytes as the text that a setup keeps, and back

Nothing but the bytes given is ever read: no schema, no entity, no network. A signature is seen, not
verified. Errors are taken as indication − reference, as the schema has it, and what a certificate
states three ways must agree.
"""

from __future__ import annotations

from .document import LARGEST_BYTES, content_of, text_of
from .reader import Dcc, Item, read
from .tables import PointTable, TablePoint

__all__ = ["LARGEST_BYTES", "Dcc", "Item", "PointTable", "TablePoint", "content_of", "read", "text_of"]
