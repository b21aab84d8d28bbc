"""Answers outside any view: what somebody reads who may not see a page, or whose form is stale."""

from __future__ import annotations

import pytest
from django.test import Client
from django.utils import translation

from tests.factories import make_household, make_season

pytestmark = pytest.mark.django_db(transaction=True)

NO_RIGHT = "You may not see this page with this account."
STALE = "This form could not be checked, perhaps because you signed in or out in another tab."
KEEP = "Press Back: what you typed may still be there. Copy long texts first, then load the page again."


def test_a_page_that_is_not_for_this_account_says_only_that() -> None:
    make_season()
    client = Client()
    client.force_login(make_household().keeper)
    answer = client.get("/queue/")
    page = answer.content.decode()
    assert answer.status_code == 403
    assert NO_RIGHT in page
    assert "form" not in page.split("<main")[1].split("</main>")[0]


def test_a_stale_form_is_told_how_to_keep_what_was_typed() -> None:
    answer = Client(enforce_csrf_checks=True).post("/sign-in", {"email": "somebody@test.example"})
    page = answer.content.decode()
    assert answer.status_code == 403
    assert STALE in page
    assert KEEP in page
    assert NO_RIGHT not in page


def test_both_are_said_in_german_too() -> None:
    make_season()
    with translation.override("en"):  # what a request speaks stays with the thread
        _read_in_german()


def _read_in_german() -> None:
    client = Client(headers={"accept-language": "de"})
    client.force_login(make_household().keeper)
    assert "Sie dürfen diese Seite mit diesem Konto nicht sehen." in client.get("/queue/").content.decode()
    strict = Client(enforce_csrf_checks=True, headers={"accept-language": "de"})
    assert "Drücken Sie auf Zurück" in strict.post("/sign-in", {}).content.decode()
    assert "Hier ist nichts" in strict.get("/nothing-of-that-name/").content.decode()
