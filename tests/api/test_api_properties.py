"""The interface against its own description, by tools that know nothing of it.

schemathesis (https://schemathesis.readthedocs.io) makes requests from the description, sound ones and broken
ones, and holds each answer against it. The document itself is held against the JSON Schema of OpenAPI 3.1.
"""

from __future__ import annotations

import datetime as dt
import shutil
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode, checks

from logger.acts.setup import apply_setup
from logger.api import create_api, description
from logger.model.roles import Scope
from logger.people import Tokens
from logger.store import Store
from tests.api.conftest import UNCOUNTED, as_pushed
from tests.programs import library

BOUNDED = settings(
    max_examples=12,
    derandomize=True,
    database=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)
# A stream has no end that a tool could wait for; test_stream.py reads it.
OPERATIONS = [
    (path, method)
    for path, methods in description()["paths"].items()
    for method in methods
    if path != "/events"
]
UNBREAKABLE = [("/openapi.json", "negative")]  # it has nothing that could be wrong
REAL = {
    "zone": "machine-bay",
    "node": "everything",
    "key": "I-2601",
    "seq": 1,
    "number": 1,
    "channel": "P1.temperature",
    "kind": "unknown-zone",
}
SPANS = {"from": "2026-10-19T00:00:00Z", "to": "2026-10-19T12:00:00Z"}
# What a text says, a zone that there is for instance, is no matter of its form: that is a 404 or 422.
NOT_OF_THE_FORM = [checks.positive_data_acceptance]


@pytest.fixture(scope="module")
def described(record: Any) -> Any:
    """The description as served."""
    return schemathesis.openapi.from_wsgi("/api/v1/openapi.json", create_api(record, rates=UNCOUNTED))


@pytest.fixture(scope="module")
def everything(record: Any) -> dict[str, str]:
    """The header of a token that may everything."""
    return {"Authorization": f"Bearer {Tokens(record).add('everything', set(Scope), 'test')[1]}"}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("path", "method", "mode"),
    [(*op, mode) for op in OPERATIONS for mode in GenerationMode if (op[0], mode.value) not in UNBREAKABLE],
)
def test_every_answer_is_described(
    described: Any, everything: dict[str, str], path: str, method: str, mode: GenerationMode
) -> None:
    """No status, type or body that the description does not know; never 5xx; broken requests are refused."""
    operation = described[path][method]
    seen = []

    @BOUNDED
    @given(case=operation.as_strategy(generation_mode=mode))
    def hold(case: Any) -> None:
        answer = case.call(headers=everything)
        seen.append(answer.status_code)
        case.validate_response(answer, excluded_checks=[*NOT_OF_THE_FORM, *_unsent(case)], headers=everything)

    hold()
    assert seen


def _unsent(case: Any) -> list[Any]:
    """What is broken only in a parameter without a value stands in no address, and cannot be refused."""
    empty = [name for name, value in (case.query or {}).items() if value in ([], {}, None)]
    return [checks.negative_data_rejection] if empty else []


@pytest.mark.slow
@pytest.mark.parametrize(("path", "method"), OPERATIONS, ids=lambda part: part)
def test_answers_about_real_things_are_as_described(
    described: Any, everything: dict[str, str], path: str, method: str
) -> None:
    """With a zone, a job and an interval that there are: these answers are as described, too."""
    operation = described[path][method]
    real = {name: value for name, value in REAL.items() if f"{{{name}}}" in path}
    spans = SPANS if any(item.name == "from" for item in operation.query) else {}
    case = operation.Case(path_parameters=real, query=dict(spans))
    answer = case.call(headers=everything)
    case.validate_response(
        answer, excluded_checks=[*NOT_OF_THE_FORM, checks.negative_data_rejection], headers=everything
    )
    assert answer.status_code == 200 or method == "post"


def test_the_description_is_openapi() -> None:
    """Held against the schema of OpenAPI 3.1 that the OpenAPI Initiative publishes, by another validator."""
    judge = library("openapi_spec_validator")
    judge.validate(description(), cls=judge.OpenAPIV31SpecValidator)
    with pytest.raises(Exception, match="required property"):
        judge.validate({**description(), "info": {}}, cls=judge.OpenAPIV31SpecValidator)


@pytest.fixture
def centre(tmp_path: Path, demo_history: Path) -> Iterator[tuple[Any, dict[str, str]]]:
    """The description as served on a record with two weeks of readings and a node; a token of that node."""
    folder = Path(shutil.copytree(demo_history, tmp_path / "data"))
    with Store.open(folder) as store:
        texts = dict(store.setups.versions()[-1].texts)
        texts["probes.toml"] = as_pushed(texts["probes.toml"])
        apply_setup(store, texts, "test", "a node", "another", time.time_ns())
        text = Tokens(store).add("annex", set(Scope), "test")[1]
        schema = schemathesis.openapi.from_wsgi("/api/v1/openapi.json", create_api(store, rates=UNCOUNTED))
        yield schema, {"Authorization": f"Bearer {text}"}


NEAR = {
    "zone": "machine-bay",
    "node": "annex",
    "key": "I-2601",
    "number": 1,
    "channel": "P1.temperature",
}
LEAST = st.one_of(st.floats(-1e6, 1e6), st.integers(-(10**20), 10**20), st.none(), st.booleans(), st.text())
MESSAGE = st.fixed_dictionaries(
    {
        "time": st.datetimes(dt.datetime(2026, 9, 1), dt.datetime(2027, 1, 1)).map(
            lambda t: f"{t.isoformat()}Z"
        )
    },
    optional={"t": LEAST, "rh": LEAST, "bottle": LEAST},
)


KINDS = [
    (*op, mode) for op in OPERATIONS for mode in GenerationMode if (op[0], mode.value) not in UNBREAKABLE
]
PARTS = 4  # of the campaign, each in a process of its own where there are several
OFTEN, LEAST_MESSAGES = 6, 96  # few messages are whole enough to be stored: that path is asked more often


def _hold_campaign(
    schema: Any, headers: dict[str, str], cases: int, part: int = 0, parts: int = 1
) -> Counter[tuple[str, int]]:
    """Cases over all operations, half of them about things that there are; every answer is as described."""
    seen: Counter[tuple[str, int]] = Counter()
    shares = sum(OFTEN if "messages" in path else 1 for path, _, _ in KINDS)
    for path, method, mode in KINDS[part::parts]:
        examples = max(1, cases // shares)
        if "messages" in path:
            examples = max(LEAST_MESSAGES, OFTEN * examples)
        each = settings(BOUNDED, max_examples=examples)
        _hold(schema[path][method].as_strategy(generation_mode=mode), path, headers, each, seen)
    return seen


def _hold(strategy: Any, path: str, headers: dict[str, str], each: settings, seen: Any) -> None:
    @each
    @given(case=strategy, near=st.booleans(), message=MESSAGE)
    def hold(case: Any, near: bool, message: Any) -> None:
        excluded = [*NOT_OF_THE_FORM, *_unsent(case)]
        if near:
            excluded.append(checks.negative_data_rejection)  # what was broken may be whole again
            parts = case.path_parameters or {}
            case.path_parameters = {**parts, **{name: NEAR[name] for name in NEAR if name in parts}}
            if "messages" in path:
                case.body, case.media_type = message, "application/json"
        answer = case.call(headers=headers)
        seen[f"{case.operation.method} {path}", answer.status_code] += 1
        case.validate_response(answer, excluded_checks=excluded, headers=headers)

    hold()


@pytest.mark.slow
def test_answers_to_cases_near_real_things_are_described(centre: Any) -> None:
    """Some hundreds; the core that stores what is pushed is reached."""
    seen = _hold_campaign(*centre, 200)
    assert seen["post /nodes/{node}/messages/{seq}", 200]


@pytest.mark.long
@pytest.mark.parametrize("part", range(PARTS))
def test_campaign_of_ten_thousand_cases(centre: Any, part: int) -> None:
    """Nothing undocumented in 10,000 cases; how often each answer came is printed."""
    seen = _hold_campaign(*centre, 10_000, part, PARTS)
    print(*sorted(seen.items()), sum(seen.values()), sep="\n")
    messages = any("messages" in path for path, _, _ in KINDS[part::PARTS])
    assert sum(seen.values()) > 0.7 * 10_000 / PARTS
    assert bool(seen["post /nodes/{node}/messages/{seq}", 200]) == messages
