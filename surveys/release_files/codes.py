"""The codes that a season made up itself: what they are called, and which of them programs misread.

A closed list of this project is tested; a code of a region or a season was chosen by a person.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from surveys.release_files.reading import read_table
from surveys.release_files.tables import GROUPS, HABITATS, REGIONS, SEASONS, WINDOWS, Table

#: Texts that readers take for an empty cell unless they are told not to. Sources: pandas 3.1, ``STR_NA_VALUES``;
#: R, ``read.csv`` and readr (``NA``). Compared in small letters, as codes are written so.
SWALLOWED = frozenset({"na", "n/a", "nan", "-nan", "null", "none", "<na>", "#n/a", "#na"})

#: Texts that a spreadsheet turns into a date or a number as it opens a CSV: 3-4, mar-2, 2-jan, sept2, 1e3, 007.
#: Source: Ziemann, Eren and El-Osta (2016) Gene name errors are widespread in the scientific literature,
#: Genome Biology 17: 177 (names of months with a number, digits around an e); the rest is common practice, no source.
_MONTH = (
    r"(jan(uary)?|feb(ruary)?|mar(ch)?|apr(il)?|may|june?|july?|aug(ust)?|sept?(ember)?|oct(ober)?|nov(ember)?"
    r"|dec(ember)?)"
)
_CHANGED = re.compile(
    rf"(\d{{1,4}}[-/.]\d{{1,4}}([-/.]\d{{1,4}})?|{_MONTH}[-/. ]?\d{{1,4}}|\d{{1,4}}[-/. ]?{_MONTH}([-/. ]?\d{{2,4}})?"
    r"|\d+(\.\d+)?e[+-]?\d+|0\d+|\d{16,}|true|false|[=+@-].*)",
    re.IGNORECASE,
)

#: Where each coded column is listed: the table, its column, and the column that says what the code is called.
LISTS: dict[str, tuple[Table, str]] = {
    "season": (SEASONS, "title"),
    "region": (REGIONS, "name"),
    "group": (GROUPS, "name"),
    "habitat": (HABITATS, "label"),
    "window": (WINDOWS, "name"),
}


def is_swallowed(code: str) -> bool:
    """Say whether readers of CSV files take a code for an empty cell."""
    return code.lower() in SWALLOWED


def is_changed_by_spreadsheets(code: str) -> bool:
    """Say whether a spreadsheet turns a code into a date, a number or a formula."""
    return _CHANGED.fullmatch(code) is not None


def codes_in(folder: Path) -> dict[str, dict[str, str]]:
    """Return the codes of each coded column with what they are called; the newest season's words win."""
    return {column: _called(folder, *LISTS[column], column) for column in LISTS}


def _called(folder: Path, table: Table, name: str, column: str) -> dict[str, str]:
    rows = read_table(folder, table).to_pylist()
    return {row[column]: row[name] for row in sorted(rows, key=lambda row: str(row["season"]))}


def warnings_about_codes(folder: Path) -> list[str]:
    """Return a sentence for each code that programs misread, so that whoever reads the files can avoid it."""
    return [sentence for column, codes in codes_in(folder).items() for sentence in _warnings(column, codes)]


def _warnings(column: str, codes: dict[str, str]) -> Iterator[str]:
    for code in codes:
        if is_swallowed(code):
            yield (
                f"The {column} `{code}` is taken for an empty cell by some readers. In pandas, give "
                f"`keep_default_na=False, na_values=['']`; in R, `na = ''`."
            )
        elif is_changed_by_spreadsheets(code):
            yield f"The {column} `{code}` is changed by spreadsheets. Import that column as text."
