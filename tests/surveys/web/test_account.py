"""One's own account: passwords, sessions, the agreement, the language."""

from __future__ import annotations

import re

import pytest
from django.core import mail
from django.test import Client

from surveys.models import Account, Consent, Event, Season
from surveys.services.people import give_consent, open_account
from surveys.vocabulary import Licence
from tests.factories import PASSWORD, ApiClient, make_account, make_coordinator, make_household, make_season, token_of
from tests.frozen import thawed
from tests.reading import grade_of, sentences_of

pytestmark = pytest.mark.django_db(transaction=True)

NEW = "four quiet snails at dawn"


def signed_in(account: Account) -> Client:
    """Return a client that signed in with the password, as a person does."""
    client = Client()
    assert client.post("/sign-in", {"email": account.email, "password": PASSWORD}).status_code == 302
    return client


def is_in(client: Client) -> bool:
    return client.get("/my/account/").status_code == 200


def link_in_mail() -> str:
    """Return the path of the link in the newest mail."""
    return re.search(r"http://testserver(/new-password/\S+)", mail.outbox[-1].body)[1]  # type: ignore[index]


def spoken(answer) -> str:
    return re.sub(r'name="csrfmiddlewaretoken" value="[^"]+"', "", answer.content.decode())


# --- a forgotten password -----------------------------------------------------------------------


def test_a_link_from_the_mail_sets_a_new_password_and_ends_every_session_and_token() -> None:
    account = make_account()
    elsewhere = signed_in(account)
    program = ApiClient(account)
    assert Client().post("/forgotten-password", {"email": f" {account.email.upper()} "}).status_code == 200
    client = Client()
    answer = client.get(link_in_mail())
    # The secret leaves the address bar before the page is shown, so that no Referer can carry it.
    assert answer.status_code == 302
    assert link_in_mail().rsplit("/", 1)[1] not in answer["Location"]
    assert client.get(answer["Location"]).status_code == 200
    done = client.post(answer["Location"], {"password1": NEW})
    assert (done.status_code, done["Location"]) == (302, "/sign-in")
    assert not is_in(elsewhere)
    assert program.read("returns").status_code == 401
    assert Client().post("/sign-in", {"email": account.email, "password": PASSWORD}).status_code == 422
    assert Client().post("/sign-in", {"email": account.email, "password": NEW}).status_code == 302
    assert Event.objects.filter(verb="password changed").count() == 1


def test_a_link_works_once() -> None:
    account = make_account()
    Client().post("/forgotten-password", {"email": account.email})
    client = Client()
    place = client.get(link_in_mail())["Location"]
    assert client.post(place, {"password1": NEW}).status_code == 302
    again = client.post(place, {"password1": "another five quiet snails"})
    assert "This link does not work any more" in again.content.decode()
    assert "This link does not work any more" in Client().get(link_in_mail()).content.decode()
    account.refresh_from_db()
    assert account.check_password(NEW)


@pytest.mark.parametrize(("seconds", "works"), [(3500, True), (3700, False)])
def test_a_link_works_for_an_hour(monkeypatch, seconds: int, works: bool) -> None:
    from datetime import timedelta

    from django.contrib.auth.tokens import PasswordResetTokenGenerator

    account = make_account()
    Client().post("/forgotten-password", {"email": account.email})
    now = PasswordResetTokenGenerator._now
    monkeypatch.setattr(PasswordResetTokenGenerator, "_now", lambda self: now(self) + timedelta(seconds=seconds))
    assert (Client().get(link_in_mail()).status_code == 302) is works


def test_a_second_link_and_a_sign_in_leave_only_what_is_safe() -> None:
    """A link dies when the password changes in another way, or when the account signs in (Django's own token)."""
    account = make_account()
    Client().post("/forgotten-password", {"email": account.email})
    signed_in(account)
    assert "does not work any more" in Client().get(link_in_mail()).content.decode()


@pytest.mark.parametrize("path", ["/new-password/x/y", "/new-password/1/set-password", "/new-password/0/a-b", "/new-password/zzzzzzzzzzzzzz/c-d",
                                  "/new-password/%00/%00", "/new-password/1/%3Cscript%3E"])  # fmt: skip
def test_a_link_that_was_made_up_says_so_and_sets_nothing(path: str) -> None:
    make_account()
    for answer in (Client().get(path), Client().post(path, {"password1": NEW})):
        assert answer.status_code in (200, 404)
        assert "<script>" not in answer.content.decode()
    assert not any(one.check_password(NEW) for one in Account.objects.all())


def test_the_link_of_another_is_no_key_to_ones_own_session() -> None:
    mine, theirs = make_account(), make_account()
    client = signed_in(mine)
    Client().post("/forgotten-password", {"email": theirs.email})
    place = client.get(link_in_mail())["Location"]
    client.get(place)
    assert not is_in(client)


@pytest.mark.parametrize("password", ["", "elevenchars", "qwertyuiop123"])
def test_a_weak_new_password_is_refused_and_the_link_stays_good(password: str) -> None:
    account = make_account()
    Client().post("/forgotten-password", {"email": account.email})
    client = Client()
    place = client.get(link_in_mail())["Location"]
    answer = client.post(place, {"password1": password})
    assert answer.status_code == 422
    assert 'href="#password1"' in answer.content.decode()
    assert answer.content.decode().split("<title>")[1].strip().startswith("Error: ")
    assert client.post(place, {"password1": NEW}).status_code == 302


def test_asking_for_a_new_password_says_the_same_for_known_and_unknown_addresses() -> None:
    make_account(email="known@test.example")
    pages = {}
    for email in ("known@test.example", "nobody@test.example"):
        answer = Client().post("/forgotten-password", {"email": email})
        pages[email] = (answer.status_code, sorted(answer.headers), spoken(answer).replace(email, "@"))
    assert pages["known@test.example"] == pages["nobody@test.example"]
    assert [one.to[0] for one in mail.outbox] == list(pages)
    assert "new-password" in mail.outbox[0].body
    assert "There is no account under it" in mail.outbox[1].body
    assert "new-password" not in mail.outbox[1].body


def test_a_closed_account_gets_no_link() -> None:
    account = make_account()
    Account.objects.update(is_active=False)
    Client().post("/forgotten-password", {"email": account.email})
    assert "There is no account under it" in mail.outbox[0].body


@pytest.mark.parametrize("email", ["", "nobody", "a\x00@test.example", "<script>@x"])
def test_no_mail_goes_to_what_is_no_address(email: str) -> None:
    answer = Client().post("/forgotten-password", {"email": email})
    assert answer.status_code == 422
    assert "<script>@" not in answer.content.decode()
    assert mail.outbox == []


def test_a_link_never_leads_to_the_host_that_a_stranger_names() -> None:
    account = make_account()
    answer = Client().post("/forgotten-password", {"email": account.email}, headers={"Host": "evil.example"})
    assert answer.status_code == 400
    assert mail.outbox == []


# --- a new password for somebody who knows the old one ---------------------------------------------


def test_changing_the_password_keeps_this_session_and_ends_all_others() -> None:
    account = make_account()
    here, elsewhere = signed_in(account), signed_in(account)
    token_of(account)
    answer = here.post("/my/account/password", {"old": PASSWORD, "password": NEW})
    assert (answer.status_code, answer["Location"]) == (302, "/my/account/")
    assert is_in(here)
    assert not is_in(elsewhere)
    assert account.auth_token_set.count() == 0
    account.refresh_from_db()
    assert account.check_password(NEW)


@pytest.mark.parametrize(
    ("answers", "target"),
    [
        ({"old": "wrong", "password": NEW}, "old"),
        ({"password": NEW}, "old"),
        ({"old": PASSWORD, "password": "short"}, "password"),
        ({"old": PASSWORD}, "password"),
        ({"old": "\x00", "password": NEW}, "old"),
    ],
)
def test_each_fault_of_a_password_change_is_named_and_changes_nothing(answers: dict[str, str], target: str) -> None:
    account = make_account()
    client = signed_in(account)
    answer = client.post("/my/account/password", answers)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert re.findall(r'href="#(\w+)"', page.split('id="summary-title"')[1])[0] == target
    assert page.split("<title>")[1].strip().startswith("Error: ")
    account.refresh_from_db()
    assert account.check_password(PASSWORD)
    assert is_in(client)


def test_guessing_the_old_password_ends_after_the_allowance(settings) -> None:
    settings.SIGN_INS_PER_HOUR = 3
    account = make_account()
    client = Client()
    client.force_login(account)
    tries = [client.post("/my/account/password", {"old": "wrong", "password": NEW}).status_code for _ in range(4)]
    assert tries == [422, 422, 422, 429]


# --- my account -----------------------------------------------------------------------------------


def test_signing_out_everywhere_else_ends_other_sessions_and_tokens_and_nobody_elses() -> None:
    account, other = make_account(), make_account()
    here, elsewhere, somebody = signed_in(account), signed_in(account), signed_in(other)
    token_of(account)
    assert here.post("/my/account/")["Location"] == "/my/account/"
    assert (is_in(here), is_in(elsewhere), is_in(somebody)) == (True, False, True)
    assert account.auth_token_set.count() == 0


def test_my_account_shows_the_persons_own_things_and_what_is_kept() -> None:
    make_season()
    mine, theirs = make_household(), make_household()
    client = Client()
    client.force_login(mine.keeper)
    page = client.get("/my/account/").content.decode()
    assert mine.keeper.email in page
    assert mine.alias in page
    assert theirs.alias not in page
    assert theirs.keeper.email not in page
    assert "The point of your garden on the map" in page
    assert "no-store" in client.get("/my/account/")["Cache-Control"]


def test_a_coordinator_sees_the_role() -> None:
    make_season()
    client = Client()
    client.force_login(make_coordinator("eastmark"))
    assert "coordinator" in client.get("/my/account/").content.decode()


@pytest.mark.parametrize(
    "path", ["/my/account/", "/my/account/password", "/my/account/consent", "/my/account/data", "/my/account/erase"]
)
def test_somebody_unknown_is_sent_to_sign_in(path: str) -> None:
    assert Client().get(path)["Location"] == f"/sign-in?next={path}"
    assert Client().post(path, {"password": PASSWORD})["Location"].startswith("/sign-in?next=")


@pytest.mark.parametrize(
    "path",
    [
        "/my/account/",
        "/my/account/password",
        "/my/account/consent",
        "/my/account/data",
        "/my/account/erase",
        "/join/confirm",
        "/forgotten-password",
        "/language",
    ],
)
def test_every_form_needs_its_token_and_no_other_method_is_taken(path: str) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(make_account())
    assert client.post(path, {"password": PASSWORD}).status_code == 403
    assert client.put(path).status_code in (403, 405)
    assert Client().delete(path).status_code == 405


# --- the agreement ----------------------------------------------------------------------------------


def test_agreeing_and_taking_it_back_are_one_press_each() -> None:
    account = make_account()
    client = Client()
    client.force_login(account)
    assert "You have not said yes" in client.get("/my/account/consent").content.decode()
    assert client.post("/my/account/consent", {"consent": "1 CC-BY-4.0"}).status_code == 302
    assert Consent.objects.get().withdrawn_at is None
    assert "You said yes on" in client.get("/my/account/consent").content.decode()
    assert client.post("/my/account/consent", {"do": "withdraw"}).status_code == 302
    assert Consent.objects.get().withdrawn_at is not None
    assert "You have not said yes" in client.get("/my/account/consent").content.decode()


def test_agreeing_twice_and_taking_back_twice_change_nothing_more() -> None:
    client = Client()
    client.force_login(make_account())
    for _ in range(2):
        client.post("/my/account/consent", {"consent": "1 CC-BY-4.0"})
    assert Consent.objects.count() == 1
    for _ in range(2):
        client.post("/my/account/consent", {"do": "withdraw"})
    assert list(Event.objects.filter(verb__startswith="consent").values_list("verb", flat=True)) == [
        "consent given",
        "consent withdrawn",
    ]
    client.post("/my/account/consent", {"consent": "1 CC-BY-4.0"})
    assert (Consent.objects.count(), Consent.objects.filter(withdrawn_at=None).count()) == (2, 1)


@pytest.mark.parametrize("given", ["", "1", "2 CC-BY-4.0", "1 CC0-1.0", "\x00"])
def test_a_text_that_was_not_read_is_not_agreed_to(given: str) -> None:
    client = Client()
    client.force_login(make_account())
    answer = client.post("/my/account/consent", {"consent": given})
    assert answer.status_code == 422
    assert 'href="#consent"' in answer.content.decode()
    assert Consent.objects.count() == 0


def test_another_licence_asks_for_a_new_yes() -> None:
    make_season()
    account = make_account()
    give_consent(by=account, version="1", licence=Licence.CC_BY_4)
    with thawed():
        Season.objects.update(licence="CC0-1.0")
    client = Client()
    client.force_login(account)
    assert "the text has changed since" in client.get("/my/account/consent").content.decode()
    assert "the text has changed since" in client.get("/my/account/").content.decode()
    assert client.post("/my/account/consent", {"consent": "1 CC0-1.0"}).status_code == 302
    assert list(Consent.objects.filter(withdrawn_at=None).values_list("licence", flat=True)) == ["CC0-1.0"]


def test_one_person_cannot_take_back_the_yes_of_another() -> None:
    account = make_account()
    give_consent(by=account, version="1", licence=Licence.CC_BY_4)
    client = Client()
    client.force_login(make_account())
    client.post("/my/account/consent", {"do": "withdraw", "account": account.pk})
    assert Consent.objects.get().withdrawn_at is None


# --- the language -----------------------------------------------------------------------------------


def test_a_language_is_kept_on_the_machine_and_with_the_account() -> None:
    account = make_account()
    client = Client()
    client.force_login(account)
    answer = client.post("/language", {"language": "de", "next": "/privacy/"})
    assert (answer.status_code, answer["Location"]) == (302, "/privacy/")
    assert client.cookies["trapnight-language"].value == "de"
    account.refresh_from_db()
    assert account.language == "de"


def test_a_visitor_chooses_a_language_without_an_account() -> None:
    client = Client()
    assert client.post("/language", {"language": "de"})["Location"] == "/"
    assert client.cookies["trapnight-language"].value == "de"


@pytest.mark.parametrize("language", ["", "xx", "en\r\nSet-Cookie: a=b", "\x00", "../de"])
def test_what_is_no_language_changes_nothing(language: str) -> None:
    account = make_account()
    client = Client()
    client.force_login(account)
    assert client.post("/language", {"language": language}).status_code == 302
    assert "trapnight-language" not in client.cookies
    account.refresh_from_db()
    assert account.language == "en"


@pytest.mark.parametrize("wanted", ["https://elsewhere.example/", "//elsewhere.example", "javascript:alert(1)"])
def test_choosing_a_language_never_leads_to_another_site(wanted: str) -> None:
    assert Client().post("/language", {"language": "de", "next": wanted})["Location"] == "/"
    assert Client().get("/language").status_code == 405


# --- words ------------------------------------------------------------------------------------------

FAMILY = [
    "/join",
    "/sign-in",
    "/forgotten-password",
    "/my/account/consent",
    "/my/account/data",
    "/my/account/erase",
    "/my/account/password",
    "/join/confirm",
]


@pytest.mark.parametrize(
    ("path", "most"),
    [*((path, 5.0) for path in FAMILY), ("/privacy/children/", 3.0), ("/privacy/", 6.0), ("/my/account/", 6.0)],
)
def test_pages_about_people_are_easy_to_read(path: str, most: float) -> None:
    client = Client()
    if path.startswith("/my/") or path == "/join/confirm":
        client.force_login(open_account(email="reader@test.example", password=PASSWORD, adult=True))
    assert grade_of(sentences_of(client.get(path).content.decode())).grade <= most


@pytest.mark.parametrize("path", ["/privacy/", "/privacy/children/"])
def test_the_notices_are_open_to_anyone_and_point_to_each_other(path: str) -> None:
    page = Client().get(path).content.decode()
    assert ('href="/privacy/children/"' if path == "/privacy/" else 'href="/privacy/"') in page
