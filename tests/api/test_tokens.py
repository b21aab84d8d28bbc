"""Tokens from the first to the last request, and what is left of them anywhere."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.db import connection
from knox.models import get_token_model

from tests.factories import (
    PASSWORD,
    ApiClient,
    make_account,
    make_researcher,
    make_season,
    make_trap,
    return_payload,
    token_of,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def trap() -> Any:
    make_season()
    return make_trap()


def whole_database() -> str:
    """Return every row of every table as text."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT tablename FROM pg_tables WHERE schemaname = 'public'")
        tables = [row[0] for row in cursor.fetchall()]
        texts = []
        for table in tables:
            cursor.execute(f'SELECT row_to_json(t)::text FROM "{table}" t')
            texts += [row[0] for row in cursor.fetchall()]
    return "\n".join(texts)


def get_token(email: str, password: str = PASSWORD) -> Any:
    return ApiClient().send("tokens", {"email": email, "password": password})


def test_no_table_holds_anything_that_opens_the_door() -> None:
    """Every text in the whole database is tried as a token, and so is each half of what was given."""
    account = make_researcher()
    token = get_token(account.email).json()["token"]
    narrow = ApiClient().send(
        "tokens", {"email": account.email, "password": PASSWORD, "name": "night script", "scopes": ["read_data"]}
    )
    assert ApiClient().get("/api/v1/returns", headers={"Authorization": f"Bearer {token}"}).status_code == 200
    dump = whole_database()
    assert narrow.json()["token"] not in dump
    assert "night script" in dump
    assert account.email in dump  # the dump holds what is stored
    assert token not in dump
    assert token[20:] not in dump
    assert PASSWORD not in dump
    for text in set(re.findall(r"[A-Za-z0-9_]{15,}", dump)):
        for guess in (text, f"tn_{text}"):
            answer = ApiClient().get("/api/v1/returns", headers={"Authorization": f"Bearer {guess}"})
            assert answer.status_code == 401, guess


def test_a_token_is_long_enough_not_to_be_guessed() -> None:
    """64 hexadecimal digits are 256 bits; 128 are enough for centuries (NIST SP 800-57 part 1, table 2; from memory)."""
    token = get_token(make_account().email).json()["token"]
    assert re.fullmatch(r"tn_[0-9a-zA-Z]{61,64}", token)


def test_giving_up_one_token_leaves_the_others() -> None:
    account = make_account()
    one, other = (get_token(account.email).json()["token"] for _ in range(2))
    headers = {"Authorization": f"Bearer {one}"}
    assert ApiClient().delete("/api/v1/tokens/current", headers=headers).status_code == 204
    assert ApiClient().get("/api/v1/returns", headers=headers).status_code == 401
    assert ApiClient().get("/api/v1/returns", headers={"Authorization": f"Bearer {other}"}).status_code == 200


@pytest.mark.parametrize(
    "header",
    [
        "Bearer",
        "Bearer ",
        "Bearer a b",
        "Token {}",
        "Basic {}",
        "{}",
        "Bearer tn_",
        "Bearer {}x",
        "Bearer \x00",
        "Bearer é",
    ],
)
def test_a_header_that_holds_no_good_token_opens_nothing(header: str) -> None:
    token = token_of(make_account())
    answer = ApiClient().get("/api/v1/returns", headers={"Authorization": header.format(token)})
    assert answer.status_code == 401
    assert answer["WWW-Authenticate"].startswith("Bearer")
    assert token not in answer.content.decode()


def test_the_scheme_is_read_in_either_case() -> None:
    """RFC 9110, section 11.1: the scheme's name is case-insensitive."""
    token = token_of(make_account())
    assert ApiClient().get("/api/v1/returns", headers={"Authorization": f"bearer {token}"}).status_code == 200


def test_a_token_in_the_address_or_the_body_opens_nothing() -> None:
    """RFC 6750, sections 2.2 and 2.3, allow both; neither is taken, as addresses end up in logs."""
    token = token_of(make_account())
    assert ApiClient().get("/api/v1/returns", {"access_token": token}).status_code == 401
    assert ApiClient().send("returns", {"access_token": token}).status_code == 401


def test_a_wrong_password_an_unknown_and_a_closed_account_hear_the_same() -> None:
    account, closed = make_account(), make_account()
    closed.is_active = False
    closed.save()
    answers = [
        get_token(account.email, "not this one at all"),
        get_token("nobody@test.example"),
        get_token(closed.email),
    ]
    told_apart = {(one.status_code, one.json()["detail"], str(one.json()["errors"])) for one in answers}
    assert len(told_apart) == 1
    assert answers[0].status_code == 401
    assert get_token_model().objects.count() == 0


def test_a_cookie_neither_opens_the_api_nor_changes_who_a_token_is(trap: Any) -> None:
    payload = return_payload(trap)
    ApiClient(trap.site.household.keeper).send("returns", payload)
    client = ApiClient(make_account())
    client.force_login(trap.site.household.keeper)
    assert client.read("returns").json()["items"] == []
    assert client.read(f"returns/{payload['id']}").status_code == 404
    cookies_only = ApiClient()
    cookies_only.force_login(trap.site.household.keeper)
    assert cookies_only.read("returns").status_code == 401


def test_an_account_keeps_no_more_tokens_than_its_share(settings: Any) -> None:
    """Twenty (settings, REST_KNOX): the oldest gives way, and a script that fetches one each night goes on working."""
    account = make_account()
    settings.SIGN_INS_PER_HOUR = 100
    tokens = [get_token(account.email).json()["token"] for _ in range(22)]
    assert get_token_model().objects.filter(user=account).count() == 20
    first, last = (
        ApiClient().get("/api/v1/returns", headers={"Authorization": f"Bearer {token}"}).status_code
        for token in (tokens[0], tokens[-1])
    )
    assert (first, last) == (401, 200)


def test_tries_for_one_account_end_and_do_not_lock_out_another(settings: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    settings.SIGN_INS_PER_HOUR = 3
    monkeypatch.setattr("api.throttling.time.time", lambda: 29_629_020 * 60)  # no hour turns over meanwhile
    account, other = make_account(), make_account()
    statuses = [get_token(account.email.upper(), "not this one at all").status_code for _ in range(5)]
    assert statuses == [401, 401, 401, 429, 429]
    assert get_token(account.email).status_code == 429
    assert get_token(other.email).status_code == 201
