"""Requests that schemathesis makes from the served description: such as fit it, and such as do not.

Its checks: no 5xx, no status, content type, header or body that the description does not have. Half of the requests
carry ids that are there, or all of them would end at 404.
"""

from __future__ import annotations

import re
import uuid
from itertools import cycle
from typing import Any

import hypothesis
import schemathesis
from hypothesis import HealthCheck, Phase, Verbosity, given
from schemathesis import GenerationMode
from schemathesis.core.failures import Failure, FailureGroup
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from tests.hostile.judging import Judge
from tests.hostile.making import Maker
from tests.pages import ROLES

CHECKS = [status_code_conformance, content_type_conformance, response_headers_conformance, response_schema_conformance]
#: How a check of schemathesis is called here.
CALLED = {"UndefinedStatusCode": "undocumented status"}


def play(application: Any, maker: Maker, judge: Judge, *, examples: int) -> None:
    """Send ``examples`` requests of either mode to every operation of the description, the roles in turn."""
    schema = schemathesis.openapi.from_wsgi("/api/v1/openapi.json", application)
    roles = cycle(ROLES)
    names = {template(pattern): name for name, pattern in maker.patterns.items()}
    for result in schema.get_all_operations():
        operation = result.ok()
        there = ids_of(maker, names[operation.path], operation.path)
        for number, mode in enumerate((GenerationMode.POSITIVE, GenerationMode.NEGATIVE)):
            given_ids = there if number == 0 and there else None
            play_one(operation.as_strategy(mode, path_parameters=given_ids), maker, judge, roles, examples)


def play_one(strategy: Any, maker: Maker, judge: Judge, roles: Any, examples: int) -> None:
    """Send some requests to one operation."""

    @hypothesis.seed(20260502)
    @hypothesis.settings(
        max_examples=examples, deadline=None, database=None, phases=[Phase.generate], verbosity=Verbosity.quiet,
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(case=strategy)
    def send(case: Any) -> None:
        role = next(roles)
        headers = dict(maker.people[role].headers(api=True))
        if case.method == "POST":
            headers["Idempotency-Key"] = f'"{uuid.uuid4()}"'
        response = case.call(headers=headers)
        judge.sent += 1
        judge.statuses[response.status_code] += 1
        where = f"{role} described: {case.method} {case.formatted_path} {case.query} {str(case.body)[:300]} -> {response.status_code}"
        if response.status_code >= 500:
            judge.faults["5xx"].append(f"{where} {response.content[:300]!r}")
            return
        try:
            case.validate_response(response, checks=CHECKS)
        except (FailureGroup, Failure) as fault:
            for one in getattr(fault, "exceptions", (fault,)):
                judge.faults[CALLED.get(type(one).__name__, "schema")].append(
                    f"{where} {type(one).__name__}: {str(one)[:300]}"
                )

    send()


def template(pattern: str) -> str:
    """Return a path as the description writes it."""
    return "/" + re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", pattern)


def ids_of(maker: Maker, name: str, path: str) -> dict[str, str]:
    """Return the ids of this world that stand in an address."""
    taken = re.match(
        re.sub(r"\{(\w+)\}", r"(?P<\1>[^/]+?)", path) + r"\Z", maker.world.path_of(name, maker.patterns[name])
    )
    assert taken is not None
    return taken.groupdict()
