"""Programs of our own that are started beside this one."""

from __future__ import annotations

import sys


def module(name: str, *arguments: str) -> list[str]:
    """The command that runs one of our modules by the interpreter of this process.

    `-P` leaves the current folder out of the search for modules: a file `logger.py` that somebody keeps in
    the folder from which the program was started would hide the package.
    """
    return [sys.executable, "-P", "-m", name, *arguments]
