"""Live data over HTTP: who reads it, page by page, with everything that it tells named by hand."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from typing import Any
from urllib.parse import urlsplit

import pytest

from surveys.models import Return, Season
from surveys.queries import live_data
from surveys.vocabulary import ReturnState, TokenScope
from tests.factories import (
    ApiClient,
    make_account,
    make_household,
    make_researcher,
    make_season,
    make_site,
    make_trap,
    send_return,
    token_of,
)

pytestmark = pytest.mark.django_db

#: Every name of an item, written by hand (OWASP API3:2023, property level). A new name fails until it is meant.
ITEM = {
    "return_id", "season", "region", "cell", "cell_latitude", "cell_longitude", "cell_uncertainty_m", "site_id",
    "trap_number", "habitat", "window", "night", "set_at", "emptied_at", "exposure_hours", "traps_pooled",
    "trap_nights", "mouth_mm", "rim_ratio", "fresh", "school", "first_return", "temp_min_c", "temp_max_c",
    "time_precision", "material", "wall", "colour", "nesting", "rim", "rim_gap", "cover", "cover_kind", "guard",
    "refuge", "liquid", "drain_holes", "hole_reuse", "disturbance", "pesticide", "looks", "ground_cover", "vegetation",
    "temp_source", "rain", "wind", "ground", "trap_state", "counted_in", "looked_for_all", "remains_seen", "release",
    "closing", "depth_mm", "cover_gap_mm", "cover_width_mm", "guard_hole_mm", "water_mm", "traps_open", "standing",
    "state", "query_reason", "verdict_reason", "left_out", "counts", "findings",
}  # fmt: skip
COUNT = {
    "group", "answer", "count_min", "count_max", "detected", "corrected", "sent_answer", "sent_count_min",
    "sent_count_max",
}  # fmt: skip


@pytest.fixture(autouse=True)
def fresh_places() -> Iterator[None]:
    """Read the places anew in each test."""
    live_data._live_places.cache_clear()
    yield
    live_data._live_places.cache_clear()


@pytest.fixture
def season() -> Season:
    season = make_season()
    for _ in range(7):
        send_return(make_trap(site=make_site(household=make_household())), note="secret words")
    Return.objects.update(state=ReturnState.STANDING)
    return season


@pytest.fixture
def researcher(season: Season) -> ApiClient:
    return ApiClient(make_researcher())


def test_an_item_holds_what_a_release_holds_and_nothing_else(season: Season, researcher: ApiClient) -> None:
    answer = researcher.read("data/returns?season=test-2026")
    items = answer.json()["items"]
    assert len(items) == 7
    assert {frozenset(one) for one in items} == {frozenset(ITEM)}
    assert {frozenset(one) for item in items for one in item["counts"]} == {frozenset(COUNT)}
    text = answer.content.decode()
    household = Return.objects.select_related("trap__site__household__keeper").first().trap.site.household
    for secret in ("secret words", household.alias, str(household.public_id), household.keeper.email, "note"):
        assert secret not in text
    assert answer["Cache-Control"] == "no-store"


def test_a_walk_by_next_and_one_by_link_are_the_same(season: Season, researcher: ApiClient) -> None:
    met: list[str] = []
    address = "/api/v1/data/returns?season=test-2026&limit=3"
    while address:
        answer = researcher.get(address)
        page = answer.json()
        met += [one["return_id"] for one in page["items"]]
        assert answer.headers.get("Link") == (f'<{page["next"]}>; rel="next"' if page["next"] else None)
        following = urlsplit(page["next"] or "")
        address = f"{following.path}?{following.query}" if page["next"] else ""
    assert met == sorted(str(one) for one in Return.objects.values_list("uuid", flat=True))


@pytest.mark.parametrize(
    ("query", "pointer", "code"),
    [
        ("", "/season", "required"),
        ("season=", "/season", "required"),
        ("season=nowhere-2026", "/season", "unknown_season"),
        ("season=test-2026%00", "/season", None),
        ("season=test-2026&region=moon", "/region", "unknown_word"),
        ("season=test-2026&night_from=today", "/night_from", "not_a_day"),
        ("season=test-2026&state=withdrawn", "/state", "unknown_word"),
        ("season=test-2026&limit=0", "/limit", "bad_limit"),
        ("season=test-2026&cursor=abc", "/cursor", "bad_cursor"),
        ("season=test-2026&colour=red", "/colour", "unknown_parameter"),
    ],
)
def test_each_wrong_question_is_refused_alone_and_in_words(
    season: Season, researcher: ApiClient, query: str, pointer: str, code: str | None
) -> None:
    answer = researcher.read(f"data/returns?{query}")
    if code is None:  # a NUL is no part of any code, and nothing falls over for it
        assert answer.status_code in (200, 400)
        return
    assert answer.status_code == 400, answer.content
    (row,) = answer.json()["errors"]
    assert (row["pointer"], row["code"]) == (pointer, code)
    assert row["detail"].endswith(".")


def test_a_cursor_of_one_question_is_none_of_another(season: Season, researcher: ApiClient) -> None:
    following = researcher.read("data/returns?season=test-2026&limit=3").json()["next"]
    cursor = urlsplit(following).query.split("cursor=")[1].split("&")[0]
    assert researcher.read(f"data/returns?season=test-2026&limit=3&cursor={cursor}").status_code == 200
    assert researcher.read(f"data/returns?season=test-2026&region=eastmark&cursor={cursor}").status_code == 400
    assert ApiClient(make_researcher()).read(f"data/returns?season=test-2026&cursor={cursor}").status_code == 400


def test_who_reads_it(season: Season) -> None:
    path = "data/returns?season=test-2026"
    assert ApiClient().read(path).status_code == 401
    assert ApiClient(make_account()).read(path).status_code == 403
    account = make_researcher()
    for scopes, status in (((TokenScope.SEND,), 403), ((TokenScope.READ_DATA,), 200)):
        answer = ApiClient().read(path, Authorization=f"Bearer {token_of(account, *scopes)}")
        assert answer.status_code == status


@pytest.mark.parametrize("limit", [1, 3, 500])
def test_a_page_costs_the_same_few_queries_however_long_it_is(
    season: Season, researcher: ApiClient, django_assert_num_queries: Any, limit: int
) -> None:
    """Token, its other tokens, roles, season, page: five. The lists and places of the season are known by then."""
    researcher.read("data/returns?season=test-2026")
    with django_assert_num_queries(4):
        assert researcher.read(f"data/returns?season=test-2026&limit={limit}&group=spiders").status_code == 200


def test_what_is_withdrawn_is_gone_with_the_next_page(season: Season, researcher: ApiClient) -> None:
    first = researcher.read("data/returns?season=test-2026&limit=1").json()
    gone = Return.objects.order_by("uuid")[1]
    Return.objects.filter(pk=gone.pk).update(state=ReturnState.WITHDRAWN)
    following = urlsplit(first["next"])
    (item,) = researcher.get(f"{following.path}?{following.query}").json()["items"]
    assert uuid.UUID(item["return_id"]) == Return.objects.exclude(pk=gone.pk).order_by("uuid")[1].uuid
