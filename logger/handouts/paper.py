"""A paper as PDF, tagged (PDF/UA-1) and archival (PDF/A-3a): words from plain data, one look for all."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from .. import __version__
from ..instants import NS, rfc3339
from ..model import Setup
from ..record.letters import all_printable, printable
from ..record.pdf import STANDARDS
from ..record.watermark import FILE as WATERMARK
from ..record.watermark import watermark_svg

_HERE = Path(__file__).parent
FONTS = _HERE.parent / "record" / "fonts"


def compile_paper(
    template: str, words: Mapping[str, Any], at_ns: int, files: Mapping[str, bytes] | None = None
) -> bytes:
    """The bytes of the PDF of a template (a name such as "notice"); equal input gives equal bytes.

    words: what page.json holds; files: pictures and attachments by name.
    """
    import typst

    page = {"at": rfc3339(at_ns // NS * NS), **words}
    sources = {
        "main.typ": (_HERE / f"{template}.typ").read_bytes(),
        "look.typ": (_HERE / "look.typ").read_bytes(),
        "page.json": json.dumps(all_printable(page), ensure_ascii=False).encode(),
        WATERMARK: watermark_svg(str(page.get("watermark", ""))),
        **{name: _letters(name, content) for name, content in (files or {}).items()},
    }
    compile_files: Any = typst.compile  # its type hints do not know that files may be given by name
    pdf: bytes = compile_files(
        sources,
        font_paths=[str(FONTS)],
        ignore_system_fonts=True,
        pdf_standards=STANDARDS,
        timestamp=at_ns // NS,
    )
    return pdf


def _letters(name: str, content: bytes) -> bytes:
    return printable(content.decode()).encode() if name.endswith(".svg") else content


def frame(setup: Setup, title: str, *, simulated: bool) -> dict[str, Any]:
    """What every paper has: its title, the room, footer and watermark."""
    room = setup.room
    return {
        "title": title,
        "place": f"{room.site}, {room.name}",
        "footer": f"stillroom {__version__}, setup {setup.version} ({setup.digest[:12]})",
        "watermark": "SIMULATED" if simulated else "",
        "sentence": "",
        "because": "",
    }


def section(
    title: str, heads: list[str], align: str, rows: list[list[str]], none: str = "None."
) -> dict[str, Any]:
    """A table of a page; align: l, r or w (as wide as there is room) for each column."""
    return {"title": title, "heads": heads, "align": align, "rows": rows, "none": none}
