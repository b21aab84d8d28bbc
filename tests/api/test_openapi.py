"""The description of the API is valid, complete, served, shown by example, and changes only on purpose."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from copy import deepcopy
from typing import Any

import pytest
from jsonschema import Draft202012Validator, FormatChecker
from openapi_spec_validator import OpenAPIV31SpecValidator

from api.errors import MEDIA_TYPE, PROBLEMS
from api.examples import EXAMPLES
from api.fields import StrictSerializer
from tests.golden.refresh_openapi import GOLDEN, described
from tests.pages import walk

#: Parts of a description, for each operation: path, method, operation.
Operation = tuple[str, str, dict[str, Any]]


@pytest.fixture
def served(client: Any, db: None) -> dict[str, Any]:
    answer = client.get("/api/v1/openapi.json", headers={"Accept": "application/json"})
    assert answer.status_code == 200, answer.content[:300]
    found: dict[str, Any] = json.loads(answer.content)
    return found


def operations(served: dict[str, Any]) -> Iterator[Operation]:
    for path, methods in served["paths"].items():
        for method, operation in methods.items():
            yield path, method, operation


def contents(operation: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Yield part, media type and content of everything that an operation reads or answers."""
    for media_type, content in operation.get("requestBody", {}).get("content", {}).items():
        yield "request", media_type, content
    for status, answer in operation["responses"].items():
        for media_type, content in answer.get("content", {}).items():
            yield status, media_type, content


def is_binary(content: dict[str, Any]) -> bool:
    return bool(content["schema"].get("format") == "binary")


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


# --- refusals -----------------------------------------------------------------------------------------

#: Statuses that every operation can answer with.
ALWAYS = {"400", "401", "406", "429", "500", "503"}


def test_every_operation_names_its_refusals_by_what_it_is(served: dict[str, Any]) -> None:
    """By hand: the statuses that follow from method, body, path, rule and headers (standards notes A1 to A3)."""
    for path, method, operation in operations(served):
        assert operation["operationId"], (path, method)
        expected = set(ALWAYS)
        headers = {one["name"] for one in operation.get("parameters", ()) if one["in"] == "header"}
        expected |= {"404"} if "{" in path else set()
        expected |= {"409"} if method in ("post", "put", "patch") else set()
        expected |= {"413", "415", "422"} if "requestBody" in operation else set()
        expected |= {"409", "422"} if "Idempotency-Key" in headers else set()
        expected |= {"412", "428"} if "If-Match" in headers else set()
        found = {status for status, answer in operation["responses"].items() if MEDIA_TYPE in answer.get("content", {})}
        assert expected <= found, (path, method, expected - found)
        extra = {
            "/api/v1/sites": {"404"},
            "/api/v1/returns": {"404"},
            "/api/v1/exports/{uuid}/data.{kind}": {"409", "412", "416"},
        }.get(path, set())
        assert found - expected <= extra | {"403"}, (path, method, found - expected)


def test_every_operation_behind_a_rule_says_403(served: dict[str, Any]) -> None:
    open_to_all = {"list_seasons", "read_season", "read_indices", "read_changes", "read_groups_seen", "get_token"}
    for path, method, operation in operations(served):
        assert ("403" in operation["responses"]) == (operation["operationId"] not in open_to_all), (path, method)


# --- examples -----------------------------------------------------------------------------------------


def test_every_request_answer_and_refusal_has_an_example(served: dict[str, Any]) -> None:
    """Pictures and files are no JSON and have none; the table of an export has."""
    bare = [
        (path, method, part, media_type)
        for path, method, operation in operations(served)
        for part, media_type, content in contents(operation)
        if not content.get("examples") and not (is_binary(content) and media_type != "text/csv")
    ]
    assert bare == []


def test_every_refusal_shows_each_problem_of_its_status(served: dict[str, Any]) -> None:
    shown: set[str] = set()
    for path, method, operation in operations(served):
        for status, media_type, content in contents(operation):
            if media_type == MEDIA_TYPE:
                for code, example in content["examples"].items():
                    assert PROBLEMS[code][0] == example["value"]["status"] == int(status), (path, method, code)
                    assert example["value"]["type"].endswith(f"/problems/{code}/")
                    assert example["value"]["detail"].endswith(".")
                    shown.add(code)
    # An operation that is described never answers 405: its address does, to other methods.
    assert shown == set(PROBLEMS) - {"method-not-allowed"}


def strict(served: dict[str, Any]) -> dict[str, Any]:
    """Return the components with every object closed: an example may hold no name that is not described."""
    components = deepcopy(served["components"])
    for schema in components["schemas"].values():
        if schema.get("properties"):
            schema["additionalProperties"] = False
    return components


def test_every_example_fits_its_schema_to_the_last_name(served: dict[str, Any]) -> None:
    """Outside judge: jsonschema, draft 2020-12, which is the dialect of OpenAPI 3.1."""
    components, checked, faults = strict(served), 0, []
    for path, method, operation in operations(served):
        for part, media_type, content in contents(operation):
            judge = Draft202012Validator(
                {**content["schema"], "components": components}, format_checker=FormatChecker()
            )
            for name, example in content.get("examples", {}).items():
                checked += 1
                faults += [
                    (path, method, part, media_type, name, list(fault.absolute_path), fault.message[:200])
                    for fault in judge.iter_errors(example["value"])
                ]
    assert faults == []
    assert checked > 300


def test_the_judge_finds_what_is_wrong_on_purpose(served: dict[str, Any]) -> None:
    components = strict(served)
    for change in ({"number": "one"}, {"colour": "red"}, {"asked_at": None}):
        judge = Draft202012Validator(
            {"$ref": "#/components/schemas/QuestionOut", "components": components}, format_checker=FormatChecker()
        )
        good = EXAMPLES["ask_household"]["201"]
        assert list(judge.iter_errors(good)) == []
        assert list(judge.iter_errors({**good, **change})) != []


def _readers(cls: type = StrictSerializer) -> Iterator[type]:
    for one in cls.__subclasses__():
        yield one
        yield from _readers(one)


def test_every_request_example_is_taken_by_the_reader_of_its_address(served: dict[str, Any]) -> None:
    """The schema says "a text"; the reader knows which words there are."""
    readers = {f"{one.__name__}Request": one for one in _readers()}
    read = 0
    for path, method, operation in operations(served):
        content = operation.get("requestBody", {}).get("content", {}).get("application/json")
        if content is not None:
            reader: Any = readers[content["schema"]["$ref"].rsplit("/", 1)[1]]
            for example in content["examples"].values():
                given = reader(data=example["value"])
                assert given.is_valid(), (path, method, given.errors)
                read += 1
    assert read == 14


def test_no_example_is_left_without_an_operation(served: dict[str, Any]) -> None:
    parts = {
        operation["operationId"]: {part for part, media_type, _ in contents(operation) if media_type != MEDIA_TYPE}
        for _, _, operation in operations(served)
    }
    assert [name for name, shown in EXAMPLES.items() if set(shown) - parts.get(name, set())] == []
