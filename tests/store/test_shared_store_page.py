"""docs/how-to/shared-store.md with the demo: there and back with the same days, a backup in between."""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import pytest

from logger.config import in_force
from logger.store import Store
from logger.store.store_file import hot_table
from logger.verdicts.ledger import Ledger
from logger.verdicts.years import judge_year, year_tasks
from tests.cli.test_documentation_examples import BLOCK, ROOT, commands_in
from tests.command_line import Run
from tests.database_server import PASSWORD, DatabaseServer

PAGE = ROOT / "docs" / "how-to" / "shared-store.md"


def digests(folder: Path) -> list[str]:
    """Of the verdicts of every zone and year, judged anew from what a record holds."""
    with Store.open(folder, read_only=True) as store:
        ledger = Ledger(store, in_force(store.setups.versions()).setup)
        zones = sorted(ledger.setup.zones)
        tasks = [task for zone in zones for task in year_tasks(ledger, zone, time.time_ns())]
        return [judge_year(ledger, task, None).digest for task in tasks]


@pytest.mark.slow
def test_a_new_user_moves_the_demo_to_a_server_and_back(
    demo_copy: Path, server: DatabaseServer, stillroom: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = demo_copy.parent
    if demo_copy.name != "data":
        shutil.move(demo_copy, desk / "data")
    (desk / "backups").mkdir()
    monkeypatch.setenv("STILLROOM_DATABASE_PASSWORD", PASSWORD)
    statements = [block for kind, block in BLOCK.findall(PAGE.read_text("utf-8")) if kind == "sql"]
    for statement in statements[1].replace("hall_3", "hall_3_page").strip().splitlines():
        server.run(statement.replace("a long one of its own", PASSWORD.replace("'", "''")))
    seen = [digests(desk / "data")]
    for block in (block for kind, block in BLOCK.findall(PAGE.read_text("utf-8")) if kind == "sh"):
        for words, code in commands_in(block):
            address = server.address("hall_3_page")
            args = [address if word.startswith("postgresql://") else word for word in words]
            result = stillroom(*args, cwd=desk)
            assert result.returncode == code, f"{' '.join(args)}\n{result.stdout}\n{result.stderr}"
            assert PASSWORD not in result.stdout + result.stderr
        seen.append(digests(desk / "data"))
    assert hot_table(desk / "data") is None
    assert seen[0]
    assert seen == [seen[0]] * 4
