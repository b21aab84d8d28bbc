"""Making, using and ending tokens: every fault at once, the share of an account, one note of use an hour."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from surveys.errors import Faulty, NotFound
from surveys.models import Event, Token
from surveys.services.tokens import end_token, make_token, note_use
from surveys.vocabulary import TokenScope
from tests.factories import make_account, make_researcher

pytestmark = pytest.mark.django_db


def test_every_fault_is_told_at_once_and_nothing_is_made() -> None:
    with pytest.raises(Faulty) as refused:
        make_token(by=make_account(), name="n" * 81, scopes=[TokenScope.DESK, TokenScope.READ_DATA], days=0)
    assert [(one.pointer, one.code) for one in refused.value.faults] == [
        ("/scopes", "scope_not_yours"),
        ("/scopes", "scope_not_yours"),
        ("/name", "too_long"),
        ("/days", "out_of_range"),
    ]
    assert (Token.objects.count(), Event.objects.filter(verb="token made").count()) == (0, 0)


def test_a_name_is_kept_in_one_line_and_without_what_cannot_be_printed() -> None:
    made = make_token(by=make_account(), name="night\0\n\tscript \u202e 7")
    assert made.kept.name == "night script 7"


def test_scopes_are_kept_in_one_order_and_once() -> None:
    made = make_token(by=make_researcher(), scopes=[TokenScope.READ_DATA, TokenScope.SEND, TokenScope.READ_DATA])
    assert made.kept.scopes == ["send", "read_data"]


def test_past_its_share_an_account_loses_its_oldest_token_and_no_other_account_does(settings: Any) -> None:
    """Twenty: settings, REST_KNOX."""
    account, other = make_account(), make_account()
    kept = make_token(by=other).kept
    first, *rest = [make_token(by=account).kept.pk for _ in range(21)]
    assert set(Token.objects.filter(user=account).values_list("pk", flat=True)) == set(rest)
    assert not Token.objects.filter(pk=first).exists()
    assert Token.objects.filter(pk=kept.pk).exists()


def test_two_programs_that_note_a_use_at_once_write_it_once(django_assert_num_queries: Any) -> None:
    """Both have read the token before either wrote."""
    made = make_token(by=make_account()).kept
    one, other = Token.objects.get(pk=made.pk), Token.objects.get(pk=made.pk)
    note_use(token=one)
    first = Token.objects.get(pk=made.pk).last_used_at
    note_use(token=other)
    assert Token.objects.get(pk=made.pk).last_used_at == first
    fresh = Token.objects.get(pk=made.pk)
    with django_assert_num_queries(0):
        note_use(token=fresh)


def test_a_use_after_an_hour_is_noted_again() -> None:
    made = make_token(by=make_account()).kept
    Token.objects.update(last_used_at=timezone.now() - timedelta(hours=1, seconds=1))
    note_use(token=Token.objects.get(pk=made.pk))
    assert timezone.now() - Token.objects.get(pk=made.pk).last_used_at < timedelta(minutes=1)


def test_ending_a_token_that_is_not_there_says_so() -> None:
    account = make_account()
    made = make_token(by=account).kept
    end_token(by=account, key=made.token_key)
    with pytest.raises(NotFound):
        end_token(by=account, key=made.token_key)
    assert Event.objects.filter(verb="token ended").count() == 1
