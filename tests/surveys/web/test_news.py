"""News and what moved in the last night, for one region, never below the limits."""

from __future__ import annotations

from datetime import date

import pytest
from django.test import Client
from django.utils import timezone

from surveys.models import Account, Job, News, Region, Run, Season
from surveys.queries.news import Moved, last_night
from surveys.services.news import write_news
from surveys.vocabulary import JobKind, JobState, RunState
from surveys.web.moved import has_moved
from tests.factories import client_of, make_account, make_coordinator, make_season, make_trap
from tests.reading import grade_of, sentences_of
from tests.surveys.web.figures import make_run, make_values
from tests.surveys.web.sending import summary_links, title_of

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def season() -> Season:
    return make_season()


def signed_in(account: Account) -> Client:
    return client_of(account)


def page_of(address: str, client: Client | None = None) -> str:
    answer = (client or Client()).get(address)
    assert answer.status_code == 200
    return answer.content.decode()


def earlier_run(season: Season) -> Run:
    """A run of the night before, no longer shown."""
    job = Job.objects.create(kind=JobKind.NIGHT, key=f"{season.code}/2026-05-03", state=JobState.DONE)
    return Run.objects.create(
        season=season, job=job, fence=1, night=date(2026, 5, 3), state=RunState.SUPERSEDED, method_version="1",
        protocol_version="1", code_version="c0de", seed=1, snapshot_event=7, snapshot_hash="a" * 64,
        published_at=timezone.now(),
    )  # fmt: skip


def test_the_news_of_a_region_and_of_all_stands_newest_first_with_its_date(season: Season) -> None:
    by = make_coordinator()
    for region, title in (("eastmark", "One"), (None, "Two"), ("westmark", "Three"), ("eastmark", "Four")):
        write_news(by=by, region=region, title=title, text="Text.\n\nMore.")
    page = page_of("/news/?region=eastmark")
    assert [page.index(f"<h2>{title}</h2>") for title in ("Four", "Two", "One")] == sorted(
        page.index(f"<h2>{title}</h2>") for title in ("Four", "Two", "One")
    )
    assert "<h2>Three</h2>" not in page
    assert f"{timezone.now():%B %Y}" in page
    assert "<p>Text.</p>" in page
    assert "<h2>Two</h2>" in page_of("/news/")
    assert "<h2>One</h2>" not in page_of("/news/")


def test_a_household_sees_the_news_of_its_own_region(season: Season) -> None:
    write_news(by=make_coordinator(), region="eastmark", title="One", text="Text.")
    assert "<h2>One</h2>" in page_of("/news/", signed_in(make_trap().site.household.keeper))


def test_a_page_without_season_or_region_still_stands() -> None:
    assert "There is no news now." in page_of("/news/")
    make_season()
    assert Client().get("/news/?region=nowhere").status_code == 404


def test_what_moved_is_told_for_figures_that_are_shown(season: Season) -> None:
    before, now = earlier_run(season), make_run(season)
    make_values(before, group="woodlice", window="spring", rows=(("eastmark", "shown", 3.0, 2.0, 4.0, 20, 0),))
    make_values(now, group="woodlice", window="spring", rows=(("eastmark", "shown", 4.25, 3.1, 5.6, 24, 0),))
    make_values(before, group="spiders", window="spring", rows=(("eastmark", "shown", 5.0, 2.0, 9.0, 20, 0),))
    make_values(now, group="spiders", window="spring", rows=(("eastmark", "wide", 1.25, 0.5, 5.6, 24, 0),))
    make_values(now, group="millipedes", window="spring", rows=(("eastmark", "shown", 0.5, 0.2, 0.9, 24, 0),))
    make_values(before, group="springtails", window="spring", rows=(("eastmark", "shown", 2.01, 1.0, 3.0, 20, 0),))
    make_values(now, group="springtails", window="spring", rows=(("eastmark", "shown", 2.02, 1.0, 3.0, 24, 0),))
    make_values(now, group="centipedes", window="spring", rows=(("eastmark", "too_few", None, None, None, 6, 77),))
    page = page_of("/news/?region=eastmark")
    assert "Woodlice, Spring: up from about 3.0 to about 4.2 a night, likely between 3.1 and 5.6." in page
    assert "Spiders, Spring: down from about 5.0 to about 1.2 a night, likely between 0.50 and 5.6." in page
    assert "Millipedes, Spring: there are enough traps now." in page
    assert "1 other figure stayed as it was." in page
    assert "Centipedes" not in page
    assert "77" not in page


def test_too_few_traps_show_no_number(season: Season) -> None:
    make_values(make_run(season), group="woodlice", window="spring")
    page = page_of("/news/?region=westmark")
    assert "There are too few traps here for a figure yet." in page
    assert "Woodlice" not in page.split("<main")[1]


def test_the_first_night_has_nothing_to_be_set_beside(season: Season) -> None:
    make_values(make_run(season), group="woodlice", window="spring")
    assert "This was the first night of figures" in page_of("/news/?region=eastmark")


def test_a_figure_moves_when_a_reader_sees_another_one() -> None:
    assert not has_moved(Moved("g", "w", 4.24, 4.16, 3, 5))  # both read 4.2
    assert has_moved(Moved("g", "w", 4.24, 4.26, 3, 5))
    assert has_moved(Moved("g", "w", None, 4.2, 3, 5))


def test_the_last_night_takes_four_queries_however_many_figures(season: Season, django_assert_num_queries) -> None:
    before, now = earlier_run(season), make_run(season)
    for group in ("woodlice", "spiders", "springtails"):
        for run in (before, now):
            make_values(run, group=group, window="spring")
    region = Region.objects.get(code="eastmark")
    with django_assert_num_queries(4):
        found = last_night(season, region)
    assert found is not None
    assert len(found.figures) == 3


def test_a_coordinator_writes_and_takes_down_on_the_page(season: Season) -> None:
    client = signed_in(make_coordinator("eastmark"))
    assert 'href="/news/write/"' in page_of("/news/", client)
    form = {"region": "eastmark", "title": "A warm week", "text": "Look at dusk."}
    for _ in range(2):  # a double tap
        assert client.post("/news/write/", form).headers["Location"] == "/news/write/"
    news = News.objects.get()
    assert "A warm week" in page_of("/news/write/", client)
    assert 'value="*"' not in page_of("/news/write/", client), "not for all regions"
    assert client.post("/news/write/", {"down": str(news.pk)}).status_code == 302
    assert "A warm week" not in page_of("/news/?region=eastmark")


@pytest.mark.parametrize(
    ("changes", "targets"),
    [({"title": ""}, ["title"]), ({"text": "\0"}, ["text"]), ({"region": "x"}, ["region"]), ({"title": "x" * 121}, ["title"])],
)  # fmt: skip
def test_news_that_is_not_ready_is_shown_again(season: Season, changes: dict[str, str], targets: list[str]) -> None:
    client = signed_in(make_coordinator())
    answer = client.post("/news/write/", {"region": "eastmark", "title": "A <b>", "text": "Some text.", **changes})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert title_of(page).startswith("Error: ")
    assert summary_links(page) == targets
    if "title" not in changes:
        assert 'value="A &lt;b&gt;"' in page


def test_who_may_write(season: Season) -> None:
    form = {"region": "eastmark", "title": "One", "text": "Two."}
    news = write_news(by=make_coordinator(), region="eastmark", title="Up", text="Text.")
    for client, status in (
        (Client(), 302), (signed_in(make_account()), 403), (signed_in(make_coordinator("westmark")), 403),
    ):  # fmt: skip
        assert client.post("/news/write/", form).status_code == status
        assert client.post("/news/write/", {"down": str(news.pk)}).status_code == status
    west = signed_in(make_coordinator("westmark"))
    assert west.post("/news/write/", {**form, "region": "*"}).status_code == 403
    for wrong in ("0", "x", "9" * 30):
        assert west.post("/news/write/", {"down": wrong}).status_code == 404
    assert News.objects.filter(taken_down_at__isnull=True).count() == 1


def test_news_is_plain_paragraphs_and_nothing_else(season: Season) -> None:
    text = "<script>alert(1)</script>\n\n[a](javascript:alert(2)) **bold**"
    write_news(by=make_coordinator(), region=None, title="<b>One</b>", text=text)
    page = page_of("/news/")
    assert "<script>alert" not in page
    assert "<b>One" not in page
    assert "<p>[a](javascript:alert(2)) **bold**</p>" in page


def test_the_page_reads_at_grade_five_or_below(season: Season) -> None:
    before, now = earlier_run(season), make_run(season)
    make_values(before, group="woodlice", window="spring", rows=(("eastmark", "shown", 3.0, 2.0, 4.0, 20, 0),))
    make_values(now, group="woodlice", window="spring")
    assert grade_of(sentences_of(page_of("/news/?region=eastmark"))).grade <= 5.0
