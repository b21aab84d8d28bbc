"""Every address x every role: generated from the URL table, held against a table written by hand.

A new address without a line here fails, and so does one that names no rule.
"""

from __future__ import annotations

import json
import uuid
from typing import Any

import pytest

from surveys.permissions import Rule
from tests.factories import ApiClient, sign_in_fully
from tests.pages import ANYONE, APPOINTED, COORDINATOR, LEAD, OFFICE, PLANNER, RESEARCHER, ROLES, SIGNED_IN, World, walk
from tests.pictures import plain_jpeg

pytestmark = pytest.mark.django_db

#: name: (rule, methods, whose). ``whose``: "" nobody's; "owner", "school" or "care" for an object of one person, of the
#: teacher, of the researcher, or of a region; "keeper" for whoever keeps a household or school; "joining" for somebody who has just
#: joined; "none yet" for what comes to be later.
ADDRESSES: dict[str, tuple[Rule, tuple[str, ...], str]] = {
    "api-openapi": (ANYONE, ("GET",), ""),
    "api-tokens": (ANYONE, ("GET", "POST"), ""),
    "api-current-token": (SIGNED_IN, ("DELETE",), ""),
    "api-token": (SIGNED_IN, ("DELETE",), "none yet"),
    "api-seasons": (ANYONE, ("GET",), ""),
    "api-season": (ANYONE, ("GET",), ""),
    "api-indices": (ANYONE, ("GET",), ""),
    "api-changes": (ANYONE, ("GET",), ""),
    "api-groups-seen": (ANYONE, ("GET",), ""),
    "api-sites": (SIGNED_IN, ("GET", "POST"), ""),
    "api-traps": (SIGNED_IN, ("POST",), "owner"),
    "api-openings": (SIGNED_IN, ("GET", "POST"), ""),
    "api-opening": (SIGNED_IN, ("GET",), "owner"),
    "api-looks": (SIGNED_IN, ("POST",), "owner"),
    "api-ending": (SIGNED_IN, ("POST",), "owner"),
    "api-answer": (SIGNED_IN, ("POST",), "owner"),
    "api-questions": (COORDINATOR, ("POST",), "care"),
    "api-data-returns": (RESEARCHER, ("GET",), ""),
    "api-exports": (RESEARCHER, ("GET", "POST"), ""),
    "api-export": (RESEARCHER, ("GET", "DELETE"), "researcher"),
    "api-export-file": (RESEARCHER, ("GET",), "researcher"),
    "api-returns": (SIGNED_IN, ("GET", "POST"), ""),
    "api-returns-batch": (SIGNED_IN, ("POST",), ""),
    "api-return": (SIGNED_IN, ("GET",), "owner"),
    "api-withdrawal": (SIGNED_IN, ("POST",), "owner"),
    "api-photo": (SIGNED_IN, ("GET", "PUT", "DELETE"), "owner"),
    "api-queue": (COORDINATOR, ("GET",), ""),
    "api-record": (COORDINATOR, ("GET",), "care"),
    "api-queue-photo": (COORDINATOR, ("GET", "DELETE"), "care"),
    "api-verdicts": (COORDINATOR, ("POST",), "care"),
    "api-lease": (COORDINATOR, ("PUT", "DELETE"), "care"),
    "api-undo": (COORDINATOR, ("POST",), "care"),
    "api-verdicts-together": (COORDINATOR, ("POST",), ""),
    "home": (ANYONE, ("GET",), ""),
    "season": (ANYONE, ("GET",), ""),
    "sign-in": (ANYONE, ("GET", "POST"), ""),
    "sign-out": (ANYONE, ("POST",), ""),
    "join": (ANYONE, ("GET", "POST"), ""),
    "confirm-mail": (ANYONE, ("GET",), ""),
    "forgotten-password": (ANYONE, ("GET", "POST"), ""),
    "new-password": (ANYONE, ("GET", "POST"), ""),
    "change-password": (SIGNED_IN, ("GET", "POST"), ""),
    "my-account": (SIGNED_IN, ("GET", "POST"), ""),
    "consent": (SIGNED_IN, ("GET", "POST"), ""),
    "my-tokens": (SIGNED_IN, ("GET", "POST"), ""),
    "my-data": (SIGNED_IN, ("GET", "POST"), ""),
    "erase-me": (SIGNED_IN, ("GET", "POST"), ""),
    "morning-letter": (APPOINTED, ("POST",), ""),
    "second-factor": (APPOINTED, ("GET", "POST"), ""),
    "second-factor-new": (APPOINTED, ("GET", "POST"), ""),
    "backup-codes": (OFFICE, ("GET", "POST"), ""),
    "people": (OFFICE, ("GET",), ""),
    "invite": (LEAD, ("GET", "POST"), ""),
    "call-back-invitation": (LEAD, ("POST",), ""),
    "end-appointment": (LEAD, ("GET",), ""),
    "reset-second-factor": (LEAD, ("GET",), ""),
    "invitation": (ANYONE, ("GET",), ""),
    "privacy": (ANYONE, ("GET",), ""),
    "privacy-children": (ANYONE, ("GET",), ""),
    "threats": (ANYONE, ("GET",), ""),
    "size": (ANYONE, ("GET",), ""),
    "assessment": (ANYONE, ("GET",), ""),
    "set-language": (ANYONE, ("POST",), ""),
    "guide": (ANYONE, ("GET",), ""),
    "kinds": (ANYONE, ("GET",), ""),
    "kind": (ANYONE, ("GET",), ""),
    "safety": (ANYONE, ("GET",), ""),
    "safety-edit": (COORDINATOR, ("GET", "POST"), "care"),
    "which-group": (ANYONE, ("GET",), ""),
    "which-group-step": (ANYONE, ("GET",), ""),
    "in-the-garden": (ANYONE, ("GET",), ""),
    "field-list": (SIGNED_IN, ("GET",), ""),
    "field-send": (SIGNED_IN, ("POST",), ""),
    "service-worker": (ANYONE, ("GET",), ""),
    "web-manifest": (ANYONE, ("GET",), ""),
    "set-trap": (SIGNED_IN, ("GET",), ""),
    "set-step": (SIGNED_IN, ("GET", "POST"), "owner"),
    "trap-is-set": (SIGNED_IN, ("GET",), "owner"),
    "look-trap": (SIGNED_IN, ("POST",), "owner"),
    "call-off": (SIGNED_IN, ("GET", "POST"), "owner"),
    "empty-trap": (SIGNED_IN, ("GET",), ""),
    "empty-step": (SIGNED_IN, ("GET", "POST"), "owner"),
    "count-step": (SIGNED_IN, ("GET", "POST"), "owner"),
    "new-site": (SIGNED_IN, ("GET", "POST"), ""),
    "my-site": (SIGNED_IN, ("GET", "POST"), "owner"),
    "trap": (SIGNED_IN, ("GET", "POST"), "owner"),
    "field-sheet": (SIGNED_IN, ("GET",), "owner"),
    "field-sheets": (SIGNED_IN, ("GET",), "owner"),
    "trap-calendar": (SIGNED_IN, ("GET",), "owner"),
    "find-trap": (SIGNED_IN, ("GET",), ""),
    "new-sheet": (SIGNED_IN, ("GET",), ""),
    "sheet-template": (SIGNED_IN, ("GET",), "keeper"),
    "sheet": (SIGNED_IN, ("GET",), "owner"),
    "sheet-marked": (SIGNED_IN, ("GET",), "none yet"),
    "sheet-take": (SIGNED_IN, ("POST",), "owner"),
    "desk": (COORDINATOR, ("GET",), ""),
    "nights": (COORDINATOR, ("GET",), ""),
    "night": (COORDINATOR, ("GET",), ""),
    "cases": (COORDINATOR, ("GET",), ""),
    "overdue": (COORDINATOR, ("GET",), ""),
    "amend-return": (SIGNED_IN, ("GET", "POST"), "owner"),
    "wall-sheet": (SIGNED_IN, ("GET",), "owner"),
    "compare-habitats": (SIGNED_IN, ("GET",), ""),
    "ask-household": (COORDINATOR, ("POST",), "care"),
    "answer-question": (SIGNED_IN, ("POST",), "owner"),
    "news": (ANYONE, ("GET",), ""),
    "news-edit": (COORDINATOR, ("GET", "POST"), ""),
    "my-classes": (SIGNED_IN, ("GET",), ""),
    "my-class": (SIGNED_IN, ("GET", "POST"), "school"),
    "class-code": (SIGNED_IN, ("GET", "POST"), "school"),
    "enter-class": (ANYONE, ("GET", "POST"), ""),
    "class-traps": (ANYONE, ("GET",), ""),
    "class-count": (ANYONE, ("GET",), ""),
    "class-leave": (ANYONE, ("POST",), ""),
    "class-table": (SIGNED_IN, ("GET", "POST"), "school"),
    "data": (ANYONE, ("GET",), ""),
    "releases": (ANYONE, ("GET",), ""),
    "latest-release": (ANYONE, ("GET",), ""),
    "release": (ANYONE, ("GET",), ""),
    "desk-releases": (COORDINATOR, ("GET",), ""),
    "make-release": (PLANNER, ("GET", "POST"), ""),
    "release-progress": (COORDINATOR, ("GET",), ""),
    "withdraw-release": (PLANNER, ("GET", "POST"), ""),
    "release-file": (ANYONE, ("GET",), ""),
    "latest-release-file": (ANYONE, ("GET",), ""),
    "ogc": (ANYONE, ("GET",), ""),
    "ogc-slash": (ANYONE, ("GET",), ""),
    "ogc-conformance": (ANYONE, ("GET",), ""),
    "ogc-api": (ANYONE, ("GET",), ""),
    "ogc-collections": (ANYONE, ("GET",), ""),
    "ogc-collection": (ANYONE, ("GET",), ""),
    "ogc-items": (ANYONE, ("GET",), ""),
    "ogc-item": (ANYONE, ("GET",), ""),
    "codebook": (ANYONE, ("GET",), ""),
    "methods": (ANYONE, ("GET",), ""),
    "problem": (ANYONE, ("GET",), ""),
    "health-live": (ANYONE, ("GET",), ""),
    "health-ready": (ANYONE, ("GET",), ""),
    "metrics": (ANYONE, ("GET",), ""),  # and of those only this machine, or whoever has its token
    "my-returns": (SIGNED_IN, ("GET",), ""),
    "my-return": (SIGNED_IN, ("GET",), "owner"),
    "send-return": (SIGNED_IN, ("GET", "POST"), ""),
    "withdraw-return": (SIGNED_IN, ("POST",), "owner"),
    "my-photo": (SIGNED_IN, ("GET",), "owner"),
    "send-photo": (SIGNED_IN, ("POST",), "owner"),
    "delete-photo": (SIGNED_IN, ("POST",), "owner"),
    "my-sites": (SIGNED_IN, ("GET",), ""),
    "new-trap": (SIGNED_IN, ("POST",), "owner"),
    "queue": (COORDINATOR, ("GET",), ""),
    "queue-next": (COORDINATOR, ("POST",), ""),
    "queue-together": (COORDINATOR, ("GET", "POST"), ""),
    "queue-undo-together": (COORDINATOR, ("POST",), "none yet"),
    "queue-record": (COORDINATOR, ("GET", "POST"), "care"),
    "queue-beside": (COORDINATOR, ("GET",), "care"),
    "queue-leave": (COORDINATOR, ("POST",), "care"),
    "queue-undo": (COORDINATOR, ("POST",), "care"),
    "queue-photo": (COORDINATOR, ("GET",), "care"),
    "queue-photo-edit": (COORDINATOR, ("GET", "POST"), "care"),
    "second-looks": (COORDINATOR, ("GET",), ""),
    "second-look": (COORDINATOR, ("GET", "POST"), "care"),
    "where-next": (COORDINATOR, ("GET",), ""),
    "season-plans": (PLANNER, ("GET",), ""),
    "new-plan": (PLANNER, ("GET", "POST"), ""),
    "season-close": (PLANNER, ("GET", "POST"), ""),
    "plan": (PLANNER, ("GET", "POST"), ""),
    "plan-open": (PLANNER, ("GET", "POST"), ""),
    "plan-regions": (PLANNER, ("GET", "POST"), ""),
    "plan-protocol": (PLANNER, ("GET", "POST"), ""),
    "plan-sentences": (PLANNER, ("GET", "POST"), ""),
    "plan-preview": (PLANNER, ("GET", "POST"), ""),
    "plan-section": (PLANNER, ("GET", "POST"), ""),
}

#: Methods for which another rule holds than that of their address.
RULE_OF_METHOD: dict[tuple[str, str], Rule] = {("api-tokens", "GET"): SIGNED_IN}

#: Addresses of what a night computes.
COMPUTED = ("api-indices", "api-changes", "api-groups-seen")


def rule_of(view: Any) -> Rule | None:
    """Return the rule that an address names: a page's own, or that of a resource's permission class."""
    resource = getattr(view, "view_class", None) or getattr(view, "cls", None)
    if resource is not None:
        return getattr(resource.permission_classes[0], "rule", None)
    return getattr(view, "rule", None)


def test_every_address_names_its_rule_and_has_a_line_in_the_table() -> None:
    found = {name: rule_of(view) for name, _, view in walk()}
    assert found == {name: line[0] for name, line in ADDRESSES.items()}


#: For whom an object behind an address is there; for all others it is not.
THERE_FOR: dict[str, tuple[str, ...]] = {
    "": ROLES,
    "joining": ROLES,
    "owner": ("owner",),
    "school": ("teacher",),
    "keeper": ("owner", "stranger", "teacher"),
    "care": ("coordinator", "lead coordinator"),
    "researcher": ("researcher",),
    "none yet": (),
}


#: Who holds the role that a rule asks for.
HOLDERS: dict[Rule, tuple[str, ...]] = {
    COORDINATOR: ("coordinator", "other coordinator", "lead coordinator"),
    OFFICE: ("coordinator", "other coordinator", "lead coordinator", "operator"),
    APPOINTED: ("coordinator", "other coordinator", "lead coordinator", "operator"),
    LEAD: ("lead coordinator", "operator"),
    PLANNER: ("lead coordinator",),
    RESEARCHER: ("researcher", "coordinator", "other coordinator", "lead coordinator", "operator"),
}


def expected(role: str, name: str, method: str) -> str:
    """Say what a role may expect at an address: "in", "sign in", "forbidden" or "not there"."""
    rule, _, whose = ADDRESSES[name]
    rule = RULE_OF_METHOD.get((name, method), rule)
    if role == "anonymous" and (rule != ANYONE or whose == "joining"):
        return "sign in"
    if role not in HOLDERS.get(rule, ROLES):
        return "forbidden"
    return "in" if role in THERE_FOR[whose] else "not there"


def outcome(response: Any, api: bool) -> str:
    """Say what an answer amounts to."""
    status = response.status_code
    if status == 401 or (not api and status == 302 and "/sign-in" in response.headers["Location"]):
        return "sign in"
    if status == 403:
        return "forbidden"
    return "not there" if status == 404 else "in"


def test_every_role_gets_what_the_table_says_at_every_address() -> None:
    """Every address, its methods, 9 roles, own and foreign objects; no answer is of the 500s."""
    from tests.architecture.matrix import play

    played = play(World(), nobodys=False)  # python -m tests.architecture asks for nobody's, too
    assert played.gaps == [], "\n".join(map(str, played.gaps))
    assert played.tried == 9 * sum(len(line[1]) for line in ADDRESSES.values())


#: What is sent so that a request is well formed.
BODIES: dict[str, dict[str, str]] = {
    "/traps": {"habitat": "short_lawn"},
    "/looks": {"look": "dusk", "at": "2026-05-02T20:00:00Z"},
    "/ending": {"ending": "called_off", "at": "2026-05-02T20:00:00Z"},
    "/answer": {"text": "Nothing was in it."},
    "/questions": {"text": "Was there soap in the cup?"},
}


def ask(client: ApiClient, method: str, path: str, api: bool) -> Any:
    """Send a request that is well-formed, and empty but for what finds the object."""
    if method == "GET":
        return client.get(path)
    if method == "DELETE":
        return client.delete(path)
    if method == "PUT":
        return client.put(path, plain_jpeg(), content_type="image/jpeg")
    headers = {"Idempotency-Key": f'"{uuid.uuid4()}"'} if api else {}
    if not api:
        return client.post(path, "", content_type="application/x-www-form-urlencoded")
    body = next((body for end, body in BODIES.items() if path.endswith(end)), {})
    return client.post(path, json.dumps(body), content_type="application/json", headers=headers)


def test_a_coordinator_of_one_region_cannot_see_or_count_the_queue_of_another() -> None:
    world = World()
    other = ApiClient(world.people["other coordinator"])
    assert other.read("queue").json() == {"items": [], "next": None}
    page = ApiClient()
    sign_in_fully(page, world.people["other coordinator"])  # type: ignore[arg-type]
    assert str(world.report.uuid) not in page.get("/queue/").content.decode()
    verdict = {"decision": "upheld", "reason": "plausible_night"}
    answer = other.send(f"queue/{world.report.uuid}/verdicts", verdict, **{"If-Match": '"anything"'})
    assert answer.status_code == 404
    world.report.refresh_from_db()
    assert world.report.state == "queried"
