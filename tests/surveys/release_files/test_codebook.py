"""The codebook explains every column, word and term, and says truly how far each may travel."""

from __future__ import annotations

from pathlib import Path

import pytest

from surveys.codebook import exposure_of
from surveys.release_files.codebook import COARSENED, term_iri, travels, write_codebook
from surveys.release_files.tables import TABLES
from surveys.vocabulary import Exposure
from tests.made_release import rows_of


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_codebook(tmp_path)
    return tmp_path


def test_every_column_is_explained_in_its_order(folder: Path) -> None:
    rows = rows_of(folder, "codebook")
    found = {(row["table"], row["column"]): row for row in rows}
    assert len(found) == len(rows) == sum(len(table.columns) for table in TABLES)
    assert all(row["meaning"].endswith(".") for row in rows)
    for table in TABLES:
        assert [row["column"] for row in rows if row["table"] == table.name] == list(table.names)
    assert found["returns", "exposure_hours"] == {
        "table": "returns", "position": "15", "column": "exposure_hours", "type": "number", "unit": "hour",
        "meaning": "Hours from setting to emptying, rounded to a quarter.", "words": "", "required": "true",
        "travels": "coarsened",
    }  # fmt: skip
    assert found["counts", "answer"]["words"] == "answer_kind"
    assert found["counts", "count_max"]["required"] == "false"


def test_every_word_that_a_column_may_hold_is_explained(folder: Path) -> None:
    words = {(row["list"], row["word"]): row["label"] for row in rows_of(folder, "words")}
    lists = {row["words"] for row in rows_of(folder, "codebook")} - {""}
    assert {name for name, _ in words} == lists
    assert words["answer_kind", "none_seen"] == "looked, and there were none"
    assert words["cup_material", "card"] == "card or paper"
    for table in TABLES:
        for column in table.columns:
            if column.words is not None:
                assert {word.value for word in column.words} <= {word for _, word in words}


def test_rows_are_sorted_by_their_keys(folder: Path) -> None:
    for name, first in (("codebook", "table"), ("words", "list"), ("crosswalk", "table")):
        keys = [(row[first], int(row["position"])) for row in rows_of(folder, name)]
        assert keys == sorted(set(keys))


def test_terms_stand_with_their_address(folder: Path) -> None:
    """Namespaces: Darwin Core Quick Reference Guide, DCMI Metadata Terms."""
    rows = {(row["table"], row["column"]): row for row in rows_of(folder, "crosswalk")}
    assert rows["returns", "return_id"]["term_iri"] == "http://rs.tdwg.org/dwc/terms/eventID"
    assert rows["seasons", "licence"]["term_iri"] == "http://purl.org/dc/terms/license"
    assert rows["counts", "detected"]["note"].startswith("true is present, false is absent")
    assert set(rows) == {(t.name, c.name) for t in TABLES for c in t.columns if c.term}


def test_a_term_of_an_unknown_vocabulary_is_refused() -> None:
    with pytest.raises(KeyError):
        term_iri("xyz:name")


def test_how_far_a_column_travels_is_what_the_register_of_stored_columns_says() -> None:
    """The register knows models and stands above these files; here the two are compared."""
    stored = {name for table in TABLES for column in table.columns for name in column.stored}
    exposures = {name: exposure_of(*name.split(".")) for name in stored}
    assert {name for name, exposure in exposures.items() if exposure is Exposure.COARSENED} == COARSENED
    assert Exposure.NEVER not in exposures.values()
    region = next(column for table in TABLES for column in table.columns if column.name == "region")
    assert travels(region) is Exposure.OPEN
