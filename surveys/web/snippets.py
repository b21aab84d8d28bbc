"""Code that reads a release: short programs for R and Python with the release's own addresses in them.

They stand as files under ``templates/data/snippets``, and the tests run each of them against a running server.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

from django.utils.translation import gettext_lazy as _

#: What may be put into a program: addresses and codes. A quote or a line's end would make another program of it.
_HARMLESS = re.compile(r"[A-Za-z0-9._~:/\[\]-]*")


@dataclass(frozen=True, slots=True)
class Snippet:
    """One program: its file, the language and the library by their names, a sentence, and its text."""

    file: str
    language: str
    library: str
    sentence: str
    code: str


#: File, language, library, and when to take it.
_SNIPPETS = (
    ("readr.R", "R", "readr", _("Tables from CSV, straight from their addresses.")),
    ("sf.R", "R", "sf", _("Grid cells as a map, from the file or from the map service.")),
    ("pandas.py", "Python", "pandas", _("Tables from CSV, with whole numbers kept whole.")),
    ("polars.py", "Python", "polars", _("Parquet: only the columns that you ask for are fetched.")),
    ("duckdb.py", "Python", "DuckDB", _("SQL on the Parquet files where they are.")),
    ("geopandas.py", "Python", "GeoPandas", _("Grid cells as a map, from the file or from the map service.")),
)


def snippets(values: Mapping[str, str]) -> list[Snippet]:
    """Return every program with ``values`` put in: base, ogc, season, region, window and group.

    Raises ValueError for a value that would not stay inside its quotes.
    """
    for name, value in values.items():
        if not _HARMLESS.fullmatch(value):
            raise ValueError(f"{value!r} cannot stand in a program as its {name}.")
    return [
        Snippet(file, language, library, str(sentence), _filled_in(_text_of(file), values))
        for file, language, library, sentence in _SNIPPETS
    ]


def _filled_in(text: str, values: Mapping[str, str]) -> str:
    return re.sub(r"\{\{ (\w+) \}\}", lambda found: values[found.group(1)], text)


@lru_cache(maxsize=16)
def _text_of(file: str) -> str:
    return files("surveys").joinpath("templates", "data", "snippets", file).read_text(encoding="utf-8")
