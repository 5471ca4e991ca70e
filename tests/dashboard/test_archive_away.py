"""Pages while the archive, moved to a share, is away: Now and Health answer, others say what is missing."""

from __future__ import annotations

import shutil
from pathlib import Path

from dashboard.app import page_of
from dashboard.data.queries import Queries
from dashboard.data.source import Source
from logger.store import Store
from logger.store.archive_relocation import relocate_archive

PATHS = ("/", "/health", "/trend", "/cases", "/records", "/journal", "/probes")


def test_pages_answer_while_the_archive_is_away(demo_copy: Path, tmp_path: Path) -> None:
    share = tmp_path / "share"
    share.mkdir()
    with Store.open(demo_copy) as store:
        relocate_archive(store, str(share), "", "Greta Holm")
        newest = store.readings.newest_ns() or 0
    shutil.rmtree(demo_copy / "archive", ignore_errors=True)
    share.rename(tmp_path / "unmounted")
    q = Queries(Source(demo_copy), lambda: newest + 40 * 86_400 * 10**9)
    texts = {path: str(page_of(q, path, "")) for path in PATHS}
    for path in ("/", "/health"):
        assert "Mount its share" not in texts[path], path
    assert f"archive {share}" in texts["/health"]
