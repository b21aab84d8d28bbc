"""The pages behind the API's problem codes, and the codebook."""

from __future__ import annotations

import inspect

import pytest
from django.test import Client

from api.errors import PROBLEMS
from surveys import vocabulary
from surveys.release_files.tables import TABLES
from surveys.web.codebook import title_of
from surveys.web.problems import OF_FILES, PAGES
from tests.factories import make_season

pytestmark = pytest.mark.django_db(transaction=True)


def test_the_pages_and_the_api_know_the_same_problems_by_the_same_titles() -> None:
    of_the_api = {code: page.title for code, page in PAGES.items() if code not in OF_FILES}
    assert of_the_api == {code: title for code, (_, title) in PROBLEMS.items()}
    assert set(PAGES) >= OF_FILES


@pytest.mark.parametrize("code", sorted(PROBLEMS))
def test_the_address_in_a_problem_leads_to_its_page(code: str) -> None:
    answer = Client().get(f"/problems/{code}/")
    assert answer.status_code == 200
    assert PAGES[code].remedy.split(".")[0] in answer.content.decode().replace("&lt;", "<").replace("&gt;", ">")


def test_a_code_that_is_none_is_a_404() -> None:
    assert Client().get("/problems/no-such-code/").status_code == 404


def test_an_answer_of_the_api_names_a_page_that_is_there() -> None:
    kind = Client().get("/api/v1/seasons/none-1900").json()["type"]
    assert Client().get(kind).status_code == 200


def test_every_released_column_and_every_word_is_in_the_codebook() -> None:
    make_season()
    page = Client().get("/codebook/").content.decode()
    for table in TABLES:
        assert f'id="table-{table.name}"' in page
        for column in table.columns:
            assert f'id="{table.name}.{column.name}"' in page
    lists = [
        kind
        for _, kind in inspect.getmembers(vocabulary, inspect.isclass)
        if issubclass(kind, vocabulary.Word) and kind is not vocabulary.Word
    ]
    assert len(lists) > 30
    for kind in lists:
        assert title_of(kind) in page
        for word in kind:
            assert f"<code>{word.value}</code>" in page


def test_the_codebook_stands_before_there_is_a_season_and_then_lists_what_it_asks() -> None:
    assert "Springtails" not in Client().get("/codebook/").content.decode()
    make_season()
    page = Client().get("/codebook/").content.decode()
    assert "<code>springtails</code>" in page
    assert "<code>hedge_base</code>" in page


def test_anchors_of_the_codebook_are_unique_and_every_link_to_one_finds_it() -> None:
    make_season()
    page = Client().get("/codebook/").content.decode()
    anchors = [part.split('"')[0] for part in page.split(' id="')[1:]]
    assert len(anchors) == len(set(anchors))
    links = {part.split('"')[0] for part in page.split('href="#')[1:]}
    assert links <= set(anchors)


def test_the_codebook_says_of_each_column_its_type_its_unit_its_list_and_its_term() -> None:
    page = " ".join(Client().get("/codebook/").content.decode().split())
    read = 0
    for table in TABLES:
        for column in table.columns:
            row = page.split(f'<tr id="{table.name}.{column.name}">')[1].split("</tr>")[0]
            assert f"<code>{column.name}</code>" in row
            assert f"<td>{column.kind}</td>" in row
            assert column.unit in row
            assert not column.words or f">{title_of(column.words)}</a>" in row
            assert f"<code>{column.term}</code>" in row if column.term else "<code>dwc:" not in row
            assert ("Never empty." in row) is column.required
            read += 1
    assert read > 100


def test_the_codebook_speaks_of_every_table_as_a_release_has_it() -> None:
    """The names of the tables as they were agreed on with those who read them, written here once more."""
    page = Client().get("/codebook/").content.decode()
    found = [part.split('"')[0] for part in page.split('id="table-')[1:]]
    assert found == [
        "seasons", "regions", "groups", "habitats", "windows", "returns", "counts", "findings", "exclusions", "cells",
        "index_level", "index_change",
    ]  # fmt: skip
