"""Every address x every role: generated from the URL table, held against a table written by hand.

A new address without a line here fails, and so does one that names no rule.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterator
from typing import Any

import pytest
from django.urls import URLPattern, URLResolver, get_resolver

from surveys.models import Account, Return
from surveys.permissions import Rule
from surveys.services.screening import screen_received
from surveys.vocabulary import HouseholdKind
from tests.factories import (
    ApiClient,
    make_coordinator,
    make_household,
    make_operator,
    make_researcher,
    make_season,
    make_site,
    make_trap,
    return_payload,
    stored,
)

pytestmark = pytest.mark.django_db

ROLES = ("anonymous", "owner", "stranger", "teacher", "coordinator", "other coordinator", "researcher", "operator")
ANYONE, SIGNED_IN, COORDINATOR = Rule.ANYONE, Rule.SIGNED_IN, Rule.COORDINATOR

#: name: (rule, methods, whose). ``whose``: "" nobody's, "owner" or "care" for an object of one person or region.
ADDRESSES: dict[str, tuple[Rule, tuple[str, ...], str]] = {
    "api-openapi": (ANYONE, ("GET",), ""),
    "api-tokens": (ANYONE, ("POST",), ""),
    "api-current-token": (SIGNED_IN, ("DELETE",), ""),
    "api-seasons": (ANYONE, ("GET",), ""),
    "api-season": (ANYONE, ("GET",), ""),
    "api-indices": (ANYONE, ("GET",), ""),
    "api-changes": (ANYONE, ("GET",), ""),
    "api-groups-seen": (ANYONE, ("GET",), ""),
    "api-clean-returns": (ANYONE, ("GET",), ""),
    "api-sites": (SIGNED_IN, ("GET", "POST"), ""),
    "api-traps": (SIGNED_IN, ("POST",), "owner"),
    "api-returns": (SIGNED_IN, ("GET", "POST"), ""),
    "api-returns-batch": (SIGNED_IN, ("POST",), ""),
    "api-return": (SIGNED_IN, ("GET",), "owner"),
    "api-withdrawal": (SIGNED_IN, ("POST",), "owner"),
    "api-queue": (COORDINATOR, ("GET",), ""),
    "api-record": (COORDINATOR, ("GET",), "care"),
    "api-verdicts": (COORDINATOR, ("POST",), "care"),
    "home": (ANYONE, ("GET",), ""),
    "season": (ANYONE, ("GET",), ""),
    "sign-in": (ANYONE, ("GET", "POST"), ""),
    "sign-out": (ANYONE, ("POST",), ""),
    "join": (ANYONE, ("GET", "POST"), ""),
    "codebook": (ANYONE, ("GET",), ""),
    "methods": (ANYONE, ("GET",), ""),
    "problem": (ANYONE, ("GET",), ""),
    "health-live": (ANYONE, ("GET",), ""),
    "health-ready": (ANYONE, ("GET",), ""),
    "my-returns": (SIGNED_IN, ("GET",), ""),
    "my-return": (SIGNED_IN, ("GET",), "owner"),
    "send-return": (SIGNED_IN, ("GET", "POST"), ""),
    "withdraw-return": (SIGNED_IN, ("POST",), "owner"),
    "my-sites": (SIGNED_IN, ("GET", "POST"), ""),
    "new-trap": (SIGNED_IN, ("POST",), "owner"),
    "queue": (COORDINATOR, ("GET",), ""),
    "queue-record": (COORDINATOR, ("GET", "POST"), "care"),
}

#: Addresses of what a night computes.
COMPUTED = ("api-indices", "api-changes", "api-groups-seen")


def walk(resolver: Any = None, prefix: str = "") -> Iterator[tuple[str, str, Any]]:
    """Yield name, path and view of every address."""
    for entry in (resolver or get_resolver()).url_patterns:
        if isinstance(entry, URLResolver):
            yield from walk(entry, prefix + str(entry.pattern))
        elif isinstance(entry, URLPattern):
            yield str(entry.name), prefix + str(entry.pattern), entry.callback


def rule_of(view: Any) -> Rule | None:
    """Return the rule that an address names: a page's own, or that of a resource's permission class."""
    resource = getattr(view, "view_class", None) or getattr(view, "cls", None)
    if resource is not None:
        return getattr(resource.permission_classes[0], "rule", None)
    return getattr(view, "rule", None)


def test_every_address_names_its_rule_and_has_a_line_in_the_table() -> None:
    found = {name: rule_of(view) for name, _, view in walk()}
    assert found == {name: line[0] for name, line in ADDRESSES.items()}


class World:
    """One return in care of one coordinator, and somebody in each role."""

    def __init__(self) -> None:
        make_season()
        owner = make_household()
        trap = make_trap(site=make_site(household=owner, region="eastmark"))
        payload = return_payload(trap, liquid="soap")
        assert ApiClient(owner.keeper).send("returns", payload).status_code == 201
        screen_received(most=10)
        self.report: Return = stored(payload)
        assert self.report.state == "queried"
        self.site = trap.site
        self.people: dict[str, Account | None] = {
            "anonymous": None,
            "owner": owner.keeper,
            "stranger": make_household().keeper,
            "teacher": make_household(kind=HouseholdKind.SCHOOL).keeper,
            "coordinator": make_coordinator("eastmark"),
            "other coordinator": make_coordinator("westmark"),
            "researcher": make_researcher(),
            "operator": make_operator(),
        }

    def path_of(self, pattern: str) -> str:
        """Return an address with this world's objects in it."""
        filled = pattern.replace("<slug:season>", "test-2026").replace("<slug:code>/", "test-2026/")
        if "problems" in filled:
            filled = "problems/stale/"
        for name in ("uuid", "number"):
            filled = filled.replace(f"<uuid:{name}>", str(self.report.uuid))
        return "/" + filled.replace("<uuid:site>", str(self.site.public_id))


def expected(role: str, name: str) -> str:
    """Say what a role may expect at an address: "in", "sign in", "forbidden" or "not there"."""
    rule, _, whose = ADDRESSES[name]
    if rule == ANYONE:
        return "in"
    if role == "anonymous":
        return "sign in"
    if rule == COORDINATOR and "coordinator" not in role:
        return "forbidden"
    if whose == "owner" and role != "owner":
        return "not there"
    if whose == "care" and role != "coordinator":
        return "not there"
    return "in"


def outcome(response: Any, api: bool) -> str:
    """Say what an answer amounts to."""
    status = response.status_code
    if status == 401 or (not api and status == 302 and "/sign-in" in response.headers["Location"]):
        return "sign in"
    if status == 403:
        return "forbidden"
    return "not there" if status == 404 else "in"


def test_every_role_gets_what_the_table_says_at_every_address() -> None:
    """Every address, its methods, 8 roles, own and foreign objects; no answer is of the 500s."""
    world = World()
    tried = 0
    wrong = []
    patterns = {name: pattern for name, pattern, _ in walk()}
    for role in ROLES:
        account = world.people[role]
        for name, (_, methods, _) in ADDRESSES.items():
            api = name.startswith("api-")
            for method in methods:
                client = ApiClient(account) if api else ApiClient()
                if account is not None and not api:
                    client.force_login(account)
                response = ask(client, method, world.path_of(patterns[name]), api)
                tried += 1
                # No night has run in this world, so there are no indices to read: 404 for everybody.
                wanted = "not there" if name in COMPUTED else expected(role, name)
                # Signing in with an empty form is refused in words: that is not "not signed in" here.
                got = "in" if name == "api-tokens" and response.status_code == 400 else outcome(response, api)
                fine = got == wanted and (response.status_code < 500 or name == "health-ready")
                if not fine:
                    wrong.append((role, method, name, response.status_code, wanted))
    assert wrong == []
    assert tried == 8 * sum(len(line[1]) for line in ADDRESSES.values())


def ask(client: ApiClient, method: str, path: str, api: bool) -> Any:
    """Send a request that is well-formed, and empty but for what finds the object."""
    if method == "GET":
        return client.get(path)
    if method == "DELETE":
        return client.delete(path)
    headers = {"Idempotency-Key": f'"{uuid.uuid4()}"'} if api else {}
    if not api:
        return client.post(path, "", content_type="application/x-www-form-urlencoded")
    body = {"habitat": "short_lawn"} if path.endswith("/traps") else {}
    return client.post(path, json.dumps(body), content_type="application/json", headers=headers)


def test_a_coordinator_of_one_region_cannot_see_or_count_the_queue_of_another() -> None:
    world = World()
    other = ApiClient(world.people["other coordinator"])
    assert other.read("queue").json() == {"items": [], "next": None}
    page = ApiClient()
    page.force_login(world.people["other coordinator"])  # type: ignore[arg-type]
    assert str(world.report.uuid) not in page.get("/queue/").content.decode()
    verdict = {"decision": "upheld", "reason": "plausible_night"}
    answer = other.send(f"queue/{world.report.uuid}/verdicts", verdict, **{"If-Match": '"anything"'})
    assert answer.status_code == 404
    world.report.refresh_from_db()
    assert world.report.state == "queried"
