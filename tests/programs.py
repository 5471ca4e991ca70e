"""Programs and libraries of other makers that a test needs. A missing one skips the test, by name."""

from __future__ import annotations

import importlib
import os
import shutil
from typing import Any, NoReturn

import pytest

# Where a distribution puts servers, which is not on the path of everybody.
SERVERS = ("/usr/sbin", "/usr/local/sbin")
NEEDS_ALL = "STILLROOM_NEEDS_ALL"


def program(name: str) -> str:
    """Path of an installed program; else the test is skipped, or fails where all programs are required."""
    path = os.pathsep.join((os.environ.get("PATH", ""), *SERVERS))
    return shutil.which(name, path=path) or skip_without(f"{name} is not installed")


def library(name: str, install: str = "install .[test] anew") -> Any:
    """An installed library, imported; else the test is skipped, or fails where all are required."""
    try:
        return importlib.import_module(name)
    except ModuleNotFoundError as error:
        if error.name is None or error.name.partition(".")[0] != name.partition(".")[0]:
            raise  # it is there, and what it needs itself is not: no reason to skip
        return skip_without(f"{name} is not installed: {install}")


def skip_without(reason: str) -> NoReturn:
    """Skip for something that this machine lacks; on the build machine, which has it all, fail."""
    if os.environ.get(NEEDS_ALL):
        pytest.fail(reason)
    pytest.skip(reason, allow_module_level=True)
