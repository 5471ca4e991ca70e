"""Whether the two import names are ours: `logger` and `dashboard` are common ones."""

from __future__ import annotations

from collections.abc import Callable
from importlib.machinery import ModuleSpec
from importlib.util import find_spec
from pathlib import Path

from ..errors import Refused

_HERE = Path(__file__).resolve().parents[2]


def refuse_strangers(find: Callable[[str], ModuleSpec | None] = find_spec) -> None:
    """Refused where another distribution's package would be imported in place of ours."""
    for name in ("logger", "dashboard"):
        spec = find(name)
        origin = Path(spec.origin).resolve() if spec and spec.origin else None
        if origin != _HERE / name / "__init__.py":
            raise Refused(
                f"The import name {name!r} leads to {origin or 'nothing'} in place of {_HERE / name}. "
                "Another package of that name is in the way; install stillroom into an environment of "
                "its own:\n  python3 -m venv .venv && .venv/bin/pip install <the folder of stillroom>"
            )
