"""The self-test: reference cases with their sources, and the validation report of this version."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..errors import Refused
from .context import open_session
from .options import Config, Json, Who, person
from .output import answer

if TYPE_CHECKING:
    from ..selftest import Report

Out = Annotated[
    Path | None, typer.Option("--out", metavar="DIR", help="A new folder for the report: text, JSON, PDF.")
]
Record = Annotated[
    Path | None,
    typer.Option("--data", metavar="DIR", help="Write into the journal of this record that it was done."),
]


def add_to(app: typer.Typer) -> None:
    app.command("selftest", short_help="Reference cases with known results, and the validation report.")(
        selftest
    )


def selftest(
    *, out: Out = None, data: Record = None, config: Config = None, who: Who = "", as_json: Json = False
) -> None:
    """Run the shipped reference cases: published values, rules with known verdicts, chain, backup, restore.

    The report names version, machine and libraries, and every case with its source, what was expected and
    what was found. Nothing of a record in use is read or changed, but for the entry that --data asks for.

    Exits with 0 where all passed and with 10 where one did not.

    \b
    Example:
      stillroom selftest --out validation --data stillroom-data
    """
    import time

    from ..selftest import report_files
    from ..selftest import selftest as run_all

    if out is not None and out.exists():
        raise Refused(f"{out} is there already; nothing was written. Name another folder with --out.")
    report = run_all(time.time_ns())
    if out is not None:
        _write(out, report_files(report))
    if data is not None:
        _journal(data, config, report, person(who))
    answer(report.facts(), as_json, _lines(report, out))
    if not report.passed:
        raise typer.Exit(10)


def _write(out: Path, files: dict[str, bytes]) -> None:
    from ..store.backup.folder import plain_target_errors, write_file

    with plain_target_errors(out):
        out.mkdir(parents=True)
        for name, content in files.items():
            write_file(out / name, content)


def _journal(data: Path, config: Path | None, report: Report, who: str) -> None:
    facts = report.facts()
    keys = ("version", "passed", "cases", "failed", "platform", "python", "sha256")
    with open_session(data, config) as session:
        session.store.journal.append("selftest", who, {name: facts[name] for name in keys})


def _lines(report: Report, out: Path | None) -> list[str]:
    facts = report.facts()
    groups: dict[str, list[bool]] = {}
    for result in report.results:
        groups.setdefault(result.group, []).append(result.passed)
    lines = [
        f"stillroom {facts['version']} on {facts['platform']}, Python {facts['python']}:",
        *(f"  {sum(passed):>4} of {len(passed):>4} passed  {name}" for name, passed in groups.items()),
        *(
            f"  FAILED {r.group}: {r.name}: expected {r.expected}, found {r.error or r.found}"
            for r in report.failed
        ),
        f"{facts['cases'] - len(report.failed)} of {facts['cases']} cases passed"
        f"{'' if report.passed else ': FAILED'}; {facts['took_s']:g} s.",
        f"  SHA-256 of all but date and duration: {facts['sha256']}",
    ]
    return [*lines, *([f"  Report: {out}/validation.txt, .json, .pdf"] if out else [])]
