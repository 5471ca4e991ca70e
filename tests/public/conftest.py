"""`stillroom` as it is imported from the tree, whatever is installed; the wheel is tested for itself."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="session")
def stillroom_package() -> ModuleType:
    """The package, loaded from logger/public under the name by which users know it."""
    folder = ROOT / "logger" / "public"
    spec = importlib.util.spec_from_file_location(
        "stillroom", folder / "__init__.py", submodule_search_locations=[str(folder)]
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["stillroom"] = module
    spec.loader.exec_module(module)
    return module
