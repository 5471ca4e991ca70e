"""The program `stillroom` for tests: in this process, or as a process of its own."""

from __future__ import annotations

import io
import os
import shutil
import subprocess
import sys
import traceback
from collections.abc import Callable
from contextlib import chdir, redirect_stderr, redirect_stdout
from pathlib import Path
from unittest import mock

from logger.cli import main

ROOT = Path(__file__).resolve().parents[1]
Finished = subprocess.CompletedProcess[str]
Run = Callable[..., Finished]


def run_here(*arguments: object, cwd: Path = ROOT, typed: str = "") -> Finished:
    """Run `main` in this process with these words and this text on stdin: no start, so no second of waiting.

    What a process alone shows is lost: an own interpreter, signals, what was imported.
    """
    line = ["stillroom", *map(str, arguments)]
    out, err = _stream(), _stream()
    with (
        mock.patch.object(sys, "argv", line),
        mock.patch.object(sys, "stdin", _stream(typed)),
        mock.patch.dict(os.environ, {"COLUMNS": "80"}),  # as where no terminal is
        redirect_stdout(out),
        redirect_stderr(err),
        chdir(cwd),
    ):
        code = _exit_code()
    return subprocess.CompletedProcess(line, code, _text(out), _text(err))


def run_installed(*arguments: object, cwd: Path = ROOT, timeout: float = 600) -> Finished:
    """Run the installed program as a person does."""
    program = shutil.which("stillroom", path=str(Path(sys.executable).parent))
    command = [program] if program else [sys.executable, "-m", "logger.cli"]
    line = [*command, *map(str, arguments)]
    return subprocess.run(
        line, capture_output=True, text=True, encoding="utf-8", cwd=cwd, timeout=timeout, check=False
    )


def _exit_code() -> int:
    """What the interpreter would exit with: 0 after a return, 1 after an error that nobody caught."""
    try:
        main()
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else int(leaving.code is not None)
    except Exception:  # noqa: BLE001 (a process would print it and end)
        traceback.print_exc()
        return 1
    return 0


def _stream(text: str = "") -> io.TextIOWrapper:
    return io.TextIOWrapper(io.BytesIO(text.encode()), encoding="utf-8", write_through=True)


def _text(stream: io.TextIOWrapper) -> str:
    stream.flush()
    raw = stream.buffer
    assert isinstance(raw, io.BytesIO)
    return raw.getvalue().decode().replace("\r\n", "\n")
