"""Packages with a driver, as an installer leaves them: a module and its metadata in a folder of the path."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from logger.probes import registry

HEAD = "from logger.probes.plug_in import ProbeKind, Raw, Table, Text\n"
TABLE = "class T(Table):\n    kind: Text\n    place: Text = 'x'\n"
DRIVER = """
class D:
    def __init__(self, line, clock):
        self.probe, self.interval_s = line.probe, line.interval_s
        self.channels = tuple(line.channels.values())
        self.deadline_s, self.wire, self.clock, self.table = 5.0, self, clock, line.table
    def open(self): pass
    def close(self): pass
    def listen(self, until_s): return False
    def read(self): return [Raw(c, 20.5, "ok", self.clock.wall_ns()) for c in self.channels]
"""
KIND = "K = ProbeKind(T, lambda t: {'v': 'pressure'}, lambda t: f'test:{t.place}', D)\n"
SOUND = HEAD + TABLE + DRIVER + KIND

Install = Callable[..., None]


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Install]:
    """install(package, code, kind="bath", version="1.0"): as if pip had done it; gone after the test."""
    monkeypatch.syspath_prepend(str(tmp_path))
    modules = set(sys.modules)

    def put(package: str, code: str = SOUND, *, kind: str = "bath", version: str = "1.0") -> None:
        module = package.replace("-", "_")
        (tmp_path / f"{module}.py").write_text(code)
        info = tmp_path / f"{module}-{version}.dist-info"
        info.mkdir(exist_ok=True)
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: {version}\n")
        (info / "entry_points.txt").write_text(f"[stillroom.probes]\n{kind} = {module}:K\n")
        (info / "RECORD").write_text(f"{module}.py,,\n{info.name}/METADATA,,\n")
        sys.modules.pop(module, None)
        forget()

    forget()
    yield put
    for name in set(sys.modules) - modules:
        if str(tmp_path) in str(getattr(sys.modules[name], "__file__", "")):
            del sys.modules[name]
    forget()


def forget() -> None:
    """What was looked up once in this process is looked up again."""
    registry.entries.cache_clear()
    registry._foreign.cache_clear()
