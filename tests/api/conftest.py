"""The interface on a copy of the demo's history, and a token of each kind."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.accounts import Scope
from logger.api import create_api
from logger.people import Tokens
from logger.store import Store


@pytest.fixture(scope="session")
def record(demo_history: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    import shutil

    folder = Path(shutil.copytree(demo_history, tmp_path_factory.mktemp("api") / "data"))
    with Store.open(folder) as store:
        yield store


@pytest.fixture(scope="session")
def tokens(record: Store) -> dict[str, str]:
    """Scope -> the header of a machine that has this scope and no other."""
    made = Tokens(record)
    return {s.value: f"Bearer {made.add(f'machine-{s.value}', {s}, 'test')[1]}" for s in Scope}


@pytest.fixture(scope="session")
def interface(record: Store) -> Any:
    """The Flask application of the interface alone."""
    return create_api(record)


@pytest.fixture
def ask(interface: Any, tokens: dict[str, str]) -> Any:
    """ask("GET", "/excursions", as_="verdicts", …) -> (status, JSON)."""

    def asked(method: str, path: str, as_: str = "", **more: Any) -> tuple[int, Any]:
        headers = {**more.pop("headers", {}), **({"Authorization": tokens[as_]} if as_ else {})}
        answer = interface.test_client().open("/api/v1" + path, method=method, headers=headers, **more)
        return answer.status_code, answer.get_json()

    return asked
