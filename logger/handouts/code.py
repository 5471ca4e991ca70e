"""Codes for phones (ISO/IEC 18004), level Q, with the quiet zone of four modules around them."""

from __future__ import annotations

import io
import re

from ..errors import Refused

_NAME = re.compile(r"(https?://)?[A-Za-z0-9.-]+(:\d{1,5})?(/[A-Za-z0-9._~/-]*)?")


def code_svg(content: str) -> bytes:
    """The code of a text as SVG; level Q: a quarter of it may be dirty."""
    import segno

    picture = io.BytesIO()
    segno.make(content, error="q", micro=False).save(
        picture, kind="svg", border=4, xmldecl=False, dark="#000000", light="#ffffff", omitsize=True
    )
    return picture.getvalue()


def base_address(name: str) -> str:
    """The address of the pages from what is given with --name: https unless it says otherwise.

    >>> base_address("room-east.example"), base_address("http://10.0.0.5:8050/")
    ('https://room-east.example', 'http://10.0.0.5:8050')
    """
    text = name.strip()
    if not _NAME.fullmatch(text):
        raise Refused(f"--name: expected a host such as room-east.example, found {name!r}.")
    return (text if "://" in text else f"https://{text}").rstrip("/")
