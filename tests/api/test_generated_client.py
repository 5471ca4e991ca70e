"""A client generated from the description runs a measuring program's scenario against the real server.

openapi-python-client (MIT), github.com/openapi-generators/openapi-python-client, knows nothing of us. It
wants an older typer than ours, so that it is a program with libraries of its own.
"""

from __future__ import annotations

import datetime as dt
import importlib
import os
import subprocess
import sys
import time
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from logger.model.roles import Scope
from logger.people import Tokens
from logger.store import Store
from tests.api.served import served
from tests.programs import program

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def client_package(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The generated package, importable for the tests of this file."""
    folder = tmp_path_factory.mktemp("generated")
    out = folder / "room_client"
    options = ("--path", ROOT / "docs" / "openapi.json", "--output-path", out, "--meta", "none")
    generator = program("openapi-python-client")
    path = f"{Path(generator).parent}{os.pathsep}{os.environ['PATH']}"  # its formatter lies beside it
    command = [generator, "generate", "--fail-on-warning", *map(str, options)]
    env = {**os.environ, "PATH": path}
    result = subprocess.run(command, env=env, capture_output=True, text=True, check=False, timeout=300)
    # A body, answer or parameter that the generator cannot express would be missing from the client.
    assert result.returncode == 0, result.stdout + result.stderr
    assert "warning" not in (result.stdout + result.stderr).lower()
    sys.path.insert(0, str(folder))
    yield "room_client"
    sys.path.remove(str(folder))


@pytest.mark.slow
def test_a_measuring_program(client_package: str, demo_copy: Path) -> None:
    """Ready? Start with a key, again, list by pages, stop twice, verdict and 304, and a problem."""

    def call(name: str) -> Any:
        return importlib.import_module(f"{client_package}.api.{name}")

    package = importlib.import_module(client_package)
    models = importlib.import_module(f"{client_package}.models")
    with Store.open(demo_copy) as store:
        token = Tokens(store).add("measuring-program", {Scope.INSPECTIONS, Scope.VERDICTS}, "test")[1]
    with served(demo_copy) as place:
        client = package.AuthenticatedClient(base_url=place.address + "api/v1", token=token)
        with client:
            ready = call("inspections.readiness").sync(client=client, zone="machine-bay")
            assert isinstance(ready, models.Readiness)
            body = models.Start(zone="machine-bay", title="Gear hub 12", length_mm=120.0)
            start = call("inspections.start_inspection")
            key = str(uuid.uuid4())
            begun = start.sync_detailed(client=client, body=body, idempotency_key=key)
            assert begun.status_code == 201
            assert begun.headers["Location"].endswith(begun.parsed.key)
            assert start.sync(client=client, body=body, idempotency_key=key) == begun.parsed
            other = models.Start(zone="machine-bay", title="Other")
            refused = start.sync(client=client, body=other, idempotency_key=key)
            assert isinstance(refused, models.Problem)
            assert refused.type_ == "/api/v1/problems/idempotency-key-reused"

            jobs = list(_pages(call("inspections.inspections"), client))
            assert len(jobs) == len(set(jobs)) > 3
            assert begun.parsed.key in jobs

            time.sleep(0.01)  # an interval has a length
            stop = call("inspections.stop_inspection")
            over = stop.sync(client=client, key=begun.parsed.key)
            assert (over.state, stop.sync(client=client, key=begun.parsed.key)) == ("over", over)
            assert isinstance(over.to, dt.datetime)
            assert over.to.tzinfo is not None
            missing = stop.sync_detailed(client=client, key="none")
            assert (missing.status_code, missing.parsed.status) == (404, 404)

            span = [dt.datetime(2026, 10, 19, hour, 30, tzinfo=dt.UTC) for hour in (7, 9)]
            verdict = call("verdicts.verdict")
            query: dict[str, Any] = {"client": client, "zone": "machine-bay", "from_": span[0], "to": span[1]}
            answer = verdict.sync_detailed(**query)
            assert (answer.status_code, answer.parsed.verdict) == (200, "not stable")
            client.get_httpx_client().headers["If-None-Match"] = answer.headers["ETag"]
            assert verdict.sync_detailed(**query).status_code == 304


def _pages(operation: Any, client: Any) -> Iterator[str]:
    """Keys of all pages of two, by the cursor in the address of the next one."""
    from urllib.parse import parse_qs, urlsplit

    more: dict[str, str] = {}
    while True:
        page = operation.sync(client=client, limit=2, **more)
        yield from (job.key for job in page.items)
        if page.next_ is None:
            return
        more = {"cursor": parse_qs(urlsplit(page.next_).query)["cursor"][0]}
