"""How long things are kept, with a clock that is moved by hand."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime, timedelta
from io import StringIO
from typing import Any

import pytest
from allauth.account.models import EmailAddress
from django.contrib.sessions.models import Session
from django.core.management import call_command
from django.utils import timezone
from knox.models import get_token_model

from surveys.models import Account, Draft, Event, KeptAnswer, Letter, Opening, Return, Sheet
from surveys.services import retention
from surveys.services.retention import keep_house
from surveys.vocabulary import LetterKind
from tests.factories import (
    ApiClient,
    make_account,
    make_coordinator,
    make_household,
    make_season,
    make_site,
    make_trap,
    return_payload,
    token_of,
)

pytestmark = pytest.mark.django_db(transaction=True)

NOW = datetime(2030, 5, 1, 12, tzinfo=UTC)
SECOND = timedelta(seconds=1)


def used(account: Account, at: datetime) -> Account:
    """Say when an account was opened and last signed in."""
    Account.objects.filter(pk=account.pk).update(created_at=at, last_login=at)
    return account


def confirmed(at: datetime) -> Account:
    """Return an account with a confirmed address, last used at a moment."""
    account = used(make_account(), at)
    EmailAddress.objects.filter(user=account).update(verified=True)
    return account


@pytest.mark.parametrize(("age", "left"), [(timedelta(days=90), 1), (timedelta(days=90) + SECOND, 0)])
def test_a_draft_is_kept_for_90_days_after_it_was_last_touched(age: timedelta, left: int) -> None:
    Draft.objects.create(keeper=make_account(), kind="set", saved_at=NOW - age)
    assert retention.drop_old_drafts(now=NOW) == 1 - left
    assert Draft.objects.count() == left
    assert Event.objects.filter(verb="old drafts dropped").count() == 1 - left


def make_sheet(**changes: Any) -> Sheet:
    given = {
        "kind": "csv",
        "name": "ours.csv",
        "content": b"a",
        "marked": b"b",
        "faults": [1],
        "ready": [2],
        "rows": 3,
        "rows_read": 3,
    }
    return Sheet.objects.create(household=make_household(), **{**given, **changes})


@pytest.mark.parametrize(
    ("state", "after"), [("waiting", "refused"), ("read", "refused"), ("refused", "refused"), ("taken", "taken")]
)
def test_a_sheet_is_emptied_after_a_day_and_says_so_where_it_was_not_taken_in(state: str, after: str) -> None:
    sheet = make_sheet(state=state, received_at=NOW - timedelta(days=1) - SECOND)
    fresh = make_sheet(state=state, received_at=NOW - timedelta(days=1))
    assert retention.empty_old_sheets(now=NOW) == 1
    sheet.refresh_from_db()
    assert (sheet.content, sheet.marked, sheet.name, sheet.faults, sheet.ready) == (None, None, "", [], [])
    assert sheet.state == after
    assert ("emptied" in sheet.refusal) is (state in ("waiting", "read"))
    fresh.refresh_from_db()
    assert fresh.name == "ours.csv"
    assert retention.empty_old_sheets(now=NOW) == 0, "once is enough"


def test_kept_answers_go_after_a_month() -> None:
    account = make_account()
    for number, age in enumerate((timedelta(days=30), timedelta(days=30) + SECOND)):
        KeptAnswer.objects.create(
            account=account, route="r", key=str(number), fingerprint="f", status=201, body={}, kept_at=NOW - age
        )
    assert retention.drop_old_answers(now=NOW) == 1
    assert KeptAnswer.objects.get().key == "0"


def test_sessions_and_tokens_that_ran_out_go() -> None:
    for key, ends in (("a", NOW - SECOND), ("b", NOW + SECOND)):
        Session.objects.create(session_key=key, session_data="", expire_date=ends)
    token_of(make_account())
    get_token_model().objects.update(expiry=NOW - SECOND)
    assert retention.drop_ended_sessions(now=NOW) == 2
    assert Session.objects.get().session_key == "b"


# --- accounts that sleep ---------------------------------------------------------------------------


@pytest.mark.parametrize(("age", "told"), [(timedelta(days=730), 0), (timedelta(days=730) + SECOND, 1)])
def test_an_account_is_told_after_two_years_without_use(age: timedelta, told: int) -> None:
    account = confirmed(NOW - age)
    assert retention.tell_dormant_accounts(now=NOW) == told
    assert Letter.objects.filter(account=account, kind=LetterKind.DORMANT, due_at=NOW).count() == told
    account.refresh_from_db()
    assert (account.dormancy_told_at == NOW) is bool(told)


def test_an_account_is_told_once() -> None:
    confirmed(NOW - timedelta(days=800))
    assert [retention.tell_dormant_accounts(now=NOW + timedelta(days=day)) for day in (0, 0, 1, 40)] == [1, 0, 0, 0]
    assert Letter.objects.count() == 1


@pytest.mark.parametrize(("days", "erased"), [(29, 0), (30, 1)])
def test_an_account_is_erased_30_days_after_the_letter(days: int, erased: int) -> None:
    account = confirmed(NOW - timedelta(days=800))
    retention.tell_dormant_accounts(now=NOW)
    assert keep_house(now=NOW + timedelta(days=days))["dormant accounts erased"] == erased
    assert Account.objects.filter(pk=account.pk).exists() is not bool(erased)


def test_signing_in_after_the_letter_keeps_the_account_and_starts_the_two_years_anew() -> None:
    account = confirmed(NOW - timedelta(days=800))
    retention.tell_dormant_accounts(now=NOW)
    Account.objects.update(last_login=NOW + timedelta(days=29))
    assert keep_house(now=NOW + timedelta(days=31))["accounts woken"] == 1
    account.refresh_from_db()
    assert account.dormancy_told_at is None
    later = NOW + timedelta(days=29 + 731)
    assert keep_house(now=later)["dormant accounts told"] == 1
    assert Letter.objects.count() == 2


def test_signing_in_just_before_the_erasure_is_in_time_even_if_nobody_kept_house_between() -> None:
    confirmed(NOW - timedelta(days=800))
    retention.tell_dormant_accounts(now=NOW)
    Account.objects.update(last_login=NOW + timedelta(days=30))
    assert retention.erase_dormant_accounts(now=NOW + timedelta(days=30)) == 0
    assert Account.objects.count() == 1


def test_a_program_that_sends_and_a_trap_that_is_set_are_use_too() -> None:
    make_season()
    sends, sets = make_household(), make_household()
    trap, other = make_trap(site=make_site(household=sends)), make_trap(site=make_site(household=sets))
    assert ApiClient(sends.keeper).send("returns", return_payload(trap)).status_code == 201
    Opening.objects.create(uuid=uuid.uuid4(), trap=other, by=sets.keeper, fingerprint="0" * 64, set_at=timezone.now())
    for household in (sends, sets):
        used(household.keeper, NOW - timedelta(days=9000))
    soon = timezone.now() + timedelta(days=700)
    assert retention.tell_dormant_accounts(now=soon) == 0
    assert retention.tell_dormant_accounts(now=soon + timedelta(days=31)) == 2
    assert Return.objects.count() == 1


def test_who_holds_a_role_is_left_alone() -> None:
    make_season()
    used(make_coordinator("eastmark"), NOW - timedelta(days=9000))
    done = keep_house(now=NOW)
    assert (done["dormant accounts told"], done["dormant accounts erased"], done["unconfirmed accounts erased"]) == (
        0,
        0,
        0,
    )


def test_the_letter_names_no_place_and_no_person() -> None:
    account = confirmed(NOW - timedelta(days=800))
    retention.tell_dormant_accounts(now=NOW)
    letter = Letter.objects.get()
    assert letter.context == {"path": "/sign-in", "erased_on": "2030-05-31"}
    assert account.email not in letter.key


# --- addresses that nobody confirmed ---------------------------------------------------------------


@pytest.mark.parametrize(("age", "erased"), [(timedelta(days=30), 0), (timedelta(days=30) + SECOND, 1)])
def test_an_empty_account_under_an_address_that_nobody_confirmed_goes_after_30_days(
    age: timedelta, erased: int
) -> None:
    keeper = make_household().keeper
    EmailAddress.objects.filter(user=keeper).update(verified=False)
    used(keeper, NOW - age)
    confirmed(NOW - age)
    assert retention.erase_unconfirmed_accounts(now=NOW) == erased
    assert Account.objects.count() == 2 - erased


def test_an_unconfirmed_account_with_a_site_stays() -> None:
    make_season()
    keeper = make_site().household.keeper
    EmailAddress.objects.filter(user=keeper).update(verified=False)
    used(keeper, NOW - timedelta(days=100))
    assert retention.erase_unconfirmed_accounts(now=NOW) == 0


def test_an_account_from_before_addresses_were_confirmed_stays() -> None:
    used(make_account(), NOW - timedelta(days=100))
    EmailAddress.objects.all().delete()
    assert retention.erase_unconfirmed_accounts(now=NOW) == 0


# --- all of it -------------------------------------------------------------------------------------


def test_a_house_in_order_is_left_as_it_is() -> None:
    confirmed(timezone.now())
    before = Event.objects.count()
    assert set(keep_house(now=timezone.now()).values()) == {0}
    assert Event.objects.count() == before


def test_the_command_does_what_is_due_now_and_says_so() -> None:
    Draft.objects.create(keeper=confirmed(timezone.now()), kind="set", saved_at=timezone.now() - timedelta(days=91))
    said = StringIO()
    call_command("keep_house", stdout=said)
    assert "1 drafts dropped" in said.getvalue()
    assert Draft.objects.count() == 0
