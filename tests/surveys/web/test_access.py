"""Who may come to a page, and what happens to those who may not."""

from __future__ import annotations

import pytest
from django.contrib.auth.models import AnonymousUser
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.test import Client, RequestFactory
from django.urls import URLPattern

from surveys.errors import NotAllowed, NotFound
from surveys.permissions import Rule
from surveys.web.access import page
from surveys.web.urls import urlpatterns
from tests.factories import make_account, make_coordinator, make_operator, make_researcher, make_season, verified

pytestmark = pytest.mark.django_db(transaction=True)


def ask(rule: Rule, visitor: object, path: str = "/somewhere/?a=1") -> HttpResponse:
    """Return the answer of a page with this rule."""
    request = RequestFactory().get(path)
    request.user = visitor  # type: ignore[assignment]
    return page(rule)(lambda request: HttpResponse("in"))(request)  # type: ignore[return-value]


@pytest.mark.parametrize("pattern", urlpatterns, ids=lambda pattern: str(pattern.name))
def test_every_page_names_its_rule(pattern: URLPattern) -> None:
    assert isinstance(getattr(pattern.callback, "rule", None), Rule)


def test_somebody_unknown_is_sent_to_sign_in_and_comes_back_to_the_same_address() -> None:
    answer = ask(Rule.SIGNED_IN, AnonymousUser())
    assert answer.status_code == 302
    assert answer["Location"] == "/sign-in?next=/somewhere/%3Fa%3D1"


@pytest.mark.parametrize("rule", sorted(set(Rule) - {Rule.ANYONE, Rule.SIGNED_IN}))
def test_a_sender_may_not_come_where_a_role_is_needed(rule: Rule) -> None:
    with pytest.raises(PermissionDenied):
        ask(rule, make_account())


def test_each_role_comes_in_where_its_rule_lets_it() -> None:
    # By hand from the table of rules in the house rules: researchers' pages are open to all three roles.
    make_season()
    people = {
        "lead": verified(make_coordinator()),
        "regional": verified(make_coordinator("eastmark")),
        "researcher": make_researcher(),
        "operator": verified(make_operator()),
    }
    admitted = {
        Rule.ANYONE: set(people),
        Rule.SIGNED_IN: set(people),
        Rule.COORDINATOR: {"lead", "regional"},
        Rule.RESEARCHER: set(people),
        Rule.OPERATOR: {"operator"},
        Rule.OFFICE: {"lead", "regional", "operator"},
        Rule.LEAD: {"lead", "operator"},
        Rule.PLANNER: {"lead"},
        Rule.APPOINTED: {"lead", "regional", "operator"},
    }
    assert set(admitted) == set(Rule)
    for rule, expected in admitted.items():
        assert {name for name, person in people.items() if _comes_in(rule, person)} == expected, rule


@pytest.mark.parametrize("rule", [Rule.COORDINATOR, Rule.OFFICE, Rule.LEAD, Rule.RESEARCHER])
def test_a_coordinator_who_has_not_given_the_second_factor_is_sent_to_give_it_and_comes_back(rule: Rule) -> None:
    make_season()
    answer = ask(rule, make_coordinator())
    assert answer.status_code == 302
    assert answer["Location"] == "/second-factor/?next=/somewhere/%3Fa%3D1"


def test_an_operator_who_has_not_given_the_second_factor_is_sent_to_give_it() -> None:
    assert ask(Rule.OPERATOR, make_operator())["Location"].startswith("/second-factor/?next=")


def _comes_in(rule: Rule, person: object) -> bool:
    try:
        return ask(rule, person).content == b"in"
    except PermissionDenied:
        return False


def test_what_is_not_there_becomes_a_404_and_what_is_not_allowed_a_403() -> None:
    def absent(request: HttpRequest) -> HttpResponse:
        raise NotFound("No such thing.")

    def forbidden(request: HttpRequest) -> HttpResponse:
        raise NotAllowed("Not yours.")

    request = RequestFactory().get("/")
    request.user = AnonymousUser()
    with pytest.raises(Http404):
        page(Rule.ANYONE)(absent)(request)
    with pytest.raises(PermissionDenied):
        page(Rule.ANYONE)(forbidden)(request)


def test_an_address_that_is_not_there_gets_a_plain_page_with_a_way_on() -> None:
    answer = Client().get("/nowhere")
    assert answer.status_code == 404
    assert "There is nothing here" in answer.content.decode()
    assert 'href="/"' in answer.content.decode()


def test_a_form_without_its_token_gets_a_page_that_says_what_to_do() -> None:
    answer = Client(enforce_csrf_checks=True).post("/sign-in", {"email": "a@test.example", "password": "x"})
    assert answer.status_code == 403
