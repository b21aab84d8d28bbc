"""What an answer must not be: a 5xx, a status that nothing describes, a body unlike its description, a leak."""

from __future__ import annotations

import json
import re
from collections import Counter
from dataclasses import dataclass, field
from functools import cache
from typing import Any
from urllib.parse import urlsplit

from jsonschema import Draft202012Validator

from tests.golden.refresh_openapi import described
from tests.hostile.sending import Answer, Wire

#: Statuses of pages, of files and of the open collections: each says what it means in words.
OF_PAGES = frozenset(
    {200, 204, 206, 301, 302, 303, 304, 400, 403, 404, 405, 406, 409, 410, 412, 413, 415, 416, 422, 429, 401, 428}
)
#: Answered before an address is looked for (host, path, method), or where there is none.
ANYWHERE = frozenset({"400", "404", "405"})
#: To a method that an address does not have: who asks, and how often, is settled first.
TO_OTHER_METHODS = frozenset({"401", "403", "406", "429"})
#: What an answer never tells: code, statements, files of the server.
TOLD = re.compile(
    rb"Traceback \(most recent|psycopg|\bSELECT .{1,80} FROM\b|File \"/|django\.(db|core)|surveys_[a-z]+\b.{0,40}(violates|column)"
)


@dataclass
class Judge:
    """Counts, and keeps the first of each kind of fault."""

    sent: int = 0
    faults: dict[str, list[str]] = field(default_factory=lambda: {kind: [] for kind in KINDS})
    statuses: Counter[int] = field(default_factory=Counter)

    def look(self, wire: Wire, answer: Answer) -> None:
        """Judge one answer."""
        self.sent += 1
        self.statuses[answer.status] += 1
        where = f"{wire.name}: {wire.method!r} {wire.target[:120]!r} {str(dict(wire.headers))[:300]} -> {answer.status}"
        ready = wire.path.rstrip("/") == "/health/ready"
        if answer.status >= 500 and not ready:
            self.faults["5xx"].append(f"{where} {answer.body[:300]!r}")
            return
        # A page of a release shows how to ask DuckDB, so a good page may hold a statement; a refusal never does.
        if (answer.status >= 400 and TOLD.search(answer.body)) or any(
            "\r" in value or "\n" in value for _, value in answer.headers
        ):
            self.faults["leak"].append(f"{where} {answer.body[:300]!r}")
        if any(name.lower() == "injected" for name, _ in answer.headers) or urlsplit(
            answer.header("location")
        ).netloc not in ("", "testserver"):
            self.faults["leak"].append(f"{where} {answer.headers}")
        if not answer.header("x-request-id") or answer.header("x-content-type-options") != "nosniff":
            self.faults["headers"].append(f"{where} {answer.headers}")
        if wire.path.startswith("/api/"):
            self._of_the_api(wire, answer, where)
        elif answer.status not in OF_PAGES and not ready:
            self.faults["undocumented status"].append(where)

    def _of_the_api(self, wire: Wire, answer: Answer, where: str) -> None:
        operation = operation_of(wire.path, "GET" if wire.method == "HEAD" else wire.method)
        responses = operation["responses"] if operation else {}
        expected = ANYWHERE | (set(responses) or TO_OTHER_METHODS)
        if wire.method == "OPTIONS":  # any address may be asked what it does (RFC 9110, section 9.3.7)
            expected |= {"200"}
        if str(answer.status) not in expected and wire.path != "/api/v1/openapi.json":
            self.faults["undocumented status"].append(where)
        if answer.status >= 400 and answer.header("content-type") != "application/problem+json":
            self.faults["schema"].append(f"{where} is {answer.header('content-type')}")
        elif wire.method != "HEAD" and str(answer.status) in responses:
            content = responses[str(answer.status)].get("content", {})
            kind = answer.header("content-type").split(";")[0]
            if content and kind not in content and answer.status != 304:
                self.faults["schema"].append(f"{where} is {kind}")
            elif "json" in kind and kind in content:
                self._fits(content[kind].get("schema", {}), answer, where)

    def _fits(self, schema: dict[str, Any], answer: Answer, where: str) -> None:
        faults = list(validator_of(json.dumps(schema, sort_keys=True)).iter_errors(json.loads(answer.body)))
        if faults:
            self.faults["schema"].append(f"{where} {faults[0].json_path}: {faults[0].message[:200]}")

    @property
    def clean(self) -> bool:
        """Nothing was found."""
        return not any(self.faults.values())

    def lines(self) -> list[str]:
        """Return what is printed."""
        told = [f"requests: {self.sent}"] + [f"{kind} = {len(found)}" for kind, found in self.faults.items()]
        return [
            *told,
            "answers by status: " + ", ".join(f"{status}: {n}" for status, n in sorted(self.statuses.items())),
        ]


KINDS = ("5xx", "undocumented status", "schema", "leak", "headers")


@cache
def description() -> dict[str, Any]:
    """Return the description of the API as it is served."""
    found: dict[str, Any] = json.loads(described())
    return found


@cache
def templates() -> tuple[tuple[re.Pattern[str], dict[str, Any]], ...]:
    """Return each path of the description as a pattern, the plainest first."""
    rows = sorted(description()["paths"].items(), key=lambda row: row[0].count("{"))
    return tuple(
        (
            re.compile(
                "".join("[^/]+" if part.startswith("{") else re.escape(part) for part in re.split(r"(\{\w+\})", path))
                + r"\Z"
            ),
            item,
        )
        for path, item in rows
    )


def operation_of(path: str, method: str) -> dict[str, Any] | None:
    """Return the description of a call, if it has one."""
    for pattern, item in templates():
        if pattern.match(path):
            found: dict[str, Any] | None = item.get(method.lower())
            return found
    return None


@cache
def validator_of(schema: str) -> Draft202012Validator:
    """Return the validator of one schema. OpenAPI 3.1: schemas are JSON Schema 2020-12."""
    return Draft202012Validator({"components": description()["components"], **json.loads(schema)})
