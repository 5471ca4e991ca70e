"""Bytes to an XML tree that nothing outside of them had a part in, or CertificateRefused."""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

from ...errors import CertificateRefused

if TYPE_CHECKING:
    from lxml.etree import _Element as Element

DCC = "{https://ptb.de/dcc}"
SI = "{https://ptb.de/si}"
SIGNATURE = "{http://www.w3.org/2000/09/xmldsig#}Signature"
LARGEST_BYTES = 8 * 1024 * 1024  # certificates carry their paper as an attachment; some are a few MB
_AS_BASE64 = "base64:"
WANTED = "a Digital Calibration Certificate, schema version 3.1 to 3.3"


def text_of(content: bytes) -> str:
    """A file's bytes as text from which `content_of` gives the very same bytes.

    >>> text_of(b"<a/>"), text_of(b"<a/>\\r\\n")
    ('<a/>', 'base64:PGEvPg0K')
    """
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError:
        text = _AS_BASE64
    # A setup's texts are compared with LF line ends; a signature covers the bytes as they came.
    plain = "\r" not in text and not text.startswith(_AS_BASE64)
    return text if plain else _AS_BASE64 + base64.b64encode(content).decode("ascii")


def content_of(text: str) -> bytes:
    """The bytes that `text_of` was given.

    >>> content_of("base64:PGEvPg0K")
    b'<a/>\\r\\n'
    """
    if not text.startswith(_AS_BASE64):
        return text.encode("utf-8")
    try:
        return base64.b64decode(text.removeprefix(_AS_BASE64), validate=True)
    except (binascii.Error, ValueError):
        return b""


def root_of(content: bytes, name: str) -> Element:
    """The root of a certificate in bytes; `name` is that of the file, for messages."""
    from lxml import etree

    if len(content) > LARGEST_BYTES:
        raise CertificateRefused(name, f"at most {LARGEST_BYTES // 2**20} MiB", f"{len(content)} bytes")
    # The schema has no document type, and a document type is where entities come from. Without the
    # zero bytes the same letters stand in UTF-16.
    if re.search(rb"<!\s*(DOCTYPE|ENTITY)", content.replace(b"\0", b""), re.IGNORECASE):
        raise CertificateRefused(name, f"{WANTED}, without a document type", "a document type declaration")
    parser = etree.XMLParser(
        resolve_entities=False, no_network=True, load_dtd=False, dtd_validation=False,
        attribute_defaults=False, huge_tree=False, remove_comments=True, remove_pis=True,
    )  # fmt: skip
    try:
        root = etree.fromstring(content, parser)
    except (etree.XMLSyntaxError, ValueError, LookupError) as error:
        if getattr(error, "code", 0) == etree.ErrorTypes.ERR_NO_MEMORY:
            raise MemoryError from None
        raise CertificateRefused(name, WANTED, f"no whole XML document: {error}") from None
    if getattr(root.getroottree().docinfo, "doctype", ""):
        raise CertificateRefused(name, f"{WANTED}, without a document type", "a document type declaration")
    return _checked(root, name)


def _checked(root: Element, name: str) -> Element:
    if root.tag != f"{DCC}digitalCalibrationCertificate":
        raise CertificateRefused(name, WANTED, f"an XML document of {root.tag!r}")
    version = root.get("schemaVersion", "")
    if not re.fullmatch(r"3\.[123](\.\d+)?", version):
        raise CertificateRefused(name, WANTED, f"schema version {version or 'not stated'}")
    return root


def tokens(element: Element) -> frozenset[str]:
    """The words of the list in `refType`."""
    return frozenset(element.get("refType", "").split())


def within(element: Element, *path: str) -> Element | None:
    """The first descendant along a path of names of the certificate's own namespace."""
    return element.find("/".join(DCC + step for step in path))


def text_at(element: Element, *path: str) -> str:
    """Text along a path, or "" where there is none."""
    element_at = within(element, *path)
    return "" if element_at is None else text(element_at)


def text(element: Element) -> str:
    """The text of an element, its blanks put in order."""
    return " ".join("".join(str(part) for part in element.itertext()).split())


def name_of(element: Element, *path: str) -> str:
    """Text in several languages: English where it stands, else the first."""
    named = within(element, *path) if path else element
    contents = [] if named is None else named.findall(f"{DCC}content")
    english = [c for c in contents if c.get("lang", "").lower().startswith("en")]
    chosen = (english or contents)[:1]
    return text(chosen[0]) if chosen else ""


def every(element: Element, name: str) -> Iterator[Element]:
    """Every descendant of a name of the certificate's own namespace, in order."""
    return element.iter(DCC + name)
