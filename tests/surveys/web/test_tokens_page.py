"""The page of one's own tokens: made with the password once more, shown this once, ended with a press."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from surveys.models import Event, Token
from tests.factories import (
    PASSWORD,
    ApiClient,
    client_of,
    factor_of,
    make_account,
    make_coordinator,
    make_researcher,
    make_season,
    token_of,
)
from tests.reading import grade_of, sentences_of

pytestmark = pytest.mark.django_db

PAGE = "/account/tokens/"
GOOD = {"do": "make", "name": "night script", "scopes": ["send"], "days": "90", "password": PASSWORD}


def shown_token(answer: Any) -> str:
    """Return the token that a page shows."""
    found = re.search(r"tn_[0-9a-f]{60,64}", answer.content.decode())
    assert found is not None
    return found.group()


def test_a_token_is_made_shown_once_and_opens_the_api() -> None:
    account = make_account()
    client = client_of(account)
    answer = client.post(PAGE, GOOD)
    assert answer.status_code == 200
    assert "no-store" in answer["Cache-Control"]
    secret = shown_token(answer)
    assert ApiClient().get("/api/v1/sites", headers={"Authorization": f"Bearer {secret}"}).status_code == 200
    again = client.get(PAGE).content.decode()
    assert secret not in again
    assert "night script" in again
    assert secret[:15] in again
    kept = Token.objects.get()
    assert (kept.name, kept.scopes) == ("night script", ["send"])
    assert abs(kept.expiry - timezone.now() - timedelta(days=90)) < timedelta(minutes=1)
    assert Event.objects.filter(verb="token made").count() == 1


def test_an_account_is_offered_the_uses_that_are_its_own() -> None:
    make_season()
    for account, offered in (
        (make_account(), {"send"}),
        (make_researcher(), {"send", "read_data"}),
        (make_coordinator(), {"send", "read_data", "desk"}),
    ):
        page = client_of(account).get(PAGE).content.decode()
        assert set(re.findall(r'name="scopes"\s+value="(\w+)"', page)) == offered


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"password": "not this one at all"}, "password"),
        ({"password": ""}, "password"),
        ({"scopes": []}, "scopes"),
        ({"scopes": ["desk"]}, "scopes"),
        ({"scopes": ["everything"]}, "scopes"),
        ({"days": "0"}, "days"),
        ({"days": "400"}, "days"),
        ({"days": "soon"}, "days"),
        ({"days": "٩"}, "days"),
        ({"days": "9" * 5000}, "days"),
        ({"name": "n" * 81}, "name"),
    ],
    ids=lambda value: str(value)[:40],
)
def test_each_wrong_answer_is_told_at_its_field_and_makes_no_token(change: dict[str, Any], field: str) -> None:
    answer = client_of(make_account()).post(PAGE, GOOD | change)
    assert answer.status_code == 422
    page = answer.content.decode()
    assert f'href="#{field}"' in page
    assert f'id="{field}-fault-1"' in page
    assert "<title>\n  \n    Error: " in page or "Error: " in page.split("</title>")[0]
    assert Token.objects.count() == 0
    if field != "name":
        assert 'value="night script"' in page  # what was typed is kept
    assert PASSWORD not in page


def test_guessing_the_password_here_comes_to_an_end(settings: Any) -> None:
    settings.SIGN_INS_PER_HOUR = 3
    client = client_of(make_account())
    statuses = [client.post(PAGE, GOOD | {"password": "x" * 12}).status_code for _ in range(4)]
    assert statuses == [422, 422, 422, 429]
    assert client.post(PAGE, GOOD).status_code == 429


def test_a_token_is_ended_with_a_press() -> None:
    account = make_account()
    secret = token_of(account)
    client = client_of(account)
    answer = client.post(PAGE, {"do": "end", "key": secret[:15]}, follow=True)
    assert answer.redirect_chain == [(PAGE, 302)]
    assert "The token is ended" in answer.content.decode()
    assert ApiClient().get("/api/v1/sites", headers={"Authorization": f"Bearer {secret}"}).status_code == 401


@pytest.mark.parametrize("key", ["", "tn_nobody", "\0", "x" * 5000])
def test_ending_what_is_not_there_is_told_and_ends_nothing(key: str) -> None:
    account = make_account()
    token_of(account)
    answer = client_of(account).post(PAGE, {"do": "end", "key": key})
    assert answer.status_code == 422
    assert "You have no token that begins like this" in answer.content.decode()
    assert Token.objects.count() == 1


def test_nobody_sees_or_ends_anothers_token() -> None:
    foreign = token_of(make_account())
    client = client_of(make_account())
    assert foreign[:15] not in client.get(PAGE).content.decode()
    assert client.post(PAGE, {"do": "end", "key": foreign[:15]}).status_code == 422
    assert Token.objects.count() == 1


def test_who_has_a_second_factor_gives_it_before_a_token_is_made() -> None:
    """Otherwise a token, which counts as given for a code, would go around it."""
    make_season()
    account = make_coordinator()
    factor_of(account)
    client = Client()
    client.force_login(account)
    for answer in (client.get(PAGE), client.post(PAGE, GOOD)):
        assert answer.status_code == 302
        assert answer["Location"] == "/second-factor/?next=%2Faccount%2Ftokens%2F"
    assert Token.objects.count() == 0


def test_the_form_cannot_be_sent_from_elsewhere() -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(make_account())
    assert client.post(PAGE, GOOD).status_code == 403


def test_the_account_page_leads_here() -> None:
    assert f'href="{PAGE}"' in client_of(make_account()).get("/my/account/").content.decode()


def test_the_page_reads_at_grade_five() -> None:
    """Families may open it. Formula and outside judge of syllables: tests/reading.py."""
    account = make_researcher()
    token_of(account)
    client = client_of(account)
    for answer in (client.get(PAGE), client.post(PAGE, GOOD)):
        assert grade_of(sentences_of(answer.content.decode())).grade <= 5
