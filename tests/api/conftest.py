"""The interface on a copy of the demo's history, and a token of each kind."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.api import create_api
from logger.api.rates import Rates
from logger.model import ApiPlan
from logger.model.roles import Scope
from logger.people import Tokens
from logger.store import Store

UNCOUNTED = Rates(ApiPlan(burst=10**9, rate_per_s=1e9))


@pytest.fixture(scope="session")
def record(demo_history: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """The demo's history, its cases numbered as the service does it."""
    import shutil

    from logger.config import in_force
    from logger.inspections.cases import number_new
    from logger.verdicts.verdicts import Verdicts

    folder = Path(shutil.copytree(demo_history, tmp_path_factory.mktemp("api") / "data"))
    with Store.open(folder) as store:
        number_new(Verdicts(store, in_force(store.setups.versions()).setup), time.time_ns())
        yield store


@pytest.fixture(scope="session")
def tokens(record: Store) -> dict[str, str]:
    """Scope -> the header of a machine that has this scope and no other."""
    book = Tokens(record)
    return {s.value: f"Bearer {book.add(f'machine-{s.value}', {s}, 'test')[1]}" for s in Scope}


@pytest.fixture(scope="session")
def interface(record: Store) -> Any:
    """The Flask application of the interface alone; it counts no requests."""
    return create_api(record, rates=UNCOUNTED)


@pytest.fixture
def ask(interface: Any, tokens: dict[str, str]) -> Any:
    """ask("GET", "/excursions", as_="verdicts", …) -> (status, JSON)."""

    def request(method: str, path: str, as_: str = "", **more: Any) -> tuple[int, Any]:
        headers = {**more.pop("headers", {}), **({"Authorization": tokens[as_]} if as_ else {})}
        answer = interface.test_client().open("/api/v1" + path, method=method, headers=headers, **more)
        return answer.status_code, answer.get_json()

    return request


@pytest.fixture
def pushing(tmp_path: Path) -> Iterator[tuple[Any, Store]]:
    """post(path, …) -> (status, JSON) by the token of node "annex", which has probe P1; and its record."""
    from logger.acts.inspections import apply_setup
    from logger.config import example_folder, read_texts

    texts = dict(read_texts(example_folder()))
    texts["probes.toml"] = as_pushed(texts["probes.toml"])
    with Store.open(tmp_path / "data", create=True, simulated=True) as store:
        apply_setup(store, texts, "test", "test", "test", 1)
        text = Tokens(store).add("annex", {Scope.READINGS}, "test", probes=["P1"])[1]
        client = create_api(store, lambda: 1_793_000_000 * 10**9).test_client()

        def post(path: str, **more: Any) -> tuple[int, Any]:
            answer = client.post("/api/v1" + path, headers={"Authorization": f"Bearer {text}"}, **more)
            return answer.status_code, answer.get_json()

        yield post, store


def as_pushed(probes: str) -> str:
    """The example's probes with P1 as one of node "annex"."""
    begin = probes.index("[probes.P1.connection]")
    end = probes.index("[probes.P2]")
    table = 'kind = "push"\nnode = "annex"\nvalues = { t = "temperature", rh = "relative_humidity" }\n\n'
    return probes[:begin] + "[probes.P1.connection]\n" + table + probes[end:]
