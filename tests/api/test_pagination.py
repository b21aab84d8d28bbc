"""Pages by key: every order, every row once, one query a page, and cursors that nobody can forge or borrow."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from django.contrib.auth.models import AnonymousUser
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.test import APIRequestFactory

from api.pagination import HIGHEST_LIMIT, USUAL_LIMIT, KeysetPage
from surveys.models import Account, Return
from surveys.queries.keyset import keyset_slice

pytestmark = pytest.mark.django_db

#: A microsecond apart: a moment that is cut to milliseconds on its way through a cursor loses or repeats rows.
MOMENTS = [datetime(2026, 5, 2, 18, 30, tzinfo=UTC) + timedelta(microseconds=n) for n in range(3)]
ORDERS = [
    (active, made, number)
    for active, made, number in itertools.product(
        ("is_active", "-is_active"), ("created_at", "-created_at"), ("id", "-id")
    )
]


@pytest.fixture
def accounts() -> list[Account]:
    """Store 23 accounts with many ties in the first two columns."""
    made = Account.objects.bulk_create(
        Account(email=f"{n}@test.example", adult_confirmed_at=MOMENTS[0], is_active=n % 5 < 2) for n in range(23)
    )
    for n, account in enumerate(made):
        account.created_at = MOMENTS[n * 7 % 3]
    Account.objects.bulk_update(made, ["created_at"])
    return made


def in_order(accounts: list[Account], order: tuple[str, ...]) -> list[int]:
    """Return the ids as Python's stable sort orders them: the last column first."""
    for name in reversed(order):
        column = name.lstrip("-")
        accounts = sorted(accounts, key=lambda one: getattr(one, column), reverse=name.startswith("-"))
    return [one.pk for one in accounts]


def asked(query: str = "", path: str = "/listing", user: Any = None) -> Request:
    """Return a request for a listing."""
    request = Request(APIRequestFactory().get(path + query))
    request.user = user or AnonymousUser()
    return request


def page(order: tuple[str, ...], request: Request) -> Any:
    """Return one page of the accounts, as ids."""
    return KeysetPage(order=order).answer(Account.objects.all(), request, lambda one: {"id": one.pk})


@pytest.mark.parametrize("order", ORDERS, ids=" ".join)
@pytest.mark.parametrize("limit", [1, 4, 23])
def test_a_walk_in_any_order_meets_each_row_once(accounts: list[Account], order: tuple[str, ...], limit: int) -> None:
    """Outside reference: Python's own sort."""
    seen: list[int] = []
    query = f"?limit={limit}"
    while query:
        answer = page(order, asked(query))
        seen += [row["id"] for row in answer.data["items"]]
        following = answer.data["next"]
        assert answer.headers.get("Link") == (
            f'<{following}>; rel="next"' if following else None
        )  # RFC 8288, section 3
        query = f"?{urlsplit(following).query}" if following else ""
    assert seen == in_order(accounts, order)


def test_a_page_costs_one_query(accounts: list[Account], django_assert_num_queries: Any) -> None:
    following = page(("-is_active", "id"), asked("?limit=5")).data["next"]
    with django_assert_num_queries(1):
        page(("-is_active", "id"), asked(f"?{urlsplit(following).query}"))


def test_rows_that_come_or_go_during_a_walk_move_no_other(accounts: list[Account]) -> None:
    rows, key = keyset_slice(Account.objects.all(), ("-id",), None, 5)
    Account.objects.create(email="new@test.example", adult_confirmed_at=MOMENTS[0])
    rows[-1].delete()
    following, _ = keyset_slice(Account.objects.all(), ("-id",), key, 5)
    assert [one.pk for one in following] == sorted((one.pk for one in accounts), reverse=True)[5:10]


@pytest.mark.parametrize(("query", "rows"), [("", USUAL_LIMIT), ("?limit=1", 1), ("?limit=501", HIGHEST_LIMIT)])
def test_a_limit_has_a_usual_and_a_highest_value(query: str, rows: int) -> None:
    Account.objects.bulk_create(
        Account(email=f"{n}@test.example", adult_confirmed_at=MOMENTS[0]) for n in range(HIGHEST_LIMIT + 1)
    )
    assert len(page(("id",), asked(query)).data["items"]) == rows


@pytest.mark.parametrize("limit", ["0", "-1", "1.5", "ten", "٥", "1_0", "", " 5", "9999999"])
def test_what_is_no_limit_is_refused(limit: str) -> None:
    with pytest.raises(ValidationError) as refused:
        page(("id",), asked(f"?limit={limit}"))
    assert list(refused.value.detail) == ["limit"]


def cursor_of(answer: Any) -> str:
    """Return the cursor to the page after this one."""
    return parse_qs(urlsplit(answer.data["next"]).query)["cursor"][0]


def test_a_cursor_goes_on_where_it_was_given_and_nowhere_else(accounts: list[Account]) -> None:
    cursor = cursor_of(page(("id",), asked("?limit=5&season=a")))
    assert page(("id",), asked(f"?season=a&cursor={cursor}")).data["items"]
    elsewhere = [
        (("id",), asked(f"?season=b&cursor={cursor}")),  # another filter
        (("id",), asked(f"?cursor={cursor}")),  # no filter
        (("-id",), asked(f"?season=a&cursor={cursor}")),  # another order
        (("id",), asked(f"?season=a&cursor={cursor}", path="/other")),  # another listing
        (("id",), asked(f"?season=a&cursor={cursor}", user=accounts[0])),  # another reader
    ]
    for order, request in elsewhere:
        with pytest.raises(ValidationError) as refused:
            page(order, request)
        assert refused.value.get_codes() == {"cursor": ["bad_cursor"]}


def test_a_cursor_may_come_back_with_another_limit(accounts: list[Account]) -> None:
    cursor = cursor_of(page(("id",), asked("?limit=5")))
    answer = page(("id",), asked(f"?limit=7&cursor={cursor}"))
    assert [row["id"] for row in answer.data["items"]] == sorted(one.pk for one in accounts)[5:12]


@pytest.mark.parametrize(
    "change", [lambda c: c[:-1], lambda c: "A" + c, lambda c: c.swapcase(), lambda c: "", lambda c: "1"]
)
def test_a_cursor_that_was_changed_is_refused(accounts: list[Account], change: Any) -> None:
    cursor = change(cursor_of(page(("id",), asked("?limit=5"))))
    with pytest.raises(ValidationError):
        page(("id",), asked(f"?cursor={cursor}"))


def test_a_column_that_may_be_null_is_no_key() -> None:
    """A comparison with NULL is never true (PostgreSQL's documentation, section 9.2), so such rows would be lost."""
    with pytest.raises(AssertionError, match="may be NULL"):
        keyset_slice(Return.objects.all(), ("-trap_nights", "id"), None, 5)
