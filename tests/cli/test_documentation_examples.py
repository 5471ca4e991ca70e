"""The examples of README.md and docs/, run in order as a reader types them.

A block of `sh` is run line by line; "# exit code N" behind a command is what it must end with. A block of
`toml` or `csv` whose first line is "# path" is a file that the reader writes. A block of `console` needs a
terminal, a probe or a running service, and is not run here.
"""

from __future__ import annotations

import re
import shlex
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.command_line import ROOT, Run

# They copy and verify whole data folders several times, as tests/store does for itself.
SLOW = ("docs/how-to/move.md", "docs/how-to/restore.md")
PAGES = sorted(
    page.relative_to(ROOT).as_posix()
    for page in (ROOT / "docs").rglob("*.md")
    if "```sh\n" in page.read_text("utf-8")
)
# Pages whose examples need a peer, and the tests that run them against one.
WITH_A_PEER = {
    "docs/how-to/bacnet.md": "tests/network_probes/test_bacnet.py",
    "docs/how-to/broker.md": "tests/service/test_publisher.py",
    "docs/how-to/http.md": "tests/api/test_generated_client.py",
    "docs/how-to/metrics.md": "tests/api/test_metrics.py",
    "docs/how-to/notebook.md": "tests/public/test_notebook_page.py",
    "docs/how-to/opc-ua.md": "tests/network_probes/test_opc_ua.py",
    "docs/how-to/shared-store.md": "tests/store/test_shared_store_page.py",
    "docs/how-to/snmp.md": "tests/network_probes/test_snmp.py",
    "docs/how-to/write-a-driver.md": "tests/plug_ins/test_example_package.py",
}
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
FILE = re.compile(r"# ([\w./-]+\.(?:toml|csv))")
EXIT = re.compile(r"# exit code (\d+)")


@pytest.fixture
def desk(tmp_path: Path, demo_history: Path) -> Path:
    """A folder with what the pages speak of: the demo's data, the sample files, folders for copies."""
    shutil.copytree(demo_history, tmp_path / "data")
    shutil.copytree(ROOT / "sample_logs", tmp_path / "sample_logs")
    (tmp_path / "backups").mkdir()
    (tmp_path / "sealed").mkdir()
    return tmp_path


def commands_in(block: str) -> Iterator[tuple[list[str], int]]:
    """The commands of a block without the program's name, each with the exit code that it promises."""
    for line in block.replace("\\\n", " ").splitlines():
        promised = EXIT.search(line)
        words = shlex.split(line, comments=True)
        if words:
            assert words[0].endswith("stillroom"), line
            yield words[1:], int(promised[1]) if promised else 0


def write_file(block: str, folder: Path) -> None:
    """Write a block that names its file in the first line; others only show a part of a file."""
    first, rest = block.split("\n", 1)
    named = FILE.fullmatch(first)
    if named:
        path = folder / named[1]
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(rest if path.suffix == ".csv" else block, encoding="utf-8")


@pytest.mark.slow
@pytest.mark.parametrize(
    "page",
    [
        pytest.param(page, marks=[pytest.mark.long] if page in SLOW else [])
        for page in PAGES
        if page not in WITH_A_PEER
    ],
)
def test_the_examples_of_a_page_work(page: str, desk: Path, stillroom: Run) -> None:
    """Each command ends as the page promises; no answer is a traceback."""
    for kind, block in BLOCK.findall((ROOT / page).read_text("utf-8")):
        if kind in ("toml", "csv"):
            write_file(block, desk)
        if kind == "sh":
            for words, code in commands_in(block):
                result = stillroom(*words, cwd=desk)
                assert result.returncode == code, f"{' '.join(words)}\n{result.stdout}\n{result.stderr}"
                assert "Traceback" not in result.stderr


def test_every_page_with_files_or_commands_is_run() -> None:
    """The tutorial and all how-tos have examples: run here, or beside the peer that they need."""
    how_tos = {page.relative_to(ROOT).as_posix() for page in (ROOT / "docs" / "how-to").glob("*.md")}
    assert {"docs/first-room.md", *how_tos} - set(WITH_A_PEER) <= set(PAGES)
    assert [test for test in WITH_A_PEER.values() if not (ROOT / test).exists()] == []


def test_the_questions_of_the_readme_have_the_answers_of_the_sample_room(desk: Path, stillroom: Run) -> None:
    """sample_logs/README.md: I-2604 (Monday, 09:30 to 11:00) is not stable; one event."""
    (desk / "data").rename(desk / "stillroom-demo")
    blocks = [block for kind, block in BLOCK.findall((ROOT / "README.md").read_text("utf-8")) if kind == "sh"]
    query = {
        words[0]: words
        for block in blocks
        if "--data stillroom-demo" in block
        for words, _ in commands_in(block)
    }
    assert set(query) == {"serve", "check", "case", "package"}
    check = stillroom(*query["check"], cwd=desk)
    assert (check.returncode, ": not stable (" in check.stdout, "µm" in check.stdout) == (10, True, True)
    assert "1 case in use, 1 not closed." in stillroom(*query["case"], cwd=desk).stdout
    assert stillroom(*query["package"], cwd=desk).returncode == 0
    assert stillroom("verify", "audit.zip", cwd=desk).returncode == 0
