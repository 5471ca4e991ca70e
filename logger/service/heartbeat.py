"""A file that is rewritten only while the service makes progress: its absence is the message."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path

FILE = "heartbeat"


def beat(folder: Path, facts: Mapping[str, object]) -> None:
    """Replaces the heartbeat in one step, so that nobody reads half of one."""
    fresh = folder / f"{FILE}.new"
    fresh.write_text(json.dumps(dict(facts), indent=1) + "\n", encoding="utf-8")
    os.replace(fresh, folder / FILE)


def read(folder: Path) -> dict[str, object] | None:
    """The newest heartbeat; None when there never was one or it is no heartbeat."""
    try:
        found = json.loads((folder / FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) else None
