"""Programs of other makers that a test needs. A missing one skips the test, by name."""

from __future__ import annotations

import os
import shutil
from typing import NoReturn

import pytest

# Where a distribution puts servers, which is not on the path of everybody.
SERVERS = ("/usr/sbin", "/usr/local/sbin")
NEEDS_ALL = "STILLROOM_NEEDS_ALL"


def program(name: str) -> str:
    """Path of an installed program; else the test is skipped, or fails where all programs are required."""
    path = os.pathsep.join((os.environ.get("PATH", ""), *SERVERS))
    return shutil.which(name, path=path) or skip_without(f"{name} is not installed")


def skip_without(reason: str) -> NoReturn:
    """Skip for something that this machine lacks; on the build machine, which has it all, fail."""
    (pytest.fail if os.environ.get(NEEDS_ALL) else pytest.skip)(reason)
    raise AssertionError  # neither returns
