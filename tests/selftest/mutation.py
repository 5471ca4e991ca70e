"""Changes every constant and every comparison of the judging modules in turn; the self-test must see each.

A mutant is one module with one number or one comparison changed, in memory: the file on disk stays as it is.
Each runs in a child of its own, forked from a process that has imported the libraries and nothing of ours;
its exit says whether the cases of the self-test still passed. Run alone to see the survivors:

    python -m tests.selftest.mutation logger/core/physics/air.py …
"""

from __future__ import annotations

import ast
import copy
import importlib.abc
import importlib.util
import os
import random
import signal
import sys
import time
import traceback
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
LIMIT_S = 20  # of computing, whatever else the machine does: a mutant that loops is as good as found
LIBRARIES = ("argon2", "asyncio", "bottleneck", "numpy", "pyarrow", "pydantic", "sqlalchemy.orm")
FOUND, SURVIVED, HUNG = "found", "survived", "hung"

# What judges, and what its verdicts rest on.
MODULES = (
    "core/physics/air", "core/physics/expansion", "core/physics/humidity", "core/physics/length",
    "core/physics/saturation", "core/physics/sensors", "core/physics/thermal", "units",
    "core/evidence/quality", "core/evidence/cells", "core/evidence/reduction", "core/calibration/apply",
    "model/reasons", "core/calibration/as_found", "core/calibration/curve", "core/evidence/neighbours",
    "core/measurement/thermal_error", "core/rules/__init__", "core/rules/bending", "core/rules/difference",
    "core/rules/finding",
    "core/rules/condensation", "core/rules/gradient", "core/rules/plane", "core/rules/slope",
    "core/rules/span", "core/rules/windows", "core/measurement/conditions", "core/judge/settling",
    "core/judge/body_temperature", "core/evidence/derived", "core/judge/silence", "core/judge/restarts",
    "core/rules/lines", "core/measurement/own_readings",
)  # fmt: skip
_OTHER: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
_SIGN = {ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!=", ast.Is: "is",
         ast.IsNot: "is not", ast.In: "in", ast.NotIn: "not in"}  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """One change: module, line, which node of the walk and which operator of it, and what it becomes."""

    module: str  # "core/physics/air"
    line: int
    text: str  # the line of source, without its indentation
    node: int
    place: int
    change: str  # "0.95 -> 0.96"

    @property
    def name(self) -> str:
        """How the list of equivalents calls it; it does not hang on the number of the line."""
        return f"{self.module}: {self.text}: {self.change}"


def mutants(module: str) -> list[Mutant]:
    """All mutants of a module, in the order of its source."""
    source = (ROOT / "logger" / f"{module}.py").read_text("utf-8")
    lines = source.splitlines()
    result = []
    for number, node in enumerate(ast.walk(ast.parse(source))):
        if _number(node):
            line = lines[node.lineno - 1].strip()
            result.append(
                Mutant(module, node.lineno, line, number, 0, f"{node.value!r} -> {_changed(node.value)!r}")
            )
        if isinstance(node, ast.Compare):
            for place, op in enumerate(node.ops):
                for other in range(len(_OTHER[type(op)])):
                    new = _OTHER[type(op)][other]
                    output = f"{_SIGN[type(op)]} -> {_SIGN[new]}"
                    line = lines[node.lineno - 1].strip()
                    result.append(Mutant(module, node.lineno, line, number, place * 2 + other, output))
    return sorted(result, key=lambda m: (m.line, m.node, m.place))


def _number(node: ast.AST) -> bool:
    return (
        isinstance(node, ast.Constant)
        and isinstance(node.value, int | float)
        and not isinstance(node.value, bool)
    )


def _changed(value: float) -> float:
    """A whole number becomes the next, any other a thousandth larger, 0.0 becomes 1.0."""
    return value + 1 if isinstance(value, int) else value * 1.001 if value else 1.0


def tree_of(mutant: Mutant) -> ast.Module:
    """The module with the change made."""
    tree = ast.parse((ROOT / "logger" / f"{mutant.module}.py").read_text("utf-8"))
    node = list(ast.walk(tree))[mutant.node]
    if isinstance(node, ast.Constant):
        node.value = _changed(node.value)  # type: ignore[arg-type]
    else:
        assert isinstance(node, ast.Compare)
        place, other = divmod(mutant.place, 2)
        node.ops[place] = _OTHER[type(node.ops[place])][other]()
    return tree


class _Instead(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Loads the changed tree where the module is asked for."""

    def __init__(self, mutant: Mutant) -> None:
        self.tree, self.path = tree_of(mutant), ROOT / "logger" / f"{mutant.module}.py"
        self.name = "logger." + mutant.module.replace("/", ".").removesuffix(".__init__")
        self.package = self.path.name == "__init__.py"

    def find_spec(self, name: str, path: object = None, target: object = None) -> object:
        if name != self.name:
            return None
        return importlib.util.spec_from_loader(name, self, origin=str(self.path), is_package=self.package)

    def exec_module(self, module: object) -> None:
        if self.package:
            module.__path__ = [str(self.path.parent)]  # type: ignore[attr-defined]
        exec(compile(self.tree, str(self.path), "exec"), vars(module))  # noqa: S102 - that is what a mutant is


def _survives(mutant: Mutant | None) -> bool:
    """In the child: whether all cases still pass."""
    if mutant is not None:
        sys.meta_path.insert(0, _Instead(copy.copy(mutant)))
    import warnings

    warnings.simplefilter("ignore")
    from logger.selftest.report import first_failure

    failed = first_failure()
    if mutant is None and failed is not None:
        print(failed, file=sys.stderr)
    return failed is None


def outcome(mutant: Mutant | None) -> str:
    """Run one mutant in a child; None: the program as it is, which must survive."""
    child = os.fork()
    if child == 0:
        signal.setitimer(signal.ITIMER_PROF, LIMIT_S)
        code = 1
        try:
            code = 0 if _survives(mutant) else 1
        except BaseException:  # noqa: BLE001 - whatever a mutant raises, it did not pass
            if mutant is None:
                traceback.print_exc()
        os._exit(code)
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return HUNG
    return SURVIVED if os.waitstatus_to_exitcode(status) == 0 else FOUND


def every() -> Iterator[Mutant]:
    """The whole campaign."""
    for module in MODULES:
        yield from mutants(module)


def equivalents() -> dict[str, str]:
    """Mutants that survive, with the reason: those that change nothing, and those that are still open.

    One that no case notices yet stands under a reason that begins with "open", and is counted as such.
    """
    lines = (Path(__file__).parent / "equivalent.txt").read_text("utf-8").splitlines()
    reasons: dict[str, str] = {}
    reason = ""
    for line in lines:
        if line.startswith("# "):
            reason = line.removeprefix("# ")
        elif line.strip():
            reasons[line.strip()] = reason
    return reasons


def main(names: Sequence[str]) -> int:
    """Print the survivors of some modules, of a sample ("--sample", n), or of all; 1: one is not listed."""
    for library in LIBRARIES:  # shared by all children
        importlib.import_module(library)
    if outcome(None) != SURVIVED:
        print("The self-test fails without any change.")
        return 1
    begin, counts = time.monotonic(), {FOUND: 0, HUNG: 0, SURVIVED: 0, "equivalent": 0, "open": 0}
    excused = equivalents()
    for mutant in _chosen(names):
        how = outcome(mutant)
        if how == SURVIVED and mutant.name in excused:
            how = "open" if excused[mutant.name].startswith("open") else "equivalent"
        counts[how] += 1
        if how in (SURVIVED, HUNG):
            print(f"{how} {mutant.name}", flush=True)
    print(f"{sum(counts.values())} mutants, {counts}, {time.monotonic() - begin:.0f} s")
    return 1 if counts[SURVIVED] else 0


def _chosen(names: Sequence[str]) -> list[Mutant]:
    if names[:1] == ["--sample"]:
        return random.Random(1).sample(list(every()), int(names[1]))
    expected = [name.removeprefix("logger/").removesuffix(".py") for name in names]
    return [m for m in every() if not expected or m.module in expected]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
