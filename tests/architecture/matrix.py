"""The matrix of who may do what: every address, each of its methods, every role, and whose the object is.

``python -m tests.architecture`` plays it and prints its size and its gaps (OWASP API1 and API5:2023; ASVS 5.0.0,
8.2). An object is one's own or in one's care, somebody else's, or nobody's: the last two must look the same.
"""

from __future__ import annotations

import json
import re
import uuid
from dataclasses import dataclass, field
from typing import Any

from tests.architecture.test_addresses import ADDRESSES, COMPUTED, ask, expected, outcome
from tests.factories import ApiClient, sign_in_fully
from tests.pages import ROLES, World, walk

#: An id in a path that belongs to somebody.
AN_ID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f-]{22}")


#: Steps begin under an id that the browser made, so an id that nobody has is the beginning of a draft of one's own.
BEGUN_HERE = frozenset({("set-step", "POST"), ("empty-step", "POST")})


@dataclass
class Played:
    """What was tried, and every cell that answered otherwise than the table says."""

    addresses: int = 0
    tried: int = 0
    of_nobody: int = 0
    gaps: list[tuple[Any, ...]] = field(default_factory=list)


def play(world: World, *, nobodys: bool) -> Played:
    """Ask at every address, by every method, in every role; with ``nobodys`` also for objects that nobody has."""
    played = Played(addresses=len(ADDRESSES))
    patterns = {name: pattern for name, pattern, _ in walk()}
    played.gaps += [("no line in the table", name) for name in sorted(set(patterns) ^ set(ADDRESSES))]
    for role in ROLES:
        account = world.people[role]
        for name, (_, methods, whose) in ADDRESSES.items():
            api = name.startswith("api-")
            for method in methods:
                client = ApiClient(account) if api else ApiClient()
                if account is not None and not api:
                    sign_in_fully(client, account)
                path = world.path_of(name, patterns[name])
                response = ask(client, method, path, api)
                played.tried += 1
                # No night has run in this world, so there are no indices to read: 404 for everybody.
                wanted = "not there" if name in COMPUTED else expected(role, name, method)
                # Signing in with an empty form is refused in words: that is not "not signed in" here.
                got = "in" if name == "api-tokens" and response.status_code == 400 else outcome(response, api)
                if got != wanted or (response.status_code >= 500 and name != "health-ready"):
                    played.gaps.append((role, method, name, response.status_code, wanted))
                if (
                    nobodys
                    and (name, method) not in BEGUN_HERE
                    and whose in ("owner", "school", "care", "researcher")
                    and wanted == "not there"
                    and AN_ID.search(path)
                ):
                    missing = ask(client, method, AN_ID.sub(lambda _: str(uuid.uuid4()), path), api)
                    played.of_nobody += 1
                    if told(missing) != told(response):
                        played.gaps.append((role, method, name, "somebody else's looks unlike nobody's"))
    return played


def told(response: Any) -> tuple[int, str]:
    """Return what an answer tells: its status, and the sentence of a problem."""
    if response.headers.get("Content-Type") == "application/problem+json":
        return response.status_code, str(json.loads(response.content)["detail"])
    return response.status_code, ""
