"""What a token may be used for: decided at every address, and held at every address."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from rest_framework.response import Response
from rest_framework.test import APIRequestFactory

from api.base import Resource
from api.permissions import rule
from surveys.models import Appointment, Event, Token
from surveys.permissions import Rule, scopes_open_to
from surveys.vocabulary import Role, TokenScope
from tests.api.test_every_address import CALLS, VERSIONED, Caller, assert_problem
from tests.factories import (
    PASSWORD,
    ApiClient,
    code_of,
    make_account,
    make_coordinator,
    make_operator,
    make_researcher,
    make_season,
    token_of,
)
from tests.pages import walk

pytestmark = pytest.mark.django_db

SEND, DESK, READ = TokenScope.SEND, TokenScope.DESK, TokenScope.READ_DATA
#: What a token must be for at each address; None where any token does, or none is needed. Written by hand.
SCOPES: dict[str, TokenScope | None] = {
    "api-openapi": None, "api-tokens": None, "api-current-token": None, "api-token": None, "api-seasons": None,
    "api-season": None, "api-indices": None, "api-changes": None, "api-groups-seen": None,
    "api-sites": SEND, "api-traps": SEND, "api-openings": SEND, "api-opening": SEND, "api-looks": SEND,
    "api-ending": SEND, "api-answer": SEND, "api-returns": SEND, "api-returns-batch": SEND, "api-return": SEND,
    "api-withdrawal": SEND, "api-photo": SEND,
    "api-queue": DESK, "api-record": DESK, "api-questions": DESK, "api-queue-photo": DESK, "api-verdicts": DESK,
    "api-lease": DESK, "api-undo": DESK, "api-verdicts-together": DESK,
    "api-data-returns": READ, "api-exports": READ, "api-export": READ, "api-export-file": READ,
}  # fmt: skip


def test_every_address_decides_what_a_token_must_be_for() -> None:
    """A new address without a decision of its own, or without a line above, fails here."""
    silent = object()
    found = {name: getattr(view.cls, "scope", silent) for name, _, view in walk() if hasattr(view, "cls")}
    assert {name: scope for name, scope in found.items() if name.startswith("api-")} == SCOPES
    assert silent not in found.values()
    assert not hasattr(Resource, "scope")  # nothing is decided for those that say nothing


def test_a_resource_that_decides_nothing_lets_nobody_in() -> None:
    class Silent(Resource):
        permission_classes = [rule(Rule.ANYONE)]

        def get(self, request: Any) -> Response:
            return Response({"in": True})

    assert Silent.as_view()(APIRequestFactory().get("/api/v1/tried")).status_code in (401, 403)


def test_a_token_for_everything_else_is_refused_in_words_at_every_address() -> None:
    caller = Caller()
    events = Event.objects.count()
    for name, method in CALLS:
        scope = SCOPES[name]
        if scope is None:
            continue
        account = caller.account(name)
        others = tuple(one for one in TokenScope if one != scope)
        client = ApiClient()
        headers = {"Authorization": f"Bearer {token_of(account, *others)}"}
        if name in VERSIONED:
            headers["If-Match"] = '"any"'
        problem = assert_problem(caller.call(name, method, client=client, headers=headers), 403, name)
        assert problem["type"].endswith("/problems/scope-needed/"), (name, method)
        assert repr(scope.value) in problem["detail"], (name, method)
    assert Event.objects.count() == events


def test_a_token_for_this_alone_is_enough_at_every_address() -> None:
    caller = Caller()
    for name, method in CALLS:
        scope = SCOPES[name]
        if scope is not None and method == "GET":
            headers = {"Authorization": f"Bearer {token_of(caller.account(name), scope)}"}
            assert caller.call(name, method, client=ApiClient(), headers=headers).status_code == 200, name


def test_where_the_role_is_missing_the_answer_says_so_and_not_that_the_token_is_wrong() -> None:
    """Somebody who is no coordinator learns nothing from asking for another token."""
    make_season()
    client = ApiClient()
    client.defaults["HTTP_AUTHORIZATION"] = f"Bearer {token_of(make_account(), SEND)}"
    problem = client.read("queue").json()
    assert problem["type"].endswith("/problems/not-allowed/")


# --- making tokens ------------------------------------------------------------------------------------


def get_token(account: Any, **more: Any) -> Any:
    return ApiClient().send("tokens", {"email": account.email, "password": PASSWORD, **more})


def test_without_a_wish_a_token_is_for_all_that_the_account_may_use() -> None:
    make_season()
    coordinator, operator = make_coordinator(), make_operator()
    assert get_token(make_account()).json()["scopes"] == ["send"]
    assert get_token(make_researcher()).json()["scopes"] == ["send", "read_data"]
    assert get_token(coordinator, code=code_of(coordinator)).json()["scopes"] == ["send", "read_data", "desk"]
    assert get_token(operator, code=code_of(operator)).json()["scopes"] == ["send", "read_data", "desk"]


def test_scopes_name_and_days_are_kept_as_they_were_asked_for() -> None:
    account = make_researcher()
    before = timezone.now()
    answer = get_token(account, name="  night   script ", scopes=["read_data"], days=7)
    assert answer.status_code == 201
    made = answer.json()
    assert (made["name"], made["scopes"]) == ("night script", ["read_data"])
    kept = Token.objects.get(user=account)
    assert abs(kept.expiry - before - timedelta(days=7)) < timedelta(minutes=1)
    assert made["token"].startswith(made["id"])
    assert made["id"] == kept.token_key
    assert Event.objects.filter(verb="token made").count() == 1


@pytest.mark.parametrize(
    ("wish", "status", "pointer"),
    [
        ({"scopes": []}, 400, "/scopes"),
        ({"scopes": ["everything"]}, 400, "/scopes/0"),
        ({"scopes": "send"}, 400, "/scopes"),
        ({"scopes": None}, 400, "/scopes"),
        ({"scopes": ["desk"]}, 422, "/scopes"),
        ({"scopes": ["send", "read_data"]}, 422, "/scopes"),
        ({"days": 0}, 400, "/days"),
        ({"days": 366}, 400, "/days"),
        ({"days": "7"}, 400, "/days"),
        ({"days": 1.5}, 400, "/days"),
        ({"days": True}, 400, "/days"),
        ({"name": "n" * 81}, 400, "/name"),
        ({"name": 7}, 400, "/name"),
        ({"uses": ["send"]}, 400, "/uses"),
    ],
    ids=str,
)
def test_each_wrong_wish_is_refused_alone_and_makes_no_token(wish: dict[str, Any], status: int, pointer: str) -> None:
    answer = get_token(make_account(), **wish)
    assert answer.status_code == status, answer.content
    assert [row["pointer"] for row in answer.json()["errors"]] == [pointer]
    assert Token.objects.count() == 0


def test_a_role_that_ends_takes_its_addresses_with_it_whatever_the_token_says() -> None:
    make_season()
    account = make_researcher()
    client = ApiClient(account)
    assert client.read("data/returns?season=test-2026").status_code == 200
    Appointment.objects.filter(account=account, role=Role.RESEARCHER).delete()
    assert client.read("data/returns?season=test-2026").status_code == 403


def test_an_old_token_does_not_grow_with_a_new_role() -> None:
    make_season()
    account = make_account()
    client = ApiClient(account)
    Appointment.objects.create(account=account, role=Role.RESEARCHER)
    assert client.read("data/returns?season=test-2026").json()["type"].endswith("/problems/scope-needed/")


def test_nobody_and_a_closed_account_may_make_none() -> None:
    account = make_account()
    account.is_active = False
    assert scopes_open_to(account) == ()


# --- the list, and giving up --------------------------------------------------------------------------


def test_the_list_tells_of_each_token_and_never_the_token() -> None:
    account = make_researcher()
    secret = get_token(account, name="reader", scopes=["read_data"], days=30).json()["token"]
    make_account()
    token_of(make_account())
    client = ApiClient()
    client.defaults["HTTP_AUTHORIZATION"] = f"Bearer {secret}"
    answer = client.read("tokens")
    (listed,) = answer.json()["items"]
    assert set(listed) == {"id", "name", "scopes", "made_at", "expires_at", "last_used_at", "current"}
    assert (listed["name"], listed["scopes"], listed["current"]) == ("reader", ["read_data"], True)
    assert secret not in answer.content.decode()
    assert secret[len(listed["id"]) :] not in answer.content.decode()
    assert Token.objects.get(user=account).digest not in answer.content.decode()
    assert answer["Cache-Control"] == "no-store"


def test_a_token_that_has_run_out_is_not_listed() -> None:
    account = make_account()
    token_of(account)
    Token.objects.update(expiry=timezone.now() - timedelta(seconds=1))
    assert len(ApiClient(account).read("tokens").json()["items"]) == 1


def test_the_last_use_is_written_down_once_an_hour() -> None:
    account = make_account()
    client = ApiClient(account)
    assert Token.objects.get().last_used_at is None
    client.read("tokens")
    first = Token.objects.get().last_used_at
    assert first is not None
    client.read("tokens")
    assert Token.objects.get().last_used_at == first
    Token.objects.update(last_used_at=first - timedelta(minutes=59))
    client.read("tokens")
    assert Token.objects.get().last_used_at == first - timedelta(minutes=59)
    Token.objects.update(last_used_at=first - timedelta(minutes=61))
    client.read("tokens")
    assert Token.objects.get().last_used_at > first


def test_one_of_ones_own_tokens_is_ended_by_its_beginning() -> None:
    account = make_account()
    client, other = ApiClient(account), token_of(account)
    assert client.delete(f"/api/v1/tokens/{other[:15]}").status_code == 204
    assert Token.objects.filter(user=account).count() == 1
    assert client.delete(f"/api/v1/tokens/{other[:15]}").status_code == 404
    assert Event.objects.filter(verb="token ended").count() == 1


def test_somebody_elses_token_is_not_there() -> None:
    foreign = token_of(make_account())
    assert ApiClient(make_account()).delete(f"/api/v1/tokens/{foreign[:15]}").status_code == 404
    assert Token.objects.count() == 2


def test_a_token_ends_none_that_may_do_more() -> None:
    """A stolen token for sending does not shut a researcher out."""
    account = make_researcher()
    strong = token_of(account)
    weak = ApiClient()
    weak.defaults["HTTP_AUTHORIZATION"] = f"Bearer {token_of(account, SEND)}"
    answer = weak.delete(f"/api/v1/tokens/{strong[:15]}")
    assert answer.status_code == 403
    assert answer.json()["type"].endswith("/problems/scope-needed/")
    assert Token.objects.count() == 2
    assert weak.delete("/api/v1/tokens/current").status_code == 204
