"""Signing in, signing out, joining."""

from __future__ import annotations

from random import Random

import pytest
from django.core.cache import cache
from django.test import Client

from surveys.models import Account, Household
from surveys.web.aliases import FIRST, SECOND, make_alias
from tests.factories import PASSWORD, make_account

pytestmark = pytest.mark.django_db(transaction=True)

ANSWERS = {"kind": "school", "email": "teacher@test.example", "password": PASSWORD, "adult": "yes"}


def title_of(page: str) -> str:
    return page.split("<title>")[1].split("</title>", maxsplit=1)[0].strip()


@pytest.fixture(autouse=True)
def _fresh_allowance():
    cache.clear()


def test_the_right_password_signs_in_and_leads_to_where_somebody_was_going() -> None:
    account = make_account()
    client = Client()
    answer = client.post("/sign-in", {"email": account.email.upper(), "password": PASSWORD, "next": "/codebook/"})
    assert (answer.status_code, answer["Location"]) == (302, "/codebook/")
    assert client.session["_auth_user_id"] == str(account.pk)


@pytest.mark.parametrize("wanted", ["https://elsewhere.example/", "//elsewhere.example", "javascript:alert(1)", ""])
def test_signing_in_never_leads_to_another_site(wanted: str) -> None:
    account = make_account()
    answer = Client().post("/sign-in", {"email": account.email, "password": PASSWORD, "next": wanted})
    assert answer.status_code == 302
    assert answer["Location"] == "/my/returns/"


def test_a_wrong_password_and_an_unknown_address_get_the_same_sentence() -> None:
    account = make_account()
    pages = [
        Client().post("/sign-in", {"email": email, "password": "wrong"}).content.decode()
        for email in (account.email, "nobody@test.example")
    ]
    assert all("do not belong together" in page for page in pages)
    assert all(title_of(page).startswith("Error: ") for page in pages)
    assert account.email in pages[0]
    assert "wrong" not in pages[0].split("</title>")[1].replace("Something went wrong", "")


def test_an_address_with_a_nul_is_nobody_and_no_fault_of_ours() -> None:
    # PostgreSQL takes no NUL in a text ("Character Types" of its manual, from memory), so it must not get there.
    assert Client().post("/sign-in", {"email": "a\0@test.example", "password": PASSWORD}).status_code == 422


def test_guessing_ends_after_the_allowance_even_with_the_right_password(settings) -> None:
    settings.SIGN_INS_PER_HOUR = 3
    account = make_account()
    tries = [Client().post("/sign-in", {"email": account.email, "password": "wrong"}).status_code for _ in range(3)]
    assert tries == [422, 422, 422]
    assert Client().post("/sign-in", {"email": account.email, "password": PASSWORD}).status_code == 429


def test_the_page_and_the_api_share_one_allowance(settings) -> None:
    settings.SIGN_INS_PER_HOUR = 2
    account = make_account()
    for _ in range(2):
        Client().post("/api/v1/tokens", {"email": account.email, "password": "wrong"}, content_type="application/json")
    assert Client().post("/sign-in", {"email": account.email, "password": PASSWORD}).status_code == 429


def test_signing_out_needs_a_form_and_ends_the_session() -> None:
    client = Client()
    client.force_login(make_account())
    assert client.get("/sign-out").status_code == 405
    assert client.post("/sign-out")["Location"] == "/"
    assert "_auth_user_id" not in client.session


def test_joining_opens_an_account_with_a_public_name_made_here() -> None:
    client = Client()
    answer = client.post("/join", ANSWERS)
    assert answer.status_code == 302, answer.content.decode()
    household = Household.objects.get()
    assert household.kind == "school"
    first, second, number = household.alias.split()
    assert first in FIRST
    assert second in SECOND
    assert number.isdigit()
    assert client.session["_auth_user_id"] == str(household.keeper.pk)


def test_joining_with_every_fault_lists_them_all_and_keeps_the_answers() -> None:
    answer = Client().post("/join", {"kind": "school", "email": "not an address", "password": "short"})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert title_of(page).startswith("Error: ")
    for target in ("email", "password", "adult"):
        assert f'href="#{target}"' in page
        assert f'id="{target}"' in page
    assert 'value="not an address"' in page
    assert page.count("checked") == 1  # the school stays chosen, the adult box stays empty
    assert "short" not in page.split("<main")[1].replace("too short", "")
    assert Account.objects.count() == 0


def test_an_account_without_an_adult_is_not_opened() -> None:
    answer = Client().post("/join", {**ANSWERS, "adult": ""})
    assert answer.status_code == 422
    assert "Accounts are for adults." in answer.content.decode()
    assert Account.objects.count() == 0


def test_a_kind_that_the_form_never_offered_opens_nothing() -> None:
    assert Client().post("/join", {**ANSWERS, "kind": "company"}).status_code == 422
    assert Account.objects.count() == 0


def test_a_public_name_that_is_taken_is_followed_by_another(monkeypatch) -> None:
    names = iter(["Mossy Stone 1111", "Mossy Stone 1111", "Mossy Stone 2222"])
    monkeypatch.setattr("surveys.web.people.make_alias", lambda rng: next(names))
    Client().post("/join", ANSWERS)
    Client().post("/join", {**ANSWERS, "email": "other@test.example"})
    assert sorted(Household.objects.values_list("alias", flat=True)) == ["Mossy Stone 1111", "Mossy Stone 2222"]


def test_public_names_are_many_short_and_hold_no_surprise() -> None:
    names = {make_alias(Random(seed)) for seed in range(500)}
    assert len(names) > 495
    # 60 letters is what the table holds.
    assert max(len(f"{first} {second} 9999") for first in FIRST for second in SECOND) <= 60
    assert len(set(FIRST)) == len(FIRST)
    assert len(set(SECOND)) == len(SECOND)


def test_passwords_never_come_back_and_pages_are_not_kept_by_caches() -> None:
    answer = Client().get("/sign-in")
    assert "no-store" in answer["Cache-Control"]
    assert 'autocomplete="current-password"' in answer.content.decode()
