"""Pages through the real listings: whole while rows come in and go, and a cursor is good for one walk only."""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from django.core import signing

from surveys.models import Return
from tests.factories import ApiClient, make_coordinator, make_season, make_trap, return_payload

pytestmark = pytest.mark.django_db


@pytest.fixture
def trap() -> Any:
    make_season()
    return make_trap()


@pytest.fixture
def sender(trap: Any) -> ApiClient:
    return ApiClient(trap.site.household.keeper)


def code_of(answer: Any, status: int = 400) -> str:
    """Return the code of the one fault in a problem."""
    assert answer.status_code == status, answer.content[:300]
    (row,) = answer.json()["errors"]
    return str(row["code"])


def waiting(trap: Any, *, rank: float, urgent: bool = False) -> str:
    """Store a return that waits with a rank, as screening would leave it. Returns its id."""
    payload = return_payload(trap)
    ApiClient(trap.site.household.keeper).send("returns", payload)
    Return.objects.filter(uuid=payload["id"]).update(state="queried", rank=rank, urgent=urgent)
    return str(payload["id"])


def test_a_walk_through_the_queue_keeps_its_mixed_order_while_rows_come_in(trap: Any) -> None:
    """Danger first, then the higher rank, then the older: three columns, two directions, ties in each."""
    ranked = [(True, 0.5), (True, 0.1 + 0.2), (True, 0.3), (False, 9.0), (False, 1 / 3), (False, 1 / 3), (False, 0.0)]
    expected = [waiting(trap, rank=rank, urgent=urgent) for urgent, rank in ranked]
    desk = ApiClient(make_coordinator())
    seen: list[str] = []
    following = "/api/v1/queue?limit=1"
    while following and len(seen) <= len(expected):  # a walk in circles ends here, too
        page = desk.get(following).json()
        seen += [row["id"] for row in page["items"]]
        following = page["next"]
        waiting(trap, rank=50, urgent=True)  # ahead of the place where the walk is
    assert seen == expected


def test_a_row_that_leaves_during_a_walk_costs_no_other_row(trap: Any) -> None:
    ids = [waiting(trap, rank=10 - n) for n in range(6)]
    desk = ApiClient(make_coordinator())
    first = desk.read("queue?limit=2").json()
    Return.objects.filter(uuid=ids[1]).update(state="upheld")  # the very row the cursor stands on
    second = desk.get(first["next"]).json()
    assert [row["id"] for row in second["items"]] == ids[2:4]


def test_the_last_page_has_no_next_even_when_it_is_full(sender: ApiClient, trap: Any) -> None:
    for _ in range(4):
        sender.send("returns", return_payload(trap))
    first = sender.read("returns?limit=2")
    second = sender.get(first.json()["next"])
    assert len(second.json()["items"]) == 2
    assert second.json()["next"] is None
    assert "Link" not in second


def test_an_empty_listing_is_a_page(sender: ApiClient) -> None:
    assert sender.read("returns").json() == {"items": [], "next": None}


def test_the_link_header_is_as_the_standard_writes_it(sender: ApiClient, trap: Any) -> None:
    """RFC 8288, section 3: ``<URI-Reference>; rel="next"``."""
    for _ in range(3):
        sender.send("returns", return_payload(trap))
    page = sender.read("returns?limit=1")
    target, relation = re.fullmatch(r'<([^<>"\s]+)>; rel="(\w+)"', page["Link"]).groups()  # type: ignore[union-attr]
    assert (target, relation) == (page.json()["next"], "next")
    assert parse_qs(urlsplit(target).query)["limit"] == ["1"]


def test_a_cursor_of_ones_own_making_is_refused(sender: ApiClient, trap: Any) -> None:
    for _ in range(2):
        sender.send("returns", return_payload(trap))
    good = parse_qs(urlsplit(sender.read("returns?limit=1").json()["next"]).query)["cursor"][0]
    for cursor in (
        "",
        "x",
        "a:b",
        "%00",
        good[::-1],
        good.swapcase(),
        good + "A",
        signing.dumps([1]),
        good.split(":")[0],
    ):
        assert code_of(sender.get("/api/v1/returns", {"limit": "1", "cursor": cursor})) == "bad_cursor", cursor


def test_a_cursor_of_another_listing_is_refused(trap: Any) -> None:
    desk = make_coordinator()
    for _ in range(2):
        waiting(trap, rank=1)
    cursor = parse_qs(urlsplit(ApiClient(desk).read("queue?limit=1").json()["next"]).query)["cursor"][0]
    assert code_of(ApiClient(desk).get("/api/v1/returns", {"cursor": cursor})) == "bad_cursor"
    assert ApiClient(desk).get("/api/v1/queue", {"cursor": cursor, "limit": "500"}).status_code == 200


@pytest.mark.parametrize("limit", ["0", "-1", "ten", "1.5", "", " 5", "+5", "1_0", "٥", "²", "1e3", "0x5", "9" * 400])
def test_a_limit_has_one_spelling(sender: ApiClient, limit: str) -> None:
    assert code_of(sender.get("/api/v1/returns", {"limit": limit})) == "bad_limit"


def test_a_limit_is_clamped(sender: ApiClient, trap: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("api.pagination.HIGHEST_LIMIT", 2)
    for _ in range(3):
        sender.send("returns", return_payload(trap))
    assert len(sender.read("returns?limit=3").json()["items"]) == 2


@pytest.mark.parametrize("rows", [2, 20])
def test_a_page_costs_the_same_queries_for_any_number_of_rows(
    sender: ApiClient, trap: Any, rows: int, django_assert_max_num_queries: Any
) -> None:
    """The six of the listing (its own docstring) and one or two for the token."""
    for _ in range(rows):
        sender.send("returns", return_payload(trap))
    with django_assert_max_num_queries(9):
        assert len(sender.read("returns").json()["items"]) == rows
