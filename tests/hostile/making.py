"""Requests made of the corpus: an address, somebody in a role, a method, and one to three things done to it."""

from __future__ import annotations

import json
import re
import uuid
from collections.abc import Iterator
from itertools import count
from random import Random
from typing import Any

from tests.architecture.test_addresses import ADDRESSES
from tests.factories import return_payload
from tests.hostile import corpus
from tests.hostile.people import Person
from tests.hostile.sending import Wire
from tests.pages import ROLES, World, walk

#: An id in a path of this world: what a forged one takes the place of.
AN_ID = re.compile(r"[0-9a-f]{8}-[0-9a-f-]{27}|(?<=/)\d+(?=/|$)|test-2026|merrow-2026|eastmark")


class Maker:
    """Makes requests without end. ``rng`` decides what is done; addresses and roles take turns."""

    def __init__(self, world: World, rng: Random) -> None:
        self.world, self.rng = world, rng
        self.people = {role: Person(world, role) for role in ROLES}
        self.patterns = {name: pattern for name, pattern, _ in walk()}

    def turns(self) -> Iterator[tuple[str, str]]:
        """Yield addresses and roles so that each address comes once before any comes again."""
        for turn in count():
            for number, name in enumerate(ADDRESSES):
                yield name, ROLES[(turn + number) % len(ROLES)]

    def requests(self) -> Iterator[Wire]:
        """Yield hostile requests."""
        for name, role in self.turns():
            yield self.one(name, role)

    def one(self, name: str, role: str, *, body: bytes | None = None) -> Wire:
        """Make one request to an address; with ``body`` it is well formed but for that."""
        api = name.startswith("api-")
        path = self.world.path_of(name, self.patterns[name])
        methods = ADDRESSES[name][1]
        method = self.rng.choice(methods)
        headers = dict(self.people[role].headers(api=api))
        if api and method == "POST":
            headers["Idempotency-Key"] = f'"{uuid.uuid4()}"'
        if body is not None:
            method = next((one for one in methods if one != "GET"), method)
            return Wire(f"{role} {name} body", method, path, headers | {"Content-Type": corpus.JSON}, body)
        said = []
        sent, kind = self._fitting_body(api)
        if kind:
            headers["Content-Type"] = kind
        for _ in range(self.rng.choice((1, 1, 1, 2, 3))):
            match self.rng.randrange(7):
                case 0:
                    path += self.rng.choice(corpus.PATHS)
                    said.append("path")
                case 1:
                    forged = self.rng.choice(corpus.IDS)
                    path = AN_ID.sub(lambda _, forged=forged: forged.replace(" ", "%20"), path, count=1)  # type: ignore[misc]
                    said.append("id")
                case 2:
                    query = self.rng.choice((*corpus.QUERIES, f"cursor={corpus.forged_cursor(self.rng)}"))
                    path += ("&" if "?" in path else "?") + query
                    said.append("query")
                case 3 | 4:
                    headers |= self.rng.choice(corpus.HEADERS)
                    said.append("header")
                case 5:
                    sent, headers["Content-Type"] = self.rng.choice(corpus.BODIES)
                    method = self.rng.choice([one for one in methods if one != "GET"] or ["POST"])
                    said.append("body")
                case 6:
                    method = self.rng.choice(corpus.METHODS)
                    said.append("method")
        return Wire(f"{role} {name} {'+'.join(said)}", method, path, headers, sent)

    def _fitting_body(self, api: bool) -> tuple[bytes, str]:
        if api:
            return json.dumps(return_payload(self.world.trap)).encode(), corpus.JSON
        return b"a=b", corpus.FORM


def twisted(good: dict[str, Any], name: str, value: Any) -> bytes:
    """Return a body in which one member has another value."""
    return json.dumps(good | {name: value}).encode()
