"""The description of the API is valid, complete, served, and changes only on purpose."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from openapi_spec_validator import OpenAPIV31SpecValidator

from tests.architecture.test_addresses import walk
from tests.golden.refresh_openapi import GOLDEN, described


@pytest.fixture
def served(client: Any, db: None) -> dict[str, Any]:
    answer = client.get("/api/v1/openapi.json", headers={"Accept": "application/json"})
    assert answer.status_code == 200, answer.content[:300]
    found: dict[str, Any] = json.loads(answer.content)
    return found


def test_it_is_valid_openapi_3_1(served: dict[str, Any]) -> None:
    """Outside judge: openapi-spec-validator, with the schema of OpenAPI 3.1."""
    assert served["openapi"].startswith("3.1")
    assert list(OpenAPIV31SpecValidator(served).iter_errors()) == []


def test_it_is_the_description_that_was_agreed() -> None:
    assert described() == GOLDEN.read_text(), (
        "The API has changed. If that is meant: python -m tests.golden.refresh_openapi"
    )


def test_it_names_every_address_and_no_other(served: dict[str, Any]) -> None:
    addresses = {
        "/" + re.sub(r"<(\w+:)?(\w+)>", r"{\2}", pattern) for name, pattern, _ in walk() if name.startswith("api-")
    }
    assert set(served["paths"]) == addresses - {"/api/v1/openapi.json"}


def test_every_operation_names_its_problems_and_its_rule(served: dict[str, Any]) -> None:
    for path, methods in served["paths"].items():
        for method, operation in methods.items():
            assert operation["operationId"], (path, method)
            problems = [code for code, answer in operation["responses"].items() if "problem" in json.dumps(answer)]
            assert {"400", "429", "500", "503"} <= set(problems), (path, method)
            writes = method in ("post", "put", "patch")
            if writes:
                assert {"409", "413", "415", "422"} <= set(operation["responses"]), (path, method)
