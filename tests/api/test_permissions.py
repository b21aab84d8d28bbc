"""Who is let in by each rule: the whole table of rules and kinds of visitor."""

from __future__ import annotations

from typing import Any

import pytest
from django.contrib.auth.models import AnonymousUser
from rest_framework.response import Response
from rest_framework.test import APIRequestFactory, force_authenticate

from api.base import Resource
from api.permissions import NoRuleGiven, rule
from surveys.permissions import Rule
from tests.factories import make_account, make_coordinator, make_operator, make_researcher, make_season, verified

pytestmark = pytest.mark.django_db

VISITORS = {
    "nobody": AnonymousUser,
    "sender": make_account,
    "coordinator": lambda: verified(make_coordinator()),
    "regional coordinator": lambda: verified(make_coordinator("eastmark")),
    "coordinator without the factor": make_coordinator,
    "researcher": make_researcher,
    "operator": lambda: verified(make_operator()),
    "operator without the factor": make_operator,
}

#: From the list of users in the brief, and the labels of the rules: by hand.
LET_IN = {
    Rule.ANYONE: set(VISITORS),
    Rule.SIGNED_IN: set(VISITORS) - {"nobody"},
    Rule.COORDINATOR: {"coordinator", "regional coordinator"},
    Rule.RESEARCHER: {"coordinator", "regional coordinator", "researcher", "operator"},
    Rule.OPERATOR: {"operator"},
    Rule.OFFICE: {"coordinator", "regional coordinator", "operator"},
    Rule.LEAD: {"coordinator", "operator"},
    Rule.PLANNER: {"coordinator"},
    Rule.APPOINTED: {
        "coordinator",
        "regional coordinator",
        "coordinator without the factor",
        "operator",
        "operator without the factor",
    },
}


def answer_to(visitor: Any, *rules: Any) -> Response:
    """Return what a resource with these rules answers to a visitor."""

    class Tried(Resource):
        permission_classes = rules
        scope = None

        def get(self, request: Any) -> Response:
            return Response({"in": True})

    request = APIRequestFactory().get("/api/v1/tried")
    if not isinstance(visitor, AnonymousUser):
        force_authenticate(request, user=visitor)
    answer: Response = Tried.as_view()(request)
    return answer


def test_every_rule_is_in_the_table() -> None:
    assert set(LET_IN) == set(Rule)


@pytest.mark.parametrize("who", VISITORS)
def test_each_visitor_meets_the_right_doors(who: str) -> None:
    make_season()
    visitor = VISITORS[who]()
    shut = 401 if who == "nobody" else 403  # RFC 9110: 15.5.2 (who are you?) and 15.5.4 (not you)
    answered = {one: answer_to(visitor, rule(one)).status_code for one in Rule}
    assert answered == {one: 200 if who in LET_IN[one] else shut for one in Rule}


@pytest.mark.parametrize("who", VISITORS)
def test_an_address_without_a_rule_is_shut_to_everybody(who: str) -> None:
    make_season()
    assert answer_to(VISITORS[who](), NoRuleGiven).status_code in (401, 403)


def test_a_resource_that_names_no_rule_has_that_one() -> None:
    assert Resource.permission_classes == [NoRuleGiven]


def test_an_account_that_was_closed_is_nobody() -> None:
    account = make_account()
    account.is_active = False
    assert answer_to(account, rule(Rule.SIGNED_IN)).status_code == 403


def test_the_class_of_a_rule_names_it_and_is_made_once() -> None:
    for one in Rule:
        assert rule(one).rule is one  # type: ignore[attr-defined]
        assert rule(one) is rule(one)
