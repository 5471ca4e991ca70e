"""All reference cases in a fixed order, and the validation report of what came out.

The report names the program, the machine, the libraries and the drivers of other packages, every case with
its source, what was expected and what was found, and has a SHA-256 over all of it but its date and duration:
two runs of one program on one machine have the same.
"""

from __future__ import annotations

import hashlib
import json
import math
import platform
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from importlib import metadata
from pathlib import Path
from typing import Any

from .. import __version__
from ..instants import NS, rfc3339
from ..probes.registry import PlugIn, list_plug_ins
from . import body_temperature as following
from . import boundaries as edges
from . import candidates as several
from . import certificates, evidence, lengths, physics, published, readings, rules, windows
from . import derived as moisture
from . import memory as remembered
from . import neighbours as beside
from . import plane as planes
from . import settling as remembering
from . import spatial_rules as spaces
from . import thermal as solids
from . import unknown as losses
from . import window_evidence as gaps
from .case import OWN, RAISED, Case, Result, run

# What the figures rest on.
LIBRARIES = ("numpy", "bottleneck", "pandas", "pyarrow", "SQLAlchemy", "cryptography", "typst")
_PARTS = (
    published, physics, solids, lengths, readings, certificates, evidence, rules, spaces, planes, windows,
    gaps, several, edges, remembering, following, moisture,
    remembered, beside, losses,
)  # fmt: skip


def formulas_and_rules() -> Iterator[Case]:
    """The cases that need no disk: published values, formulas, rules, verdicts."""
    for part in _PARTS:
        yield from part.cases()


def first_failure() -> Result | None:
    """The first of these cases that does not pass; None: they all do."""
    return next((result for case in formulas_and_rules() if not (result := run(case)).passed), None)


@dataclass(frozen=True)
class Report:
    """What a self-test found; `at_ns` and `took_s` are no part of the digest."""

    version: str
    at_ns: int
    took_s: float
    platform: str
    python: str
    libraries: tuple[tuple[str, str], ...]
    results: tuple[Result, ...]
    plug_ins: tuple[PlugIn, ...] = ()

    @property
    def failed(self) -> tuple[Result, ...]:
        """Cases that did not pass."""
        return tuple(result for result in self.results if not result.passed)

    @property
    def passed(self) -> bool:
        """Whether every case passed, and there were any."""
        return bool(self.results) and not self.failed

    def facts(self) -> dict[str, Any]:
        """As plain data, numbers that are none as text; the digest covers all but date and duration."""
        body: dict[str, Any] = {
            "program": "stillroom", "version": self.version,
            "platform": self.platform,
            "python": self.python, "libraries": dict(self.libraries),
            "plug_ins": [asdict(plug_in) for plug_in in self.plug_ins], "passed": self.passed,
            "cases": len(self.results), "failed": len(self.failed),
            "results": [_plain(asdict(result)) for result in self.results],
        }  # fmt: skip
        text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
        when = {"at": rfc3339(self.at_ns), "took_s": round(self.took_s, 1)}
        return body | when | {"sha256": hashlib.sha256(text.encode()).hexdigest()}


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _plain(each) for name, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    return str(value) if isinstance(value, float) and not math.isfinite(value) else value


def selftest(now_ns: int) -> Report:
    """Run everything; the record of the chain is made in a folder that goes away."""
    begin = time.monotonic()
    results = [run(case) for case in formulas_and_rules()]
    results += _of_the_record()
    versions = {name: metadata.version(name) for name in LIBRARIES}
    return Report(
        __version__, now_ns // NS * NS, time.monotonic() - begin, platform.platform(),
        sys.version.split()[0],
        tuple(versions.items()), tuple(results), tuple(list_plug_ins()),
    )  # fmt: skip


def _of_the_record() -> list[Result]:
    from . import chain

    completed: list[Result] = []
    with chain.scratch() as folder:
        try:
            completed += map(run, chain.cases(Path(folder)))
        except RAISED as error:
            reason = f"{type(error).__name__}: {error}"
            completed.append(
                Result("record", "a record could be made", OWN, "made", None, 0.0, False, reason)
            )
    return completed


def as_text(facts: dict[str, Any]) -> str:
    """The report as a person reads it: what was tested on what, then every case."""
    libraries = ", ".join(f"{name} {version}" for name, version in facts["libraries"].items())
    outcome = "all passed" if facts["passed"] else f"{facts['failed']} DID NOT PASS"
    plug_ins = [
        f"Driver of another package: {p['kind']} of {p['package']} {p['version']}, SHA-256 {p['sha256']}"
        for p in facts["plug_ins"]
    ]
    head = [
        f"Validation report of stillroom {facts['version']}, {facts['at']}",
        f"On {facts['platform']}, Python {facts['python']}; {libraries}",
        *plug_ins,
        f"{facts['cases']} cases, {outcome}; in {facts['took_s']:g} s",
        f"SHA-256 of all but date and duration: {facts['sha256']}",
    ]
    lines, group = [], ""
    for result in sorted(facts["results"], key=lambda r: bool(r["passed"])):
        if result["group"] != group:
            group = result["group"]
            lines += ["", group]
        lines += _lines(result)
    return "\n".join([*head, *lines, ""])


def _lines(result: dict[str, Any]) -> list[str]:
    word = "passed " if result["passed"] else "FAILED "
    allowed = f" ± {result['tolerance']:.3g}" if result["tolerance"] else ""
    actual = result["error"] or words(result["found"])
    return [
        f"  {word} {result['name']}",
        f"           expected {words(result['expected'])}{allowed}, found {actual}",
        f"           source: {result['source']}",
    ]


def words(value: Any) -> str:
    """A value as it is printed."""
    if isinstance(value, list):
        return f"({', '.join(words(each) for each in value)})"
    return f"{value:.10g}" if isinstance(value, float) else str(value)
