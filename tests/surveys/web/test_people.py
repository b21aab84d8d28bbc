"""Signing in, signing out, joining, confirming a mail address."""

from __future__ import annotations

import re
from random import Random
from smtplib import SMTPServerDisconnected

import pytest
from allauth.account.models import EmailAddress
from django.conf import settings
from django.core import mail
from django.db import connection
from django.template import RequestContext, Template
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from surveys.models import Account, Consent, Event, Household, Season
from surveys.services.people import open_account
from surveys.web.aliases import FIRST, SECOND, make_alias
from tests.factories import PASSWORD, make_account, make_season
from tests.frozen import thawed

pytestmark = pytest.mark.django_db(transaction=True)

CONSENT = "1 CC-BY-4.0"
ANSWERS = {
    "kind": "school", "email": "teacher@test.example", "password": PASSWORD, "adult": "yes", "consent": CONSENT,
}  # fmt: skip


def code_in_mail() -> str:
    """Return the code that stands in the newest mail."""
    return re.search(r"\b\d{3}-\d{3}\b", mail.outbox[-1].body)[0]  # type: ignore[index]


def joined(**changes: str) -> Client:
    """Return a client that has joined and not confirmed."""
    client = Client()
    assert client.post("/join", {**ANSWERS, **changes}).status_code == 302
    return client


def spoken(answer) -> str:
    """Return a page without what is random on every page: the token of its forms."""
    return re.sub(r'name="csrfmiddlewaretoken" value="[^"]+"', "", answer.content.decode())


def title_of(page: str) -> str:
    return page.split("<title>")[1].split("</title>", maxsplit=1)[0].strip()


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


def test_every_page_with_the_button_to_sign_out_asks_first_where_something_is_not_sent() -> None:
    client = Client()
    assert 'id="unsent"' not in client.get("/").content.decode()
    client.force_login(make_account())
    for path in ("/", "/my/returns/", "/guide/"):
        page = client.get(path).content.decode()
        assert page.count(" data-sign-out") == page.count('<dialog id="unsent"') == 1
        assert page.count("signing_out.js") == 1


def test_signing_out_needs_a_form_and_ends_the_session() -> None:
    client = Client()
    client.force_login(make_account())
    assert client.get("/sign-out").status_code == 405
    assert client.post("/sign-out")["Location"] == "/"
    assert "_auth_user_id" not in client.session


def test_joining_opens_an_account_with_a_public_name_made_here() -> None:
    client = Client()
    answer = client.post("/join", ANSWERS)
    assert (answer.status_code, answer["Location"]) == (302, "/join/confirm"), answer.content.decode()
    household = Household.objects.get()
    assert household.kind == "school"
    first, second, number = household.alias.split()
    assert first in FIRST
    assert second in SECOND
    assert number.isdigit()
    # Signing in at once would tell that the address was new.
    assert "_auth_user_id" not in client.session


def test_the_code_from_the_mail_confirms_the_address_and_signs_in() -> None:
    client = joined()
    assert [one.to for one in mail.outbox] == [["teacher@test.example"]]
    page = client.get("/join/confirm").content.decode()
    assert "teacher@test.example" in page
    assert code_in_mail() not in page
    answer = client.post("/join/confirm", {"code": code_in_mail()})
    assert (answer.status_code, answer["Location"]) == (302, "/my/sites/")
    account = Account.objects.get()
    assert client.session["_auth_user_id"] == str(account.pk)
    assert EmailAddress.objects.get().verified
    assert list(Event.objects.values_list("verb", flat=True)) == [
        "account opened", "household founded", "consent given", "mail confirmed",
    ]  # fmt: skip
    assert Household.objects.get().alias in client.get("/my/account/").content.decode()


@pytest.mark.parametrize("typed", ["{} {}", "{}{}", "{}-{}", " {}-{} "])
def test_a_code_is_read_with_or_without_its_dash_and_stray_spaces(typed: str) -> None:
    client = joined()
    assert client.post("/join/confirm", {"code": typed.format(*code_in_mail().split("-"))}).status_code == 302
    assert EmailAddress.objects.get().verified


def wrong_code() -> str:
    return "111-111" if code_in_mail() != "111-111" else "222-222"


@pytest.mark.parametrize("typed", ["", "0", "12\x00345", "<script>alert(1)</script>", "٣٣٣٣٣٣", "9" * 5000, None])
def test_a_wrong_code_is_refused_in_words_and_confirms_nothing(typed: str | None) -> None:
    client = joined()
    answer = client.post("/join/confirm", {"code": typed or wrong_code()})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert title_of(page).startswith("Error: ")
    assert "This is not the code from the email." in page
    assert 'href="#code"' in page
    assert "<script>alert" not in page
    assert not EmailAddress.objects.get().verified
    assert "_auth_user_id" not in client.session


def test_the_third_wrong_code_ends_the_code_and_the_right_one_comes_too_late() -> None:
    client = joined()
    right = code_in_mail()
    answers = [client.post("/join/confirm", {"code": wrong_code()}) for _ in range(3)]
    assert [one.status_code for one in answers] == [422, 422, 422]
    assert "Sign in, then send a new one." in answers[2].content.decode()
    assert client.post("/join/confirm", {"code": right}).status_code == 422
    assert not EmailAddress.objects.get().verified


def test_a_code_counts_for_an_hour(monkeypatch) -> None:
    client = joined()
    later = timezone.now().timestamp() + 3601
    monkeypatch.setattr("allauth.account.internal.flows.code_verification.time.time", lambda: later)
    assert client.post("/join/confirm", {"code": code_in_mail()}).status_code == 422
    assert not EmailAddress.objects.get().verified


def test_a_new_code_takes_the_place_of_the_old_one() -> None:
    client = joined()
    old = code_in_mail()
    assert client.post("/join/confirm", {"do": "send"}).status_code == 302
    assert len(mail.outbox) == 2
    if old != code_in_mail():
        assert client.post("/join/confirm", {"code": old}).status_code == 422
    assert client.post("/join/confirm", {"code": code_in_mail()}).status_code == 302
    assert EmailAddress.objects.get().verified


def test_a_code_of_one_browser_is_of_no_use_in_another() -> None:
    joined()
    stranger = Client()
    assert stranger.post("/join/confirm", {"code": code_in_mail()}).status_code == 422
    assert not EmailAddress.objects.get().verified
    other = joined(email="other@test.example")
    code = re.search(r"\d{3}-\d{3}", mail.outbox[0].body)[0]  # type: ignore[index]
    if code != code_in_mail():
        assert other.post("/join/confirm", {"code": code}).status_code == 422


def test_confirming_twice_changes_nothing_more() -> None:
    client = joined()
    code = code_in_mail()
    assert client.post("/join/confirm", {"code": code})["Location"] == "/my/sites/"
    assert client.post("/join/confirm", {"code": code})["Location"] == "/my/account/"
    assert Event.objects.filter(verb="mail confirmed").count() == 1


def test_joining_with_a_known_address_looks_like_joining_with_a_new_one() -> None:
    """Same status, same way on, same words, same cookies; only the mailbox learns which it was."""
    make_account(email="known@test.example")
    seen = {}
    for email in ("known@test.example", "fresh@test.example"):
        client = Client()
        answer = client.post("/join", {**ANSWERS, "email": email})
        waiting = client.get("/join/confirm")
        wrong = [client.post("/join/confirm", {"code": "000-00x"}) for _ in range(3)]
        seen[email] = (
            answer.status_code,
            answer["Location"],
            sorted(answer.headers),
            sorted(answer.cookies),
            spoken(waiting).replace(email, "@"),
            [one.status_code for one in wrong],
            [spoken(one).replace(email, "@") for one in wrong],
            spoken(client.get("/sign-in")),
        )
    assert seen["known@test.example"] == seen["fresh@test.example"]
    assert [one.to[0] for one in mail.outbox] == ["known@test.example", "fresh@test.example"]
    assert "You have an account already" in mail.outbox[0].body
    assert re.search(r"\d{3}-\d{3}", mail.outbox[0].body) is None
    assert Account.objects.filter(email="known@test.example").count() == 1
    assert Household.objects.count() == 1


def test_joining_with_a_known_address_takes_the_same_work(monkeypatch) -> None:
    """The slow part is the password's hash: one for each, whether the account is new or not."""
    make_account(email="known@test.example")
    hashed = []
    hasher = "django.contrib.auth.hashers.MD5PasswordHasher.encode"
    from django.contrib.auth.hashers import MD5PasswordHasher

    encode = MD5PasswordHasher.encode
    monkeypatch.setattr(hasher, lambda self, password, salt: hashed.append(password) or encode(self, password, salt))
    for email in ("known@test.example", "fresh@test.example"):
        hashed.clear()
        Client().post("/join", {**ANSWERS, "email": email})
        assert hashed == [PASSWORD], email


def test_a_guess_at_the_code_of_a_known_address_never_signs_in(monkeypatch) -> None:
    make_account(email="known@test.example")
    monkeypatch.setattr("surveys.web.account_mail.AccountMail.generate_email_verification_code", lambda self: "123-456")
    client = joined(email="known@test.example")
    assert client.post("/join/confirm", {"code": "123-456"}).status_code == 422
    assert "_auth_user_id" not in client.session


def test_a_known_address_with_another_fault_lists_that_fault_only() -> None:
    make_account(email="known@test.example")
    page = Client().post("/join", {**ANSWERS, "email": "known@test.example", "adult": ""}).content.decode()
    assert "Accounts are for adults." in page
    assert "There is an account" not in page
    assert mail.outbox == []


def test_two_who_join_with_one_address_at_the_same_moment_open_one_account(monkeypatch) -> None:
    """The second one passes the check, as the first is not stored yet, and is stopped by the table itself."""
    make_account(email="teacher@test.example")
    monkeypatch.setattr("surveys.services.people._mail_faults", lambda email: [])
    client = Client()
    assert client.post("/join", ANSWERS)["Location"] == "/join/confirm"
    assert Account.objects.count() == 1
    assert "You have an account already" in mail.outbox[0].body


def test_joining_twice_by_a_double_press_opens_one_account() -> None:
    client = Client()
    assert [client.post("/join", ANSWERS).status_code for _ in range(2)] == [302, 302]
    assert (Account.objects.count(), Household.objects.count(), Consent.objects.count()) == (1, 1, 1)


@pytest.mark.parametrize(("kind", "shown"), [("school", True), ("household", False)])
def test_the_way_to_the_classes_stands_on_every_page_of_a_school_and_of_nobody_else(kind: str, shown: bool) -> None:
    client = joined(kind=kind)
    client.post("/join/confirm", {"code": code_in_mail()})
    again = Client()
    again.post("/sign-in", {"email": ANSWERS["email"], "password": PASSWORD})
    for one in (client, again):
        for path in ("/", "/my/sites/", "/my/account/"):
            assert ('href="/my/classes/"' in one.get(path).content.decode()) == shown, path
    assert 'href="/my/classes/"' not in Client().get("/").content.decode()


def test_an_unconfirmed_person_signs_in_is_asked_to_confirm_and_finds_everything_open() -> None:
    make_season()
    joined(email="muddy@test.example")
    client = Client()
    answer = client.post("/sign-in", {"email": "muddy@test.example", "password": PASSWORD}, follow=True)
    assert "Your email address is not confirmed yet." in answer.content.decode()
    assert client.get("/my/sites/").status_code == 200
    page = client.get("/my/account/").content.decode()
    assert "is not confirmed yet" in page
    assert "Send me a code" in client.get("/join/confirm").content.decode()
    client.post("/join/confirm", {"do": "send"})
    assert client.post("/join/confirm", {"code": code_in_mail()}).status_code == 302
    assert "is not confirmed yet" not in client.get("/my/account/").content.decode()


def test_a_confirmed_person_is_not_asked_again() -> None:
    open_account(email="sure@test.example", password=PASSWORD, adult=True, confirmed=True)
    client = Client()
    answer = client.post("/sign-in", {"email": "sure@test.example", "password": PASSWORD}, follow=True)
    assert "not confirmed" not in answer.content.decode()
    assert client.get("/join/confirm")["Location"] == "/my/account/"


def test_a_mailbox_is_sent_a_few_mails_an_hour_whoever_asks() -> None:
    client = joined()
    sent = [client.post("/join/confirm", {"do": "send"}).status_code for _ in range(8)]
    assert sent == [302] * 5 + [429] * 3
    assert len(mail.outbox) == 6
    assert Client().post("/join", ANSWERS).status_code == 429
    assert Client().post("/forgotten-password", {"email": "TEACHER@test.example "}).status_code == 429
    assert len(mail.outbox) == 6


def test_a_mail_server_that_is_away_stops_nobody(monkeypatch) -> None:
    def away(self: object, *args: object) -> int:
        raise SMTPServerDisconnected("gone")

    monkeypatch.setattr("django.core.mail.backends.locmem.EmailBackend.send_messages", away)
    client = joined()
    assert client.get("/join/confirm").status_code == 200
    assert Account.objects.count() == 1


def test_who_has_neither_joined_nor_signed_in_is_shown_the_way_and_sent_nothing() -> None:
    page = Client().get("/join/confirm")
    assert page.status_code == 200
    assert "No code waits here." in page.content.decode()
    assert Client().post("/join/confirm", {"do": "send"}).status_code == 422
    assert mail.outbox == []


def test_joining_notes_the_consent_with_its_version_and_the_licence_of_the_season() -> None:
    make_season()
    with thawed():
        Season.objects.update(licence="CC0-1.0")
    page = Client().get("/join").content.decode()
    assert 'value="1 CC0-1.0"' in page
    assert "publicdomain/zero" in page
    # What was read is what is agreed to: the licence of another season does not pass for this one.
    assert Client().post("/join", ANSWERS).status_code == 422
    joined(consent="1 CC0-1.0")
    consent = Consent.objects.get()
    assert (consent.version, consent.licence, consent.withdrawn_at) == ("1", "CC0-1.0", None)
    assert consent.account == Account.objects.get()


@pytest.mark.parametrize("given", ["", "yes", "1", "0 CC-BY-4.0", "1 CC0-1.0", "1 CC-BY-4.0\x00"])
def test_without_the_consent_that_was_shown_no_account_is_opened(given: str) -> None:
    answer = Client().post("/join", {**ANSWERS, "consent": given})
    assert answer.status_code == 422
    assert 'href="#consent"' in answer.content.decode()
    assert Account.objects.count() == 0
    assert mail.outbox == []


@pytest.mark.parametrize(
    "email", ["", "a", "a@", "a\x00@test.example", f"{'a' * 250}@test.example", "<b>@test.example", "a@b c.example"]
)
def test_a_mail_address_that_is_none_is_refused_and_shown_again(email: str) -> None:
    answer = Client().post("/join", {**ANSWERS, "email": email})
    assert answer.status_code == 422
    assert 'href="#email"' in answer.content.decode()
    assert "<b>@" not in answer.content.decode()
    assert Account.objects.count() == 0


@pytest.mark.parametrize("password", ["", "elevenchars", "qwertyuiop123", "teacher@test.example"])
def test_a_weak_password_is_refused(password: str) -> None:
    answer = Client().post("/join", {**ANSWERS, "password": password})
    assert answer.status_code == 422, password
    assert Account.objects.count() == 0


def test_the_language_of_the_page_becomes_the_language_of_the_account() -> None:
    client = Client(headers={"Accept-Language": "de"})
    client.post("/join", ANSWERS)
    assert Account.objects.get().language == "de"
    # On another machine, which asks for English, the account's own language is shown after signing in.
    other = Client(headers={"Accept-Language": "en"})
    other.post("/sign-in", {"email": ANSWERS["email"], "password": PASSWORD})
    assert other.cookies["trapnight-language"].value == "de"


def test_joining_asks_the_database_the_same_few_questions_for_each_form() -> None:
    make_season()
    with CaptureQueriesContext(
        connection,
    ) as asked:
        Client().get("/join")
    assert len(asked) == 1


def test_joining_with_every_fault_lists_them_all_and_keeps_the_answers() -> None:
    answer = Client().post("/join", {"kind": "school", "email": "not an address", "password": "short"})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert title_of(page).startswith("Error: ")
    for target in ("email", "password", "adult", "consent"):
        assert f'href="#{target}"' in page
        assert f'id="{target}"' in page
    assert 'value="not an address"' in page
    assert page.count("checked") == 1  # the school stays chosen, the other boxes stay empty
    assert "short" not in page.split("<main")[1].replace("too short", "")
    assert Account.objects.count() == 0


def test_an_account_without_an_adult_is_not_opened() -> None:
    answer = Client().post("/join", {**ANSWERS, "adult": ""})
    assert answer.status_code == 422
    assert "Accounts are for adults." in answer.content.decode()
    assert Account.objects.count() == 0


def test_neither_household_nor_school_is_chosen_beforehand() -> None:
    page = Client().get("/join").content.decode()
    assert page.count('name="kind"') == 2
    assert "checked" not in page


@pytest.mark.parametrize("kind", ["", "company", "\x00", None])
def test_without_household_or_school_nothing_is_opened_and_the_rest_is_kept(kind: str | None) -> None:
    sent = {name: value for name, value in {**ANSWERS, "kind": kind}.items() if value is not None}
    answer = Client().post("/join", sent)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert title_of(page).startswith("Error: ")
    assert re.findall(r'<a href="#([\w-]+)">', page.split('id="summary"')[1].split("</ul>")[0]) == ["kind"]
    assert 'id="kind"' in page
    assert page.count("Say whether you join as a household or as a school.") == 2
    assert f'value="{ANSWERS["email"]}"' in page
    assert page.count("checked") == 2  # the adult and the consent stay ticked
    assert PASSWORD not in page
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


def test_the_line_that_asks_to_confirm_goes_once_it_is_done_here_or_elsewhere() -> None:
    joined()
    here, there = Client(), Client()
    for client in (here, there):
        client.post("/sign-in", {"email": ANSWERS["email"], "password": PASSWORD})
    assert "Confirm it" in line_of(here)
    here.post("/join/confirm", {"do": "send"})
    here.post("/join/confirm", {"code": code_in_mail()})
    assert "Confirm it" not in line_of(here)
    assert "Confirm it" in line_of(there)
    assert there.get("/join/confirm")["Location"] == "/my/account/"
    assert "Confirm it" not in line_of(there)
    assert "Confirm it" not in line_of(Client())


def line_of(client: Client) -> str:
    """Return the line as a page of this visitor would hold it."""
    request = client.get("/privacy/children/").wsgi_request
    return Template("{% load people %}{% confirm_line %}").render(RequestContext(request, {"request": request}))


def test_a_form_to_join_that_is_left_empty_says_what_to_type() -> None:
    page = Client().post("/join", {"email": " ", "password": ""}).content.decode()
    for sentence in ("Type your email address.", "Choose a password of at least 12 characters."):
        assert page.count(sentence) == 2, "above the form and beside the field"
    assert "does not read like" not in page
    assert "too short" not in page
    options = {one["NAME"].rsplit(".")[-1]: one.get("OPTIONS") for one in settings.AUTH_PASSWORD_VALIDATORS}
    assert options["MinimumLengthValidator"] == {"min_length": 12}, "the sentence names the length"
