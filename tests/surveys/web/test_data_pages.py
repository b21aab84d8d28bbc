"""The pages of the data and of releases: what they show is what the files say; a withdrawn one is a tombstone."""

from __future__ import annotations

import csv
import hashlib
import json
import re
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings as django_settings
from django.test import Client
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from surveys.models import Release
from surveys.vocabulary import Exclusion
from surveys.web.json_block import json_block
from surveys.web.release_figures import effort_edges, read_index, shade_in
from surveys.web.snippets import snippets
from tests.factories import make_season
from tests.reading import grade_of, sentences_of
from tests.shown_releases import put_release, withdraw

pytestmark = pytest.mark.django_db(transaction=True)

PAGE = "/releases/1.0.0/"


@pytest.fixture(autouse=True)
def own_folder(settings: Any, tmp_path: Path) -> None:
    settings.RELEASES_FOLDER = tmp_path


def words(path: str = PAGE, status: int = 200) -> str:
    """Return a page as one line."""
    answer = Client().get(path)
    assert answer.status_code == status
    return " ".join(answer.content.decode().split())


def rows_of(name: str, version: str = "1.0.0") -> list[dict[str, str]]:
    """Return the rows of a released table, read with the standard library alone."""
    with (Path(django_settings.RELEASES_FOLDER) / version / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


class Blocks(HTMLParser):
    """Outside judge: what the standard library's parser finds in the ``script`` elements of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.types: list[str | None] = []
        self.texts: list[str] = []
        self._inside = False
        self.feed(page)

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        if tag == "script":
            self._inside = True
            self.types.append(dict(attributes).get("type"))
            self.texts.append("")

    def handle_endtag(self, tag: str) -> None:
        self._inside = self._inside and tag != "script"

    def handle_data(self, text: str) -> None:
        if self._inside:
            self.texts[-1] += text


def json_ld_of(page: str) -> dict[str, Any]:
    found = Blocks(page)
    assert found.types == ["application/ld+json"]
    read: dict[str, Any] = json.loads(found.texts[0])
    return read


# --- the page of the data -------------------------------------------------------------------------


def test_before_the_first_release_the_page_of_the_data_says_so() -> None:
    assert "There is no release yet." in words("/data/")


@pytest.mark.parametrize(
    "said",
    [
        "How many animals there are. A cup counts what walks into it",
        "activity-density",
        "Some fall into cups more easily than others",
        "Volunteers choose themselves",
        "A place is a square about 10 km wide",
        "An empty cell is never a zero",
    ],
)
def test_the_page_says_what_the_data_cannot_say(said: str) -> None:
    """The limits are those of METHODS.md, sections 1, 5.8 and 12."""
    assert said in words("/data/")


def test_the_page_tells_every_reason_why_a_return_is_missing() -> None:
    page = unescape(words("/data/")).lower()
    assert len(Exclusion) > 5
    assert [reason.label for reason in Exclusion if reason.label not in page] == []


def test_the_page_leads_to_live_data_the_map_service_and_the_description() -> None:
    put_release()
    page = unescape(words("/data/"))
    for address in ("/account/tokens/", "/codebook/", "/methods/", "/api/v1/openapi.json", PAGE, "/releases/"):
        assert f'href="{address}"' in page, address
    for address in ("/api/v1/data/returns?season=", "/api/v1/exports"):
        assert f"http://testserver{address}" in page, address


def test_researchers_find_the_data_from_the_foot_of_a_page_from_the_season_and_from_the_codebook() -> None:
    make_season()
    for path in ("/", "/seasons/test-2026/", "/codebook/"):
        assert 'href="/data/"' in words(path), path


@pytest.mark.parametrize("path", ["/data/", "/releases/", PAGE, "/releases/1.1.0/"])
def test_every_link_of_these_pages_leads_somewhere(path: str) -> None:
    put_release()
    withdraw(put_release("1.1.0"))
    put_release("1.2.0")
    for address in set(re.findall(r'href="(/[^"#]*)', Client().get(path).content.decode())):
        answer = Client().get(unescape(address))
        assert answer.status_code in ((200, 302) if address != "/releases/1.1.0/" else (410,)), address


@pytest.mark.parametrize("path", ["/data/", "/releases/", PAGE, "/releases/1.1.0/"])
def test_these_pages_read_at_grade_8_or_below(path: str) -> None:
    """U7 of the standards notes; Flesch and Kincaid's formula, counted with an outside dictionary."""
    put_release()
    withdraw(put_release("1.1.0"))
    assert grade_of(sentences_of(Client().get(path).content.decode())).grade <= 8.0


def test_no_page_says_that_a_catch_counts_what_lives_there() -> None:
    put_release()
    for path in ("/data/", "/releases/", PAGE):
        assert not re.search(r"abundance|population|per m²", words(path).lower()), path


# --- the list, and the newest one -----------------------------------------------------------------


def test_the_list_has_the_newest_first_and_keeps_what_was_withdrawn_with_its_reason() -> None:
    for version in ("1.9.0", "1.10.0", "2.0.0"):
        put_release(version)
    withdraw(Release.objects.get(version="1.10.0"), because="A square stood for four gardens.")
    page = words("/releases/")
    table = page[page.index("<tbody>") : page.index("</tbody>")]
    # Semantic Versioning 2.0.0, 11: numbers are compared as numbers, so 1.10.0 comes after 1.9.0.
    assert re.findall(r'href="/releases/([\d.]+)/"', table) == ["2.0.0", "1.10.0", "1.9.0"]
    assert "<strong>Withdrawn:</strong> A square stood for four gardens." in table


def test_the_newest_release_is_the_newest_that_is_published() -> None:
    put_release("1.0.0")
    put_release("1.10.0")
    withdraw(put_release("2.0.0"))
    answer = Client().get("/releases/latest/")
    assert (answer.status_code, answer.headers["Location"]) == (302, "/releases/1.10.0/")
    assert "no-store" in answer.headers["Cache-Control"]


def test_before_there_is_a_release_there_is_no_newest_one() -> None:
    assert "There is no release yet" in unescape(words("/releases/latest/", status=404))


@pytest.mark.parametrize("version", ["1.0.1", "none", "1.0.0%27", "..%2f1.0.0", "%00"])
def test_a_number_that_was_never_given_is_not_there(version: str) -> None:
    put_release()
    assert Client().get(f"/releases/{version}/").status_code == 404


# --- one release ----------------------------------------------------------------------------------


def test_the_page_counts_what_the_files_hold() -> None:
    """Outside judge: the rows as the standard library counts them."""
    put_release()
    page = words()
    returns = rows_of("returns")
    for label, number in {
        "Returns": len(returns),
        "Answers about a group": len(rows_of("counts")),
        "Gardens": len({row["site_id"] for row in returns}),
        "Seasons": len(rows_of("seasons")),
        "Regions": len({row["region"] for row in rows_of("regions")}),
    }.items():
        assert f"<dt>{label}</dt> <dd> {number} </dd>" in page, label


def test_every_file_stands_there_with_its_size_rows_and_checksum() -> None:
    """Outside judge: sha256 and size of the files on the disk, and a line count of the tables."""
    put_release()
    page = words()
    folder = Path(django_settings.RELEASES_FOLDER) / "1.0.0"
    files = sorted(path for path in folder.iterdir() if path.name != "manifest.json")
    assert len(files) > 30
    for path in files:
        row = page.split(f'<a href="{PAGE}{path.name}">{path.name}</a>')[-1].split("</tr>")[0]
        assert hashlib.sha256(path.read_bytes()).hexdigest() in row, path.name
        size = path.stat().st_size
        told = f"{size / 1024:.1f} KB" if size >= 1024 else f"{size} bytes"
        assert told in row, path.name
        if path.suffix == ".csv":
            assert f'<td class="number">{len(rows_of(path.stem))}</td>' in row, path.name


def test_figures_are_those_of_the_frozen_index_and_not_of_last_night() -> None:
    put_release()
    level = {(row["region"], row["group"]): row for row in rows_of("index_level") if row["rim_exponent"] == "1"}
    page = words(f"{PAGE}?group=spiders&window=spring")
    table = page[page.index("Spiders, Spring: animals per trap-night") :].split("</table>")[0]
    for region in ("alder-quay", "cawder"):
        numbers = [f"{float(level[region, 'spiders'][name]):.2f}" for name in ("estimate", "low", "high")]
        assert " ".join(f'<td class="number">{number}</td>' for number in numbers) in table


@pytest.mark.parametrize("query", ["?group=unicorns", "?window=winter", "?group=%00"])
def test_a_group_or_window_that_the_release_does_not_have_is_not_there(query: str) -> None:
    put_release()
    assert Client().get(PAGE + query).status_code == 404


def figure(name: str, estimate: float | None, low: float = 0.0, high: float = 0.0) -> dict[str, Any]:
    return {"name": name, "shown": estimate is not None, "estimate": estimate, "low": low, "high": high}


def test_a_difference_between_regions_is_told_only_where_the_intervals_lie_apart() -> None:
    apart = read_index([figure("Cawder", 4.0, 3.0, 5.0), figure("Larkfell", 1.0, 0.5, 2.0), figure("Thornmere", None)])
    assert apart == (
        "Highest in Cawder: about 4.0 animals in a trap-night, likely between 3.0 and 5.0. Lowest in Larkfell, about "
        "1.0: the intervals lie apart, so the two very likely differ. 1 region has too few returns for a figure."
    )
    overlap = read_index([figure("Cawder", 4.0, 2.0, 5.0), figure("Larkfell", 1.0, 0.5, 2.0)])
    assert "the intervals overlap, so the two may not differ at all" in overlap
    assert read_index([figure("Cawder", None)]) == "No region has enough returns for a figure here."


def test_the_map_shows_the_effort_of_the_cells_of_the_releases_own_season() -> None:
    put_release()
    cells = [row for row in rows_of("cells") if row["season"] == "merrow-2026"]
    page = words()
    nights = sum(float(row["trap_nights"]) for row in cells)
    assert f"{len(cells)} grid cells stand for five gardens or more: {nights:.0f} trap-nights in all." in page
    assert page.count('class="grid-cell') == len(cells)
    most = max(cells, key=lambda row: float(row["trap_nights"]))
    table = page[page.index("Grid cells, most effort first") :].split("</table>")[0]
    assert table.index(most["cell"]) == min(table.index(row["cell"]) for row in cells)
    assert f'<td class="number">{float(most["trap_nights"]):.1f}</td>' in table


@pytest.mark.parametrize(
    ("most", "edges"),
    [
        # By hand: the series 1, 2, 5 times powers of ten, six edges, the last at or above the most.
        (340, [0, 20, 50, 100, 200, 500]),
        (500, [0, 20, 50, 100, 200, 500]),
        (501, [0, 50, 100, 200, 500, 1000]),
        (1, [0, 0.05, 0.1, 0.2, 0.5, 1]),
        (0.7, [0, 0.05, 0.1, 0.2, 0.5, 1]),
        (22.9, [0, 2, 5, 10, 20, 50]),
    ],
)
def test_classes_of_effort_end_on_round_numbers_at_or_above_the_most(most: float, edges: list[float]) -> None:
    assert effort_edges(most) == pytest.approx(edges)


def test_an_amount_on_an_edge_belongs_to_the_class_below_it() -> None:
    edges = [0.0, 2.0, 5.0, 10.0, 20.0, 50.0]
    assert [shade_in(amount, edges) for amount in (0.0, 2.0, 2.1, 20.0, 20.1, 50.0)] == [1, 1, 2, 4, 5, 5]


def test_what_is_not_in_it_is_told_in_words_and_a_few_is_never_a_number() -> None:
    """The small release leaves out 7 queried returns, and a few whose number is not told."""
    put_release()
    page = words()
    table = page[page.index("Returns that are not in it") :].split("</table>")[0]
    assert re.search(r"Waits for a coordinator .*?<td class=\"number\">7</td>", table)
    assert re.search(r"Its place would stand for too few gardens .*?<td class=\"number\">a few</td>", table)
    assert "they come from one to four gardens" in page


def test_the_page_says_how_to_cite_it() -> None:
    put_release()
    page = words()
    assert (
        "Merrow Field Office (2026): Merrow Night Count 2026, release 1.0.0. Invented data. "
        "https://trapnight.example/releases/1.0.0/"
    ) in page
    assert f'href="{PAGE}CITATION.cff"' in page
    bibtex = unescape(re.search(r"<code>(@misc.*?)</code>", Client().get(PAGE).content.decode(), re.DOTALL)[1])  # type: ignore[index]
    assert bibtex.count("{") == bibtex.count("}")
    assert "year = {2026}" in bibtex
    assert "author = {{Merrow Field Office}}" in bibtex
    assert "url = {https://trapnight.example/releases/1.0.0/}" in bibtex


def test_an_invented_season_says_so_at_the_top_and_a_real_one_does_not() -> None:
    put_release("1.0.0", invented=True)
    page = words()
    assert page.index("Everything here is invented.") < page.index("<h1>")
    put_release("2.0.0", invented=False, season="merrow-2027", seasons=(2027,))
    assert "invented" not in words("/releases/2.0.0/").lower()


def test_a_newer_release_is_named_on_the_page_of_an_older_one() -> None:
    put_release()
    assert "There is a newer release" not in words()
    put_release("1.1.0")
    assert 'There is a newer release: <a href="/releases/1.1.0/">' in words()
    assert "There is a newer release" not in words("/releases/1.1.0/")


REVIEW = {
    "agreement": {"looked": 40, "share": 0.95, "share_low": 0.83, "share_high": 0.99, "kappa": None, "kappa_low": None,
                  "kappa_high": None, "code": "estimated"},
    "wrong": {"estimate": 0.05, "low": 0.01, "high": 0.17, "looked": 40, "wrong": 2, "usable": 800, "code": "estimated"},
    "strata": [{"state": "standing", "usable": 800, "looked": 40, "wrong": 2}],
    "waiting": 0, "corrected": 3,
}  # fmt: skip


def test_the_page_says_how_good_the_review_was_when_it_was_frozen() -> None:
    put_release(review=REVIEW)
    page = words()
    assert "Of 100 returns that were let through, about 5 are still wrong." in page
    assert "The true number may well lie between 1 and 17." in page
    assert "38 of 40 second looks" in page
    assert "3 corrected returns are not in these figures" in page


def test_without_second_looks_the_page_says_that_there_were_none() -> None:
    put_release()
    assert "No second look had been given" in words()


CHANGES = {
    "before": {"version": "1.0.0", "season": "merrow-2025"},
    "tables": {
        "returns": {"rows_before": 90, "rows_now": 98, "came_in": 10, "went_out": 2, "changed": 5},
        "counts": {"rows_before": 360, "rows_now": 392, "came_in": 40, "went_out": 8, "changed": 0},
        "groups": {"rows_before": 8, "rows_now": 8, "came_in": 0, "went_out": 0, "changed": 0},
    },
    "sites": {"before": 20, "now": 24, "came_in": 5, "went_out": 1},
    "columns": {"came_in": ["returns.wind"], "went_out": []},
    "method": {"before": "1", "now": "2"},
    "schema": {"before": "1.0", "now": "1.1"},
    "facts": ["boundaries", "code_version"],
    "index": {
        "compared": 30, "moved": 12, "median": 0.0953, "from_or_to_nought": 0,
        "largest": {"season": "merrow-2026", "region": "cawder", "window": "spring", "group": "spiders", "before": 2.0,
                    "now": 3.0, "log_ratio": 0.405},
        "shown_now_only": 2, "shown_before_only": 0,
    },
}  # fmt: skip


@pytest.mark.parametrize(
    "said",
    [
        'Compared with release <a href="/releases/1.0.0/">1.0.0</a> of the season merrow-2025',
        "Gardens: 20 before, 24 now. 5 came in, 1 went out.",
        "New columns: returns.wind.",
        "The method went from version 1 to 2.",
        "The tables went from version 1.0 to 1.1.",
        "The boundaries of regions were drawn anew.",
        "30 figures are shown in both releases, and 12 of them moved.",
        "Half of them moved by no more than 10 %.",  # exp(0.0953) is 1.1
        "The furthest move: Spiders, Cawder, Spring of merrow-2026, from 2.0 to 3.0.",
        "2 figures are shown now and were not before; 0 are not any more.",
        "As they were: <code>groups</code>",
    ],
)
def test_the_page_says_what_changed_since_the_last_release(said: str) -> None:
    put_release()
    put_release("1.1.0", replaces="1.0.0", changes=CHANGES)
    assert said in unescape(words("/releases/1.1.0/"))


def test_the_rows_that_changed_stand_in_a_table() -> None:
    put_release()
    put_release("1.1.0", replaces="1.0.0", changes=CHANGES)
    page = words("/releases/1.1.0/")
    row = page[page.index("Rows of the tables") :].split("<code>returns</code>")[1].split("</tr>")[0]
    assert re.findall(r"<td class=\"number\">(\d+)</td>", row) == ["90", "98", "10", "2", "5"]


def test_a_release_whose_files_are_gone_says_so_and_comes_back_with_them() -> None:
    put_release()
    folder = Path(django_settings.RELEASES_FOLDER) / "1.0.0"
    folder.rename(folder.with_name("away"))
    answer = Client().get(PAGE)
    assert (answer.status_code, answer.headers["Retry-After"]) == (503, "600")
    assert "cannot be read here at this moment" in answer.content.decode()
    folder.with_name("away").rename(folder)
    assert "cannot be read" not in words()


def test_the_number_of_questions_to_the_database_does_not_grow_with_rows(django_assert_max_num_queries: Any) -> None:
    put_release()
    words()
    with django_assert_max_num_queries(2):  # the release, and the newest one
        words(f"{PAGE}?group=spiders")


def test_the_page_in_german_asks_for_the_same_files() -> None:
    put_release()
    english = Client().get(PAGE).content.decode()
    german = Client().get(PAGE, headers={"Accept-Language": "de"}).content.decode()
    assert '<html lang="de">' in german
    files = re.compile(rf'href="({PAGE}[^"]+)"')
    assert files.findall(german) == files.findall(english)
    assert re.findall(r'data-snippet="[^"]+">(.*?)</code>', german, re.DOTALL) == re.findall(
        r'data-snippet="[^"]+">(.*?)</code>', english, re.DOTALL
    )


# --- withdrawn ------------------------------------------------------------------------------------


def test_a_withdrawn_release_is_a_tombstone_that_says_when_why_and_what_to_take_instead() -> None:
    withdraw(put_release("1.0.0"), because="A square stood for four gardens.")
    page = words(status=410)  # RFC 9110, section 15.5.11: gone, and likely for ever
    for said in ("Release 1.0.0 is withdrawn", "A square stood for four gardens.", "3 August 2026, 09:00 UTC",
                 "There is no later release of this season yet."):  # fmt: skip
        assert said in page
    assert "returns.csv" not in page
    assert Blocks(page).types == []
    put_release("1.0.1")
    assert re.search(r'<a href="/releases/1\.0\.1/"> *Release 1\.0\.1 *</a>', words(status=410))


# --- for programs ---------------------------------------------------------------------------------


def test_the_page_describes_the_release_as_schema_org_does() -> None:
    """Keys: schema.org, type Dataset, as listed in the standards notes, section 1.8. There is no official offline judge."""
    put_release()
    found = json_ld_of(Client().get(PAGE).content.decode())
    assert (found["@context"], found["@type"]) == ("https://schema.org/", "Dataset")
    wanted = {
        "name", "description", "url", "identifier", "version", "license", "creator", "datePublished",
        "temporalCoverage", "spatialCoverage", "variableMeasured", "isAccessibleForFree", "distribution",
    }  # fmt: skip
    assert wanted <= found.keys()
    assert len(found["description"]) >= 50
    assert found["license"] == "https://creativecommons.org/licenses/by/4.0/"
    assert (found["version"], found["datePublished"]) == ("1.0.0", "2026-07-01")
    assert found["temporalCoverage"] == "2025-04-01/2026-09-30"
    assert found["isAccessibleForFree"] is True
    assert found["creator"]["@type"] == "Organization"


def test_every_download_that_is_described_is_served_with_its_checksum() -> None:
    put_release()
    downloads = json_ld_of(Client().get(PAGE).content.decode())["distribution"]
    assert len(downloads) > 30
    for one in downloads:
        assert {"contentUrl", "encodingFormat", "contentSize", "sha256"} <= one.keys()
        answer = Client().get(one["contentUrl"].removeprefix("https://trapnight.example"))
        content = b"".join(answer.streaming_content)
        assert (answer.status_code, hashlib.sha256(content).hexdigest()) == (200, one["sha256"])
        assert one["contentSize"] == f"{len(content)} B"


def test_the_same_description_is_one_link_away() -> None:
    put_release()
    page = Client().get(PAGE).content.decode()
    (address,) = re.findall(r'<link rel="alternate"\s+type="application/ld\+json"\s+href="([^"]+)"', page)
    linked = json.loads(b"".join(Client().get(address).streaming_content))
    shown = json_ld_of(page)
    same = {"name", "description", "url", "version", "license", "temporalCoverage", "spatialCoverage"}
    assert {name: linked[name] for name in same} == {name: shown[name] for name in same}


NASTY = '</script><script>alert(1)</script><!--<script>\u2028 & "quoted" \\u003c'


def test_a_title_cannot_break_out_of_the_description() -> None:
    put_release(title=NASTY, organiser=NASTY)
    page = Client().get(PAGE).content.decode()
    assert json_ld_of(page)["name"] == f"{NASTY}, release 1.0.0"
    assert "<script>alert" not in page


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture])
@given(
    st.dictionaries(st.text(max_size=9), st.text(max_size=40) | st.lists(st.text(max_size=9), max_size=3), max_size=3)
)
def test_json_in_a_page_is_read_back_as_it_was_and_never_ends_its_element(value: dict[str, Any]) -> None:
    """Outside judges: the standard library's parsers of HTML and of JSON."""
    page = f'<script type="application/ld+json">{json_block(value)}</script><p>after</p>'
    assert json.loads(Blocks(page).texts[0]) == value
    assert not re.search(r"[<>&\u2028\u2029]", json_block(value))


def test_every_program_names_this_release_and_nothing_is_left_to_fill_in() -> None:
    put_release()
    page = Client().get(PAGE).content.decode()
    programs = {
        name: unescape(code) for name, code in re.findall(r'data-snippet="([^"]+)">(.*?)</code>', page, re.DOTALL)
    }
    assert sorted(programs) == ["duckdb.py", "geopandas.py", "pandas.py", "polars.py", "readr.R", "sf.R"]
    for name, code in programs.items():
        assert "http://testserver/releases/1.0.0/" in code, name
        assert "{{" not in code, name
        if name.endswith(".py"):
            compile(code, name, "exec")


VALUES = {"base": "http://x/", "ogc": "http://x/ogc", "season": "s", "region": "r", "window": "w", "group": "g"}


@pytest.mark.parametrize("name", sorted(VALUES))
@pytest.mark.parametrize("value", ['"', "'", "a b", "a\nb", "a\\b", "$(x)", "a;b", "é"])
def test_a_value_that_would_make_another_program_is_refused(name: str, value: str) -> None:
    assert len(snippets(VALUES)) == 6
    with pytest.raises(ValueError, match="cannot stand in a program"):
        snippets({**VALUES, name: value})
