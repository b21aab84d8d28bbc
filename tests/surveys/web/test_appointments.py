"""The page of people and the page of an invitation, for everybody who may come there and everybody who may not."""

from __future__ import annotations

import re
from datetime import timedelta
from smtplib import SMTPServerDisconnected
from typing import Any

import pytest
from allauth.account.models import EmailAddress
from django.core import mail
from django.test import Client
from django.utils import timezone
from django_otp.plugins.otp_totp.models import TOTPDevice

from surveys.models import Account, Appointment, Invitation
from surveys.permissions import has_second_factor
from surveys.services.appointments import invite
from surveys.vocabulary import Language, Role
from tests.factories import (
    PASSWORD,
    client_of,
    make_account,
    make_coordinator,
    make_operator,
    make_researcher,
    make_season,
)
from tests.reading import grade_of, reading_grade, sentences_of

pytestmark = pytest.mark.django_db(transaction=True)

PEOPLE, INVITE, NEW = "/desk/people/", "/desk/people/invite/", "new@test.example"
FORM = {"email": NEW, "task": "some", "regions": ["eastmark", "westmark"]}


@pytest.fixture
def lead() -> Account:
    make_season()
    return make_coordinator()


def link_in_mail() -> str:
    """Return the path of the link in the newest mail."""
    found = re.search(r"https?://[^/\s]+(/invitation/[\w-]+/)", mail.outbox[-1].body)
    assert found
    return found[1]


def page_of(client: Client, path: str) -> str:
    answer = client.get(path)
    assert answer.status_code == 200, path
    return str(answer.content.decode())


def invited(**changes: Any) -> str:
    """Write an invitation down and return the path of its link."""
    given = {"by": None, "email": NEW, "role": Role.COORDINATOR, "regions": ["eastmark"], "now": timezone.now()}
    return f"/invitation/{invite(**{**given, **changes}).link}/"


# --- who sees whom -------------------------------------------------------------------------------


def test_a_lead_and_an_operator_see_everybody_with_role_region_day_and_factor(lead: Account) -> None:
    east, researcher, operator = make_coordinator("eastmark"), make_researcher(), make_operator()
    for who in (lead, operator):
        page = page_of(client_of(who), PEOPLE)
        for one in (lead, east, researcher, operator):
            assert one.email in page
        assert "Eastmark" in page
        assert "all regions" in page
        assert page.count("not yet") == (3 if who is lead else 2)  # whoever looks has set it up by then
        assert f'href="{INVITE}"' in page


def test_a_coordinator_sees_her_regions_and_who_cares_for_all_and_may_invite_nobody(lead: Account) -> None:
    east, west, researcher, operator = (
        make_coordinator("eastmark"), make_coordinator("westmark"), make_researcher(), make_operator(),
    )  # fmt: skip
    client = client_of(east)
    page = page_of(client, PEOPLE)
    assert east.email in page
    assert lead.email in page
    for hidden in (west, researcher, operator):
        assert hidden.email not in page
    assert "Westmark" not in page
    assert INVITE not in page
    invitation = invited() and Invitation.objects.get()
    for path in (
        INVITE,
        f"/desk/people/invitations/{invitation.pk}/",
        f"/desk/people/appointments/{lead.appointments.get().pk}/",
        f"/desk/people/{west.pk}/second-factor/",
    ):
        assert client.post(path, FORM).status_code == 403, path
    assert (Invitation.objects.get().called_back_at, Appointment.objects.count()) == (None, 5)


def test_somebody_with_two_regions_stands_in_one_row_and_foreign_regions_stay_hidden(lead: Account) -> None:
    both = make_coordinator("eastmark", "westmark")
    east = make_coordinator("eastmark")
    assert page_of(client_of(lead), PEOPLE).count(f">{both.email}<") == 1
    page = page_of(client_of(east), PEOPLE)
    assert both.email in page
    assert "Westmark" not in page


def test_families_and_researchers_do_not_come_in(lead: Account) -> None:
    for who in (make_account(), make_researcher()):
        assert client_of(who).get(PEOPLE).status_code == 403


# --- inviting ------------------------------------------------------------------------------------


def test_an_invitation_goes_out_once_with_a_link_that_opens_its_page(lead: Account) -> None:
    client = client_of(lead)
    answer = client.post(INVITE, FORM)
    assert (answer.status_code, answer["Location"]) == (302, PEOPLE)
    assert [one.to for one in mail.outbox] == [[NEW]]
    assert "Eastmark" in mail.outbox[0].body
    assert mail.outbox[0].extra_headers["Auto-Submitted"] == "auto-generated"
    assert reading_grade(mail.outbox[0].body.split("http")[0]) <= 8
    page = page_of(client, PEOPLE)
    assert page.count(NEW) == 2  # one row for each region, and each can be called back by itself
    assert page_of(Client(), link_in_mail()).count("Eastmark") == 1


def test_the_mail_comes_in_the_language_of_whoever_has_an_account(lead: Account) -> None:
    make_account(email=NEW)
    Account.objects.filter(email=NEW).update(language=Language.GERMAN)
    client_of(lead).post(INVITE, FORM)
    assert "Koordination" in mail.outbox[0].body


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"email": "nobody"}, "does not read like an email address"),
        ({"regions": []}, "Choose the regions"),
        ({"regions": ["nowhere"]}, "not known here"),
    ],
)
def test_a_faulty_form_says_what_to_mend_and_keeps_what_was_typed(lead: Account, changes: Any, words: str) -> None:
    answer = client_of(lead).post(INVITE, {**FORM, **changes})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert words in page
    assert f'value="{changes.get("email", NEW)}"' in page
    assert (Invitation.objects.count(), mail.outbox) == (0, [])


def test_a_mail_that_is_lost_is_told_and_not_sent_again(lead: Account, monkeypatch: pytest.MonkeyPatch) -> None:
    def lost(*_: Any, **__: Any) -> int:
        raise SMTPServerDisconnected

    monkeypatch.setattr("django.core.mail.backends.locmem.EmailBackend.send_messages", lost)
    client = client_of(lead)
    assert "could not be handed in" in client.post(INVITE, FORM, follow=True).content.decode()
    assert Invitation.objects.count() == 2


def test_inviting_ends_after_the_allowance(lead: Account) -> None:
    client = client_of(lead)
    for number in range(40):
        assert client.post(INVITE, {**FORM, "email": f"n{number}@test.example"}).status_code == 302
    assert client.post(INVITE, FORM).status_code == 429
    assert len(mail.outbox) == 40


def test_an_invitation_is_called_back_by_its_button(lead: Account) -> None:
    link = invited()
    client = client_of(lead)
    client.post(f"/desk/people/invitations/{Invitation.objects.get().pk}/")
    assert NEW not in page_of(client, PEOPLE)
    assert Client().get(link).status_code == 410


# --- ending, resetting ---------------------------------------------------------------------------


def test_an_appointment_is_ended_after_asking_and_the_next_request_is_refused(lead: Account) -> None:
    east = make_coordinator("eastmark")
    desk, client = client_of(east), client_of(lead)
    assert desk.get("/queue/").status_code == 200
    path = f"/desk/people/appointments/{east.appointments.get().pk}/"
    assert east.email in page_of(client, path)
    assert desk.get("/queue/").status_code == 200  # looking at the question ends nothing
    assert client.post(path).status_code == 302
    assert desk.get("/queue/").status_code == 403
    assert desk.get("/my/returns/").status_code == 200
    assert client.post(path).status_code == 404


def test_ones_own_last_lead_appointment_is_refused_in_words(lead: Account) -> None:
    client = client_of(lead)
    answer = client.post(f"/desk/people/appointments/{lead.appointments.get().pk}/")
    assert answer.status_code == 409
    assert "This is what lets you appoint others" in answer.content.decode()
    assert client.get(PEOPLE).status_code == 200


def test_a_lost_phone_is_taken_off_after_asking(lead: Account) -> None:
    east = make_coordinator("eastmark")
    client_of(east)
    client, path = client_of(lead), f"/desk/people/{east.pk}/second-factor/"
    assert east.email in page_of(client, path)
    assert has_second_factor(east)
    assert client.post(path).status_code == 302
    assert not has_second_factor(east)


def test_a_lead_cannot_take_it_off_an_operator_nor_off_herself(lead: Account) -> None:
    operator = make_operator()
    client_of(operator)
    client = client_of(lead)
    for who in (operator, lead):
        assert client.post(f"/desk/people/{who.pk}/second-factor/").status_code == 409
    assert TOTPDevice.objects.count() == 2


def test_a_family_is_nobody_on_these_pages(lead: Account) -> None:
    family = make_account()
    assert client_of(lead).get(f"/desk/people/{family.pk}/second-factor/").status_code == 404


# --- the page of an invitation -------------------------------------------------------------------


def test_somebody_unknown_is_told_to_sign_in_or_join_and_comes_back(lead: Account) -> None:
    link = invited()
    make_account(email=NEW)
    client = Client()
    page = page_of(client, link)
    assert f'href="/sign-in?next={link}"' in page
    assert "Take it up" not in page
    assert client.post(link).status_code == 200
    assert Appointment.objects.filter(account__email=NEW).count() == 0
    assert client.post("/sign-in", {"email": NEW, "password": PASSWORD, "next": link})["Location"] == link
    assert "Take it up" in page_of(client, link)
    answer = client.post(link)
    assert (answer.status_code, answer["Location"]) == (302, PEOPLE)
    assert client.get(PEOPLE)["Location"] == "/second-factor/?next=/desk/people/"


def test_whoever_joins_on_the_way_comes_back_with_the_code_of_the_mail(lead: Account) -> None:
    link = invited()
    client = Client()
    client.get(link)
    form = {"kind": "household", "email": NEW, "password": PASSWORD, "adult": "yes", "consent": "1 CC-BY-4.0"}
    assert client.post("/join", form)["Location"] == "/join/confirm"
    code = re.search(r"\b\d{3}-\d{3}\b", mail.outbox[-1].body)
    assert code
    assert client.post("/join/confirm", {"code": code[0]})["Location"] == link
    assert client.post(link).status_code == 302
    assert Appointment.objects.get(account__email=NEW).region.code == "eastmark"  # type: ignore[union-attr]


def test_an_address_that_is_not_confirmed_is_confirmed_first(lead: Account) -> None:
    link, account = invited(), make_account(email=NEW)
    EmailAddress.objects.filter(user=account).update(verified=False)
    client = client_of(account)
    assert 'href="/join/confirm"' in page_of(client, link)
    assert client.post(link).status_code == 422
    assert account.appointments.count() == 0


def test_another_address_is_told_so_without_learning_which_it_is(lead: Account) -> None:
    link, thief = invited(), make_account()
    client = client_of(thief)
    page = page_of(client, link)
    assert "another email address" in page
    assert NEW not in page
    answer = client.post(link)
    assert answer.status_code == 422
    assert NEW not in answer.content.decode()
    assert thief.appointments.count() == 0


def test_a_link_that_is_over_says_so_and_one_that_nobody_made_is_not_there(lead: Account) -> None:
    link = invited(now=timezone.now() - timedelta(days=7))
    answer = client_of(make_account(email=NEW)).get(link)
    assert answer.status_code == 410
    assert "does not count any more" in answer.content.decode()
    assert Client().get("/invitation/nobody-made-this/").status_code == 404


def test_a_used_link_shows_nothing_of_what_it_was(lead: Account) -> None:
    link = invited()
    client = client_of(make_account(email=NEW))
    client.post(link)
    page = Client().get(link)
    assert page.status_code == 410
    assert "Eastmark" not in page.content.decode()


def test_the_link_is_told_to_no_other_site(lead: Account) -> None:
    """W3C Referrer Policy, section 3.4: with "same-origin" no other origin hears of the address."""
    answer = Client().get(invited())
    assert answer["Referrer-Policy"] == "same-origin"
    assert "no-store" in answer["Cache-Control"]


def test_a_form_from_another_site_takes_nothing_up(lead: Account) -> None:
    link, account = invited(), make_account(email=NEW)
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(account)
    assert strict.post(link).status_code == 403
    assert account.appointments.count() == 0


def test_the_pages_read_easily(lead: Account) -> None:
    east = make_coordinator("eastmark")
    client_of(east)
    link, client = invited(), client_of(lead)
    paths = [
        PEOPLE, INVITE, link, f"/desk/people/appointments/{east.appointments.get().pk}/",
        f"/desk/people/{east.pk}/second-factor/",
    ]  # fmt: skip
    for path in paths:
        assert grade_of(sentences_of(page_of(client, path))).grade <= 8, path
    assert grade_of(sentences_of(page_of(client_of(make_account(email=NEW)), link))).grade <= 8
