"""The interface against its own description, by tools that know nothing of it.

schemathesis (https://schemathesis.readthedocs.io) makes requests from the description, sound ones and broken
ones, and holds each answer against it. The document itself is held against the JSON Schema of OpenAPI 3.1.
"""

from __future__ import annotations

from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis import GenerationMode, checks

from logger.api import create_api, description
from logger.model.roles import Scope
from logger.people import Tokens

BOUNDED = settings(
    max_examples=12,
    derandomize=True,
    database=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)
OPERATIONS = [(path, method) for path, methods in description()["paths"].items() for method in methods]
UNBREAKABLE = [("/openapi.json", "negative")]  # it has nothing that could be wrong
REAL = {"zone": "machine-bay", "node": "everything", "key": "I-2601", "seq": 1}
SPANS = {"from": "2026-10-19T00:00:00Z", "to": "2026-10-19T12:00:00Z"}
# What a text says, a zone that there is for instance, is no matter of its form: that is a 404 or 422.
NOT_OF_THE_FORM = [checks.positive_data_acceptance]


@pytest.fixture(scope="module")
def described(record: Any) -> Any:
    """The description as served."""
    return schemathesis.openapi.from_wsgi("/api/v1/openapi.json", create_api(record))


@pytest.fixture(scope="module")
def everything(record: Any) -> dict[str, str]:
    """The header of a token that may everything."""
    return {"Authorization": f"Bearer {Tokens(record).add('everything', set(Scope), 'test')[1]}"}


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
        case.validate_response(answer, excluded_checks=NOT_OF_THE_FORM, headers=everything)

    hold()
    assert seen


@pytest.mark.parametrize(("path", "method"), OPERATIONS, ids=lambda part: part)
def test_answers_about_real_things_are_as_described(
    described: Any, everything: dict[str, str], path: str, method: str
) -> None:
    """With a zone, a job and an interval that there are: these answers are as described, too."""
    operation = described[path][method]
    real = {name: value for name, value in REAL.items() if f"{{{name}}}" in path}
    spans = SPANS if any(one.name == "from" for one in operation.query) else {}
    case = operation.Case(path_parameters=real, query=dict(spans))
    answer = case.call(headers=everything)
    case.validate_response(
        answer, excluded_checks=[*NOT_OF_THE_FORM, checks.negative_data_rejection], headers=everything
    )
    assert answer.status_code == 200 or method == "post"


def test_the_description_is_openapi() -> None:
    """Held against the schema of OpenAPI 3.1 that the OpenAPI Initiative publishes, by another validator."""
    judge = pytest.importorskip("openapi_spec_validator", reason="install .[test] anew")
    judge.validate(description(), cls=judge.OpenAPIV31SpecValidator)
    with pytest.raises(Exception, match="required property"):
        judge.validate({**description(), "info": {}}, cls=judge.OpenAPIV31SpecValidator)
