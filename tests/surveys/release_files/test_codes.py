"""No code is one that readers swallow or spreadsheets change."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pandas
import pytest
from pandas._libs.parsers import STR_NA_VALUES

from surveys import vocabulary
from surveys.methods.geography import snap_to_cell
from surveys.release_files.codes import codes_in, is_changed_by_spreadsheets, is_swallowed, warnings_about_codes
from surveys.release_files.tables import TABLES
from surveys.vocabulary import Word
from tests.made_release import make_release, rows_of
from tests.released import write_small_release

#: What R takes for missing: documentation of read.csv (na.strings) and of readr (na), from memory.
R_NA = {"NA", ""}
LISTS = [
    one for one in vars(vocabulary).values() if isinstance(one, type) and issubclass(one, Word) and one is not Word
]
WORDS = sorted({word.value for words in LISTS for word in words})


def test_no_word_of_any_list_is_swallowed_or_changed() -> None:
    """Readers' lists: pandas' own, and R's."""
    assert len(WORDS) > 200
    assert [word for word in WORDS if word in STR_NA_VALUES | R_NA or is_swallowed(word)] == []
    assert [word for word in WORDS if is_changed_by_spreadsheets(word)] == []


def test_pandas_reads_every_word_as_the_text_it_is() -> None:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([["word"], *([word] for word in WORDS)])
    text.seek(0)
    assert list(pandas.read_csv(text)["word"]) == WORDS


def test_names_of_columns_and_tables_are_plain() -> None:
    names = [table.name for table in TABLES] + [name for table in TABLES for name in table.names]
    assert [name for name in names if not name.isascii() or name != name.lower() or " " in name] == []
    assert [name for name in names if is_swallowed(name) or is_changed_by_spreadsheets(name)] == []


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_no_coded_cell_of_a_release_is_swallowed(tmp_path: Path, seed: int) -> None:
    make_release(tmp_path, seed=seed)
    for table in TABLES:
        for row in rows_of(tmp_path, table.name):
            texts = [row[c.name] for c in table.columns if c.kind == "string" and row[c.name]]
            assert not set(texts) & (STR_NA_VALUES | R_NA)
            assert not any(is_changed_by_spreadsheets(text) for text in texts), texts
    assert warnings_about_codes(tmp_path) == []


@pytest.mark.parametrize(("latitude", "longitude"), [(51.45, -18.05), (-0.01, 0.01), (89.99, 179.99), (10.0, 10.0)])
def test_a_cell_code_survives_a_spreadsheet(latitude: float, longitude: float) -> None:
    assert not is_changed_by_spreadsheets(snap_to_cell(latitude, longitude).code)


@pytest.mark.parametrize("code", sorted(STR_NA_VALUES - {"", "-1.#IND", "-1.#QNAN", "1.#IND", "1.#QNAN", "#N/A N/A"}))
def test_what_pandas_swallows_is_known(code: str) -> None:
    """pandas' own list, without the four spellings of old compilers that no code can have."""
    assert is_swallowed(code)


@pytest.mark.parametrize(
    "code",
    # Ziemann and others (2016): names of genes that became dates and numbers; the rest is common practice, no source.
    ["SEPT2", "MARCH1", "DEC1", "2310009E13", "2-5", "6-10", "1E3", "may-2026", "2-jan", "10/12", "007", "3.4", "TRUE",
     "=a", "-b", "2026-05-01"],
)  # fmt: skip
def test_what_a_spreadsheet_changes_is_known(code: str) -> None:
    assert is_changed_by_spreadsheets(code)


@pytest.mark.parametrize(
    "code", ["merrow-2026", "c2to5", "spring", "march-wood", "may", "n51.40w18.10", "decoy-4", "a1e3"]
)
def test_what_a_spreadsheet_leaves_alone_is_left_alone(code: str) -> None:
    assert not is_changed_by_spreadsheets(code)


def test_a_code_that_programs_misread_is_told_to_whoever_reads_the_files(tmp_path: Path) -> None:
    write_small_release(tmp_path)
    path = tmp_path / "regions.csv"
    path.write_text(path.read_text().replace("cawder,", "nan,").replace("alder-quay,", "mar-2,"), encoding="utf-8")
    dates, swallowed = sorted(warnings_about_codes(tmp_path))
    assert dates == "The region `mar-2` is changed by spreadsheets. Import that column as text."
    assert "The region `nan` is taken for an empty cell" in swallowed


def test_codes_carry_what_the_newest_season_calls_them(tmp_path: Path) -> None:
    write_small_release(tmp_path)
    path = tmp_path / "regions.csv"
    path.write_text(path.read_text().replace("merrow-2026,2,cawder,Cawder", "merrow-2026,2,cawder,New Cawder"))
    assert codes_in(tmp_path)["region"] == {"alder-quay": "Alder Quay", "cawder": "New Cawder"}
