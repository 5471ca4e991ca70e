"""What is signed comes from a judgement made for it, whatever the stored verdicts say."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from logger.store.hot.database import FILE

from .conftest import DAY, Room, opened


def edited(folder: Path) -> int:
    """Somebody turns every stored "nonconforming" of the machine bay into "conforming"; gives the rows."""
    with closing(sqlite3.connect(folder / FILE)) as stranger:
        result = stranger.execute(
            "UPDATE piece SET body = replace(replace(body, '\"nonconforming\"', '\"conforming\"'),"
            " '\"not stable\"', '\"stable\"') WHERE zone = 'machine-bay' AND body LIKE '%nonconforming%'"
        ).rowcount
        stranger.commit()
    return int(result)


def facts(out: Path) -> dict[str, Any]:
    (path,) = out.glob("*.json")
    return dict(json.loads(path.read_bytes()))


@pytest.mark.slow
def test_a_record_is_issued_from_a_fresh_judgement(room: Room, tmp_path: Path) -> None:
    """An edited row changes no share and no period of the signed record, and the journal tells of it."""
    room.issue(tmp_path / "before")
    assert edited(room.store.folder) > 0

    room.issue(tmp_path / "after")

    before, after = facts(tmp_path / "before"), facts(tmp_path / "after")
    for part in ("shares", "periods", "excursions", "verdict", "digest"):
        assert after[part] == before[part], part
    (entry,) = room.store.journal.entries(kind="verdicts-altered")
    assert entry.what["zone"] == "machine-bay"
    assert "2026-10-19" in entry.what["altered"]


@pytest.mark.slow
def test_a_package_is_made_from_a_fresh_judgement(room: Room, tmp_path: Path) -> None:
    """The summary of months in a package is that of the readings, not of an edited row."""
    from logger.package import pack

    pack(room.store, room.verdicts, DAY, tmp_path / "before", "Greta Holm", room.now_ns)
    edited(room.store.folder)

    pack(room.store, opened(room.store).verdicts, DAY, tmp_path / "after", "Greta Holm", room.now_ns)

    before, after = (
        json.loads((tmp_path / name / "data" / "summary.json").read_bytes()) for name in ("before", "after")
    )
    assert after["zones"] == before["zones"]
    assert room.store.journal.entries(kind="verdicts-altered")
