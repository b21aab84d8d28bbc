"""Write which names each role reads at each address of the API: ``python -m tests.golden.refresh_shown``.

Run it when an answer is meant to hold something new, and read the difference before it is committed.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

GOLDEN = Path(__file__).with_name("shown_by_role.json")
#: Members whose names are data: groups, checks, figures by code. What they hold is not walked.
DATA = frozenset({"reported", "evidence", "limits", "boundary"})


def names_in(value: Any, where: str = "") -> set[str]:
    """Return every name in an answer with the way to it; members of a list count as one."""
    if isinstance(value, list):
        return set().union(*(names_in(one, f"{where}[]") for one in value))
    if not isinstance(value, dict):
        return set()
    found = {f"{where}.{name}".lstrip(".") for name in value}
    return found.union(*(names_in(one, f"{where}.{name}") for name, one in value.items() if name not in DATA))


def shown() -> dict[str, dict[str, list[str] | int]]:
    """Return the names, or the status of a refusal, by address and role. Takes a database and makes a world in it."""
    from tests.architecture.test_addresses import ADDRESSES
    from tests.factories import ApiClient
    from tests.pages import ROLES, World, walk

    world = World()
    patterns = {name: pattern for name, pattern, _ in walk()}
    clients = {role: ApiClient(world.people[role]) for role in ROLES}
    found: dict[str, dict[str, list[str] | int]] = {}
    for name, (_, methods, _) in ADDRESSES.items():
        if name.startswith("api-") and "GET" in methods and name != "api-openapi":
            path = world.path_of(name, patterns[name]) + ("?season=test-2026" if name == "api-data-returns" else "")
            found[name] = {role: _names(client.get(path)) for role, client in clients.items()}
    return found


def _names(answer: Any) -> list[str] | int:
    if answer.status_code != 200:
        return int(answer.status_code)
    if answer.headers["Content-Type"].split(";")[0] != "application/json":
        return [answer.headers["Content-Type"]]
    return sorted(names_in(answer.json()))


def written(found: dict[str, Any]) -> str:
    """Return the golden text."""
    return json.dumps(found, indent=1, sort_keys=True) + "\n"


if __name__ == "__main__":
    from tests.own_database import own_database

    with own_database("test_shown"):
        from tests.golden import refresh_shown

        GOLDEN.write_text(written(refresh_shown.shown()))
