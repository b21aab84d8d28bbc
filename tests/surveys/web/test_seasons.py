"""The season page: figures with intervals, what may be said of them, and where they come from."""

from __future__ import annotations

import re

import pytest
from django.test import Client

from surveys.models import Season
from surveys.web.readings import read_aloud
from tests.factories import make_season
from tests.surveys.web.figures import make_run, make_values

pytestmark = pytest.mark.django_db(transaction=True)


def season_page(query: str = "", status: int = 200) -> str:
    answer = Client().get(f"/seasons/test-2026/{query}")
    assert answer.status_code == status
    return " ".join(answer.content.decode().split())


def make_shown() -> Season:
    season = make_season()
    run = make_run(season)
    make_values(run, group="woodlice", window="spring")
    return season


def test_before_the_first_night_the_page_says_when_figures_come() -> None:
    make_season()
    page = season_page()
    assert "They are worked out each night" in page
    assert "(JSON)" not in page, "an address that has nothing yet is not shown"


def test_a_figure_stands_in_the_map_the_chart_and_the_table_with_its_interval() -> None:
    make_shown()
    page = season_page()
    table = page.split("<tbody>")[1]
    assert re.search(
        r'<td class="number">4\.25</td> <td class="number">3\.10</td> <td class="number">5\.60</td>', table
    )
    # 4.25 to two figures is 4.2 (round half to even, IEEE 754).
    assert '<tspan class="printed"' in page
    assert "4.2 (3.1 to 5.6)" in page


def test_a_region_with_too_few_returns_shows_no_figure_and_says_how_many_gardens_are_missing() -> None:
    make_shown()
    page = season_page()
    assert "too few returns: 4 more gardens" in page
    assert page.count("url(#hatch)") == 2  # the region, and the key
    assert "One region has too few returns for a figure." in page


def test_the_statement_stands_on_the_page_whether_or_not_there_are_figures() -> None:
    make_season()
    for _ in range(2):
        page = season_page()
        assert "Activity-density" in page
        assert "mean over gardens" in page
        assert "volunteers, who choose themselves" in page
        assert not re.search("abundance|population|per m²", page)
        if "31" not in page:
            make_values(make_run(Season.objects.get()), group="woodlice", window="spring")


def test_the_page_names_the_run_behind_its_figures() -> None:
    make_shown()
    page = season_page()
    for words in ("5na9" * 16, "20260504", "up to event 77", "c0de", "4 May 2026"):
        assert words in page
    assert 'href="/data/"' in page
    assert "/api/v1/seasons/test-2026/indices" in page
    assert "https://creativecommons.org/licenses/by/4.0/" in page


def test_group_and_window_can_be_chosen_and_the_choice_is_marked() -> None:
    make_shown()
    page = season_page("?group=spiders&window=autumn")
    assert "<title>Spiders, Autumn: Test count 2026</title>" in page
    main = page[page.index("<main") : page.index("</main>")]
    assert main.count('aria-current="true"') == 2
    assert "No region has enough returns yet to say how many spiders a trap catches in autumn." in page


def test_without_a_choice_the_latest_window_with_figures_is_shown() -> None:
    season = make_shown()
    make_values(season.runs.get(), group="spiders", window="summer")
    assert "<title>Woodlice, Summer:" in season_page()


@pytest.mark.parametrize("query", ["?group=unicorns", "?window=winter"])
def test_a_group_or_window_that_the_season_does_not_have_is_not_there(query: str) -> None:
    make_shown()
    season_page(query, status=404)


def test_a_season_that_is_not_there_is_a_404() -> None:
    assert Client().get("/seasons/none-1900/").status_code == 404


def test_the_number_of_questions_to_the_database_does_not_grow_with_regions(django_assert_max_num_queries) -> None:
    make_shown()
    with django_assert_max_num_queries(9):
        season_page()


def test_every_link_of_the_page_leads_somewhere() -> None:
    make_shown()
    for address in set(re.findall(r'href="(/[^"#]*|\?[^"]*)"', season_page())):
        path = address.replace("&amp;", "&")
        answer = Client().get(path if path.startswith("/") else f"/seasons/test-2026/{path}")
        assert answer.status_code in (200, 302), address


def row(name: str, estimate: float | None, low: float = 0.0, high: float = 0.0) -> dict[str, object]:
    shown = estimate is not None
    return {"name": name, "shown": shown, "estimate": estimate, "low": low, "high": high}


def test_a_difference_is_told_only_where_intervals_lie_apart() -> None:
    apart = read_aloud([row("A", 9.0, 6.0, 12.0), row("B", 2.0, 1.0, 3.0)], group="Ants", window="Spring")
    touching = read_aloud([row("A", 9.0, 3.0, 12.0), row("B", 2.0, 1.0, 3.0)], group="Ants", window="Spring")
    assert "very likely differ" in apart
    assert "may not differ at all" in touching


def test_a_reading_of_one_region_compares_it_with_none() -> None:
    said = read_aloud([row("A", 9.0, 6.0, 12.0), row("B", None), row("C", None)], group="Ants", window="Spring")
    assert said == (
        "In spring, a standard trap caught most ants in A: about 9.0 in one day and night, and likely between "
        "6.0 and 12. 2 regions have too few returns for a figure."
    )


def test_what_a_reader_must_know_of_a_group_stands_below_its_figures() -> None:
    season = make_season()
    run = make_run(season)
    run.parameters = {"components": {"woodlice": {"warnings": ["components_lean_on_prior"]}}}
    run.save()
    make_values(run, group="woodlice", window="spring")
    page = Client().get("/seasons/test-2026/?group=woodlice&window=spring").content.decode()
    assert "Fewer than 30 gardens have found this group. How much gardens differ is partly assumed." in page
    other = Client().get("/seasons/test-2026/?group=spiders&window=spring").content.decode()
    assert "Fewer than 30 gardens" not in other
