"""Pages of the second factor: once a session, an hour without a request at most, and never a way to another site."""

from __future__ import annotations

import re
import time
from base64 import b32decode
from typing import Any

import pytest
from django.contrib.sessions.models import Session
from django.test import Client
from django_otp import DEVICE_ID_SESSION_KEY
from django_otp.oath import totp
from django_otp.plugins.otp_totp.models import TOTPDevice
from knox.models import get_token_model

from surveys.models import Account, Event
from surveys.permissions import has_second_factor
from surveys.services.second_factor import make_backup_codes
from surveys.web.idle import USED_AT
from tests.factories import (
    PASSWORD,
    client_of,
    code_of,
    factor_of,
    make_account,
    make_coordinator,
    make_operator,
    make_researcher,
    make_season,
)
from tests.reading import grade_of, sentences_of

pytestmark = pytest.mark.django_db(transaction=True)

ASK, NEW, CODES = "/second-factor/", "/second-factor/new/", "/second-factor/codes/"


@pytest.fixture
def coordinator() -> Account:
    make_season()
    return make_coordinator("eastmark")


def signed_in(account: Account) -> Client:
    """Return a browser in which the password was typed, and no code yet."""
    client = Client()
    client.force_login(account)
    return client


def set_up(client: Client) -> Any:
    """Set the factor up as an app would that was given the key by hand; return the page after it."""
    page = client.get(NEW).content.decode()
    letters = re.search(r'<code class="key"[^>]*>([A-Z2-7 ]+)</code>', page)
    assert letters
    secret = b32decode(letters[1].replace(" ", ""))
    return client.post(NEW, {"code": f"{totp(secret):06d}"})


def shown_codes(answer: Any) -> list[str]:
    return re.findall(r"<code data-precise>([0-9a-z]{5}-[0-9a-z]{5})</code>", answer.content.decode())


# --- the way in ----------------------------------------------------------------------------------


def test_a_coordinator_without_a_factor_is_led_to_set_it_up_and_then_on(coordinator: Account) -> None:
    client = signed_in(coordinator)
    first = client.get("/queue/?after=x")
    assert first["Location"] == "/second-factor/?next=/queue/%3Fafter%3Dx"
    second = client.get(first["Location"])
    assert second["Location"] == "/second-factor/new/?next=%2Fqueue%2F%3Fafter%3Dx"
    page = client.get(second["Location"])
    assert page.status_code == 200
    assert 'name="next" value="/queue/?after=x"' in page.content.decode()


def test_a_coordinator_with_a_factor_gives_its_code_once_a_session_and_goes_on(coordinator: Account) -> None:
    factor_of(coordinator)
    client = signed_in(coordinator)
    answer = client.post(ASK, {"code": code_of(coordinator), "next": "/overdue/"})
    assert (answer.status_code, answer["Location"]) == (302, "/overdue/")
    assert [client.get(path).status_code for path in ("/overdue/", "/queue/")] == [200, 200]
    assert signed_in(coordinator).get("/queue/").status_code == 302  # another browser is another session


def test_the_session_gets_a_new_key_with_the_code(coordinator: Account) -> None:
    factor_of(coordinator)
    client = signed_in(coordinator)
    before = client.session.session_key
    client.post(ASK, {"code": code_of(coordinator)})
    assert client.session.session_key != before
    assert not Session.objects.filter(session_key=before).exists()


@pytest.mark.parametrize("wanted", ["https://elsewhere.example/", "//elsewhere.example", "javascript:alert(1)", ""])
def test_the_code_never_leads_to_another_site(coordinator: Account, wanted: str) -> None:
    factor_of(coordinator)
    answer = signed_in(coordinator).post(ASK, {"code": code_of(coordinator), "next": wanted})
    assert answer["Location"] == "/queue/"


def test_an_operator_goes_to_the_people(coordinator: Account) -> None:
    operator = make_operator()
    factor_of(operator)
    assert signed_in(operator).post(ASK, {"code": code_of(operator)})["Location"] == "/desk/people/"


@pytest.mark.parametrize("code", ["", "000000", "aaaaa-aaaaa", "\0"])
def test_a_wrong_code_stays_on_the_page_and_opens_nothing(coordinator: Account, code: str) -> None:
    factor_of(coordinator)
    client = signed_in(coordinator)
    answer = client.post(ASK, {"code": code, "next": "/overdue/"})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "This code is not right" in page
    assert 'name="next" value="/overdue/"' in page
    assert client.get("/queue/").status_code == 302


def test_right_after_a_wrong_code_the_page_says_how_long_to_wait(coordinator: Account) -> None:
    factor_of(coordinator)
    client = signed_in(coordinator)
    client.post(ASK, {"code": "000000"})
    answer = client.post(ASK, {"code": code_of(coordinator)})
    assert answer.status_code == 429
    assert "Wait 1 second," in answer.content.decode()


def test_guessing_ends_after_the_allowance_even_with_the_right_code(coordinator: Account) -> None:
    factor_of(coordinator)
    client = signed_in(coordinator)
    for _ in range(30):
        TOTPDevice.objects.update(throttling_failure_count=0)
        assert client.post(ASK, {"code": "000000"}).status_code == 422
    TOTPDevice.objects.update(throttling_failure_count=0)
    assert client.post(ASK, {"code": code_of(coordinator)}).status_code == 429
    assert client.get("/queue/").status_code == 302


def test_a_backup_code_opens_the_desk_once(coordinator: Account) -> None:
    factor_of(coordinator)
    code = make_backup_codes(by=coordinator)[0]
    client = signed_in(coordinator)
    assert client.post(ASK, {"code": code}).status_code == 302
    assert client.get("/queue/").status_code == 200
    assert "9 backup codes left" in client.get(CODES).content.decode()
    assert signed_in(coordinator).post(ASK, {"code": code}).status_code == 422


def test_the_code_of_another_person_in_ones_session_opens_nothing(coordinator: Account) -> None:
    other = make_coordinator("westmark")
    client = signed_in(coordinator)
    session = client.session
    session[DEVICE_ID_SESSION_KEY], session[USED_AT] = factor_of(other).persistent_id, int(time.time())  # type: ignore[union-attr]
    session.save()
    factor_of(coordinator)
    assert client.get("/queue/").status_code == 302


# --- how long it lasts ---------------------------------------------------------------------------


@pytest.mark.parametrize(("idle_s", "status"), [(3590, 200), (3610, 302), (10**6, 302)])
def test_an_hour_without_a_request_asks_for_the_code_again(coordinator: Account, idle_s: int, status: int) -> None:
    client = client_of(coordinator)
    session = client.session
    session[USED_AT] = int(time.time()) - idle_s
    session.save()
    assert client.get("/queue/").status_code == status
    # The password need not be typed again: what a family sees stays open.
    assert client.get("/my/returns/").status_code == 200


def test_every_request_begins_the_hour_anew(coordinator: Account) -> None:
    client = client_of(coordinator)
    session = client.session
    session[USED_AT] = int(time.time()) - 3000
    session.save()
    client.get("/my/returns/")
    assert time.time() - client.session[USED_AT] < 60


def test_a_session_that_does_not_say_when_it_was_used_is_idle(coordinator: Account) -> None:
    client = client_of(coordinator)
    session = client.session
    del session[USED_AT]
    session.save()
    assert client.get("/queue/").status_code == 302


def test_signing_out_ends_it_and_a_new_password_leaves_other_browsers_without_it(coordinator: Account) -> None:
    client = client_of(coordinator)
    client.post("/sign-out")
    client.force_login(coordinator)
    assert client.get("/queue/").status_code == 302


def test_a_family_is_never_asked() -> None:
    make_season()
    client = Client()
    account = make_account()
    client.post("/sign-in", {"email": account.email, "password": PASSWORD})
    assert client.get("/my/returns/").status_code == 200
    assert [client.get(path).status_code for path in (ASK, NEW, CODES)] == [403, 403, 403]


def test_a_researcher_is_not_asked_either() -> None:
    assert [signed_in(make_researcher()).get(path).status_code for path in (ASK, NEW, CODES)] == [403, 403, 403]


# --- setting it up -------------------------------------------------------------------------------


def test_setting_it_up_shows_ten_codes_this_once_and_opens_the_desk(coordinator: Account) -> None:
    get_token_model().objects.create(user=coordinator)
    client = signed_in(coordinator)
    before = client.session.session_key
    answer = set_up(client)
    assert answer.status_code == 200
    assert len(set(shown_codes(answer))) == 10
    assert client.session.session_key != before
    assert client.get("/queue/").status_code == 200
    assert shown_codes(client.get(CODES)) == []
    assert get_token_model().objects.count() == 0


def test_the_page_shows_the_same_key_until_it_is_confirmed_and_keeps_none_after(coordinator: Account) -> None:
    client = signed_in(coordinator)
    keys = {re.search(r'class="key"[^>]*>([^<]+)<', client.get(NEW).content.decode())[1] for _ in range(2)}  # type: ignore[index]
    assert len(keys) == 1
    set_up(client)
    assert "second_factor_key" not in client.session


def test_the_square_is_drawn_in_the_page_and_asks_nobody(coordinator: Account) -> None:
    page = signed_in(coordinator).get(NEW).content.decode()
    assert re.search(r'<svg aria-hidden="true"[^>]*class="square-code"', page)
    assert "style=" not in page.split('<div class="square">')[1].split("</div>")[0]


def test_a_wrong_code_sets_nothing_up_and_the_key_stays(coordinator: Account) -> None:
    client = signed_in(coordinator)
    client.get(NEW)
    answer = client.post(NEW, {"code": "000000"})
    assert answer.status_code == 422
    assert not has_second_factor(coordinator)
    assert set_up(client).status_code == 200


def test_a_form_without_its_key_begins_anew(coordinator: Account) -> None:
    assert signed_in(coordinator).post(NEW, {"code": "000000"}).status_code == 422
    assert not has_second_factor(coordinator)


def test_the_password_alone_neither_replaces_the_app_nor_shows_codes(coordinator: Account) -> None:
    """A thief with the password must not set up an app of his own."""
    factor_of(coordinator)
    client = signed_in(coordinator)
    for answer in (client.get(NEW), client.post(NEW, {"code": "000000"}), client.get(CODES), client.post(CODES)):
        assert answer.status_code == 302
        assert answer["Location"].startswith("/second-factor/?next=")
    assert not Event.objects.filter(verb="backup codes made").exists()


def test_a_new_phone_takes_the_place_of_the_old_one(coordinator: Account) -> None:
    old = factor_of(coordinator)
    client, elsewhere = client_of(coordinator), client_of(coordinator)
    assert set_up(client).status_code == 200
    assert TOTPDevice.objects.get().pk != old.pk  # type: ignore[union-attr]
    assert client.get("/queue/").status_code == 200
    assert elsewhere.get("/queue/").status_code == 302  # what rested on the old phone ended with it


def test_new_backup_codes_are_shown_once(coordinator: Account) -> None:
    client = client_of(coordinator)
    assert "0 backup codes left" in client.get(CODES).content.decode()
    assert len(shown_codes(client.post(CODES))) == 10
    assert client.get("/queue/").status_code == 200
    assert "10 backup codes left" in client.get(CODES).content.decode()


def test_no_page_with_a_secret_is_kept_by_a_cache(coordinator: Account) -> None:
    client = signed_in(coordinator)
    assert "no-store" in client.get(NEW)["Cache-Control"]
    assert "no-store" in set_up(client)["Cache-Control"]
    assert "no-store" in client.post(CODES)["Cache-Control"]


@pytest.mark.parametrize("path", [ASK, NEW, CODES])
def test_a_form_from_another_site_changes_nothing(coordinator: Account, path: str) -> None:
    factor_of(coordinator)
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(coordinator)
    assert strict.post(path, {"code": code_of(coordinator)}).status_code == 403


def test_the_pages_read_easily(coordinator: Account) -> None:
    factor_of(coordinator)
    pages = {ASK: signed_in(coordinator), NEW: client_of(coordinator), CODES: client_of(coordinator)}
    for path, client in pages.items():
        sentences = sentences_of(client.get(path).content.decode())
        assert grade_of(sentences).grade <= 8, path


def test_my_account_leads_coordinators_to_it_and_nobody_else(coordinator: Account) -> None:
    page = signed_in(coordinator).get("/my/account/").content.decode()
    assert f'href="{NEW}"' in page
    assert f'href="{CODES}"' in client_of(coordinator).get("/my/account/").content.decode()
    assert "second-factor" not in signed_in(make_account()).get("/my/account/").content.decode()


def test_the_tick_of_the_morning_letter_is_kept(coordinator: Account) -> None:
    client = signed_in(coordinator)
    assert re.search(r'name="wanted"[^>]*checked', client.get("/my/account/").content.decode())
    client.post("/my/account/morning-letter", {})
    assert not re.search(r'name="wanted"[^>]*checked', client.get("/my/account/").content.decode())
    client.post("/my/account/morning-letter", {"wanted": "yes"})
    coordinator.refresh_from_db()
    assert coordinator.morning_letter
