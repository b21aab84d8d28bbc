"""The bearer token: RFC 6750, section 2.1, and nothing else opens the API."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone
from knox.models import get_token_model
from rest_framework.response import Response
from rest_framework.test import APIRequestFactory

from api.base import Resource
from api.permissions import rule
from surveys.models import Account
from surveys.permissions import Rule
from tests.factories import make_account, token_of

pytestmark = pytest.mark.django_db


class Tried(Resource):
    """Says who is asking."""

    permission_classes = [rule(Rule.ANYONE)]
    scope = None

    def get(self, request: Any) -> Response:
        return Response({"who": request.user.pk})


@pytest.fixture
def account() -> Account:
    return make_account()


def answer_to(header: str | None) -> Response:
    """Return what an open address answers to an Authorization header."""
    headers = {} if header is None else {"Authorization": header}
    answer: Response = Tried.as_view()(APIRequestFactory().get("/api/v1/tried", headers=headers))
    return answer


@pytest.mark.parametrize("word", ["Bearer", "bearer", "BEARER"])
def test_a_token_says_who_is_asking(account: Account, word: str) -> None:
    """RFC 9110, section 11.1: the name of a scheme may be written in any case."""
    assert answer_to(f"{word} {token_of(account)}").data == {"who": account.pk}


def test_a_token_begins_with_the_letters_by_which_it_can_be_found(account: Account) -> None:
    assert token_of(account).startswith("tn_")


def test_no_token_is_nobody_and_no_fault() -> None:
    assert answer_to(None).data == {"who": None}


@pytest.mark.parametrize("scheme", ["Basic", "Token", "Digest"])
def test_another_scheme_is_nobody(account: Account, scheme: str) -> None:
    assert answer_to(f"{scheme} {token_of(account)}").data == {"who": None}


def assert_not_known(answer: Any) -> None:
    """RFC 9110, section 15.5.2: a 401 must say in WWW-Authenticate how to do better."""
    assert answer.status_code == 401
    assert answer["WWW-Authenticate"].startswith("Bearer")
    assert answer.data["detail"] == "This token is not known, or has run out. Get a new one at /api/v1/tokens."


@pytest.mark.parametrize(
    "changed",
    [
        lambda token: token[:-1],
        lambda token: token + "a",
        lambda token: token.upper(),
        lambda token: token[:15] + "0" * (len(token) - 15),  # the part by which the row is found, and another rest
        lambda token: token[:15],
        lambda token: "",
        lambda token: f"{token} {token}",
        lambda token: "ÿþ",
        lambda token: "tn_" + "x" * 10_000,
    ],
)
def test_a_changed_token_is_refused_in_one_sentence(account: Account, changed: Any) -> None:
    assert_not_known(answer_to(f"Bearer {changed(token_of(account))}"))


def test_what_is_stored_does_not_open_the_door(account: Account) -> None:
    """ASVS 5.0, 11.4: of a token only a digest is kept, so that a stolen table is of no use."""
    token = token_of(account)
    row = get_token_model().objects.get(user=account)
    assert token not in (row.digest, row.token_key)
    assert_not_known(answer_to(f"Bearer {row.digest}"))
    assert_not_known(answer_to(f"Bearer {row.token_key}"))


def test_a_token_that_has_run_out_is_refused_and_swept_away(account: Account) -> None:
    token = token_of(account)
    get_token_model().objects.update(expiry=timezone.now() - timedelta(seconds=1))
    assert_not_known(answer_to(f"Bearer {token}"))
    assert not get_token_model().objects.exists()


def test_a_token_runs_out_after_ninety_days(account: Account) -> None:
    token_of(account)
    left = get_token_model().objects.get().expiry - timezone.now()
    assert timedelta(days=89, hours=23) < left <= timedelta(days=90)


def test_a_closed_account_is_refused_in_the_same_words(account: Account) -> None:
    token = token_of(account)
    Account.objects.filter(pk=account.pk).update(is_active=False)
    assert_not_known(answer_to(f"Bearer {token}"))


def test_a_session_cookie_opens_no_address_of_the_api(account: Account) -> None:
    """So no form on another site can write through the browser of somebody who is signed in."""
    client = Client()
    client.force_login(account)
    answer = client.get("/api/v1/returns")
    assert answer.status_code == 401
    assert answer["WWW-Authenticate"].startswith("Bearer")


def test_a_token_in_the_address_is_no_token(account: Account) -> None:
    """RFC 6750, section 5.3: never pass tokens in page addresses; they end up in logs."""
    assert Client().get("/api/v1/returns", {"access_token": token_of(account)}).status_code == 401
