"""News: written and taken down by those who care for a region, never by others."""

from __future__ import annotations

import pytest

from surveys.errors import Faulty, NotAllowed, NotFound
from surveys.models import Event, News
from surveys.queries.news import news_of
from surveys.queries.sites import regions_on_the_map
from surveys.services.news import take_news_down, write_news
from tests.factories import make_account, make_coordinator, make_season

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture(autouse=True)
def season() -> None:
    make_season()


def test_a_coordinator_writes_for_her_region_and_takes_it_down_again() -> None:
    by = make_coordinator("eastmark")
    news = write_news(by=by, region="eastmark", title="  A  warm week ", text="Set a trap.\r\n\r\nMind the rain.")
    assert (news.title, news.text) == ("A warm week", "Set a trap.\n\nMind the rain.")
    east, west = regions_on_the_map()
    assert [list(news_of(one)) for one in (east, west, None)] == [[news], [], []]
    for _ in range(2):
        take_news_down(by=by, news=news.pk)
    assert list(news_of(east)) == []
    assert Event.objects.filter(verb__startswith="news").count() == 2


def test_news_for_all_regions_is_written_by_who_cares_for_all() -> None:
    for by in (make_coordinator(), make_coordinator("eastmark", "westmark")):
        news = write_news(by=by, region=None, title="To all", text=f"By {by.pk}.")
        assert news.region is None
    assert [len(news_of(one)) for one in (*regions_on_the_map(), None)] == [2, 2, 2]
    with pytest.raises(NotAllowed):
        write_news(by=make_coordinator("eastmark"), region=None, title="To all", text="No.")
    with pytest.raises(NotAllowed):
        take_news_down(by=make_coordinator("eastmark"), news=news.pk)


def test_nobody_else_writes_or_takes_down() -> None:
    news = write_news(by=make_coordinator("eastmark"), region="eastmark", title="One", text="Two.")
    for by in (make_account(), make_coordinator("westmark")):
        with pytest.raises(NotAllowed):
            write_news(by=by, region="eastmark", title="Three", text="Four.")
        with pytest.raises(NotAllowed):
            take_news_down(by=by, news=news.pk)
    with pytest.raises(NotFound):
        take_news_down(by=make_coordinator(), news=0)
    assert News.objects.get().taken_down_at is None


@pytest.mark.parametrize(
    ("changes", "fields"),
    [
        ({"title": " \0 "}, ["/title"]), ({"text": ""}, ["/text"]), ({"title": "x" * 121}, ["/title"]),
        ({"text": "x" * 4001}, ["/text"]), ({"region": "nowhere"}, ["/region"]),
        ({"title": "", "text": "", "region": "nowhere"}, ["/title", "/text", "/region"]),
    ],
)  # fmt: skip
def test_every_fault_is_told_at_once(changes: dict[str, str], fields: list[str]) -> None:
    given = {"region": "eastmark", "title": "A title", "text": "Some text.", **changes}
    with pytest.raises(Faulty) as refusal:
        write_news(by=make_coordinator(), **given)
    assert [one.pointer for one in refusal.value.faults] == fields
    assert News.objects.count() == 0


def test_the_same_news_put_up_twice_is_one() -> None:
    by = make_coordinator("eastmark")
    first, second = (write_news(by=by, region="eastmark", title="One", text="Two.") for _ in range(2))
    assert first == second
    assert Event.objects.filter(verb="news written").count() == 1
