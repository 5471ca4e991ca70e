"""The worked numbers in docstrings are what comes out: one test a module.

A module is loaded when its test runs; pytest's own collector would load every module in every worker.
"""

from __future__ import annotations

import doctest
import importlib
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PUBLIC = ROOT / "logger" / "public"  # installed as `stillroom`: under this name it would load twice


EXAMPLE = re.compile(r"^\s*>>> ", re.MULTILINE)


def modules() -> list[str]:
    """Names of the modules with an example in a docstring."""
    files = [*(ROOT / "logger").rglob("*.py"), *(ROOT / "dashboard").rglob("*.py")]
    shown = [f for f in files if PUBLIC not in f.parents and EXAMPLE.search(f.read_text("utf-8"))]
    names = (".".join(f.relative_to(ROOT).with_suffix("").parts) for f in shown)
    return sorted(name.removesuffix(".__init__") for name in names)


def examples_of(name: str) -> list[doctest.DocTest]:
    """The examples of a module, by object."""
    tests = doctest.DocTestFinder().find(importlib.import_module(name))
    return [test for test in tests if test.examples]


@pytest.mark.slow
@pytest.mark.parametrize("name", modules())
def test_the_examples_of_a_module_are_true(name: str) -> None:
    examples = examples_of(name)
    assert examples, f"{name} has >>> outside a docstring"
    messages: list[str] = []
    runner = doctest.DocTestRunner(verbose=False)
    for test in examples:
        runner.run(test, out=messages.append)
    assert messages == [], "".join(messages)


def test_a_wrong_number_is_noticed() -> None:
    """The test above can fail."""
    test = doctest.DocTestParser().get_doctest(">>> 1 + 1\n3\n", {}, "planted", None, 0)
    messages: list[str] = []
    assert doctest.DocTestRunner(verbose=False).run(test, out=messages.append).failed == 1
    assert "Expected:\n    3" in "".join(messages)
