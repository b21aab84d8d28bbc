"""The codebook of a release as tables: every column, every word of a closed list, and the terms of standards.

What they say comes from :mod:`surveys.release_files.tables` and :mod:`surveys.vocabulary`, and from nowhere else.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from surveys.release_files.tables import TABLES, Column, Table
from surveys.release_files.writing import write_rows
from surveys.vocabulary import Exposure, Word

#: Namespaces of the terms. Sources: Darwin Core Quick Reference Guide; DCMI Metadata Terms; Humboldt Extension.
NAMESPACES = {
    "dwc": "http://rs.tdwg.org/dwc/terms/",
    "dcterms": "http://purl.org/dc/terms/",
    "eco": "http://rs.tdwg.org/eco/terms/",
}

#: Stored columns that leave in a coarser form only; a test holds this against the register of stored columns.
COARSENED = frozenset(
    {
        "site.cell_code",
        "site.cell_latitude",
        "site.cell_longitude",
        "return.set_at",
        "return.emptied_at",
        "return.exposure_h",
    }
)

CODEBOOK = Table(
    "codebook",
    "Codebook",
    "Every column of every table: what it means, and how far the stored values behind it may travel.",
    ("table", "position"),
    (
        Column("table", "string", "Name of the table.", required=True),
        Column("position", "integer", "Place of the column in its table, from 1.", required=True, minimum=1),
        Column("column", "string", "Name of the column.", required=True),
        Column("type", "string", "string, integer, number, boolean, date or datetime (UTC).", required=True),
        Column("unit", "string", "Its unit; empty without one."),
        Column("meaning", "string", "What it means.", required=True),
        Column("words", "string", "Its closed list in words.csv; empty without one."),
        Column("required", "boolean", "True when it is never empty.", required=True),
        Column(
            "travels", "string", "How the stored values behind it leave the service.", words=Exposure, required=True
        ),
    ),
)

WORDS = Table(
    "words",
    "Words",
    "Every word of every closed list that a column uses, with what it means.",
    ("list", "position"),
    (
        Column("list", "string", "Name of the list.", required=True),
        Column("position", "integer", "Place of the word in its list, from 1.", required=True, minimum=1),
        Column("word", "string", "The word as it stands in the tables.", required=True),
        Column("label", "string", "What it means.", required=True),
    ),
)

CROSSWALK = Table(
    "crosswalk",
    "Crosswalk",
    "The columns that mean the same as a term of a standard, and what to mind.",
    ("table", "position"),
    (
        Column("table", "string", "Name of the table.", required=True),
        Column("position", "integer", "Place of the column in its table, from 1.", required=True, minimum=1),
        Column("column", "string", "Name of the column.", required=True),
        Column("term", "string", "The term, with the prefix of its vocabulary.", required=True),
        Column("term_iri", "string", "The term as an IRI.", required=True),
        Column("note", "string", "What to mind; empty where the two mean just the same."),
    ),
)

#: The tables that explain the others.
EXPLAINING: tuple[Table, ...] = (CODEBOOK, WORDS, CROSSWALK)

_COUNT_NOTE = "individualCount only where count_min and count_max are the same; a class is an organismQuantity."
_CENTRE_NOTE = "The centre of the grid cell, never the trap."
_TIME_NOTE = "eventDate is the interval set_at/emptied_at."
_NOTES: dict[str, str] = {
    "returns.site_id": "The site is the parent event of its returns.",
    "returns.set_at": _TIME_NOTE,
    "returns.emptied_at": _TIME_NOTE,
    "returns.cell_latitude": f"{_CENTRE_NOTE} With geodeticDatum EPSG:4326.",
    "returns.cell_longitude": f"{_CENTRE_NOTE} With geodeticDatum EPSG:4326.",
    "returns.exposure_hours": "With sampleSizeUnit hour.",
    "returns.trap_nights": "samplingEffort is a text: the number and trap-night.",
    "returns.state": "How the return was reviewed, not the name of one animal.",
    "regions.name": "The name of an area, not of a spot.",
    "counts.count_min": _COUNT_NOTE,
    "counts.count_max": _COUNT_NOTE,
    "counts.detected": "true is present, false is absent; an empty cell gives no occurrence.",
    "seasons.licence": "The standard wants the licence's address.",
}


def write_codebook(folder: Path) -> None:
    """Write ``codebook.csv``, ``words.csv`` and ``crosswalk.csv``."""
    write_rows(folder, CODEBOOK, _codebook_rows())
    write_rows(folder, WORDS, _word_rows())
    write_rows(folder, CROSSWALK, _crosswalk_rows())


def list_name(words: type[Word]) -> str:
    """Return the name of a closed list in the codebook: ``CupMaterial`` is ``cup_material``."""
    return re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", words.__name__).lower()


def travels(column: Column) -> Exposure:
    """Say how the stored values behind a column leave the service."""
    return Exposure.COARSENED if COARSENED & set(column.stored) else Exposure.OPEN


def term_iri(term: str) -> str:
    """Return a term as an IRI. Raises KeyError for a vocabulary that is not known."""
    prefix, name = term.split(":")
    return NAMESPACES[prefix] + name


def _columns() -> Iterator[tuple[Table, int, Column]]:
    for table in sorted(TABLES, key=lambda table: table.name):
        for position, column in enumerate(table.columns, start=1):
            yield table, position, column


def _codebook_rows() -> Iterator[tuple[Any, ...]]:
    for table, position, column in _columns():
        words = list_name(column.words) if column.words else None
        yield (
            table.name, position, column.name, column.kind, column.unit or None, column.meaning, words,
            column.required, travels(column).value,
        )  # fmt: skip


def _word_rows() -> Iterator[tuple[Any, ...]]:
    lists = {list_name(column.words): column.words for _, _, column in _columns() if column.words}
    for name in sorted(lists):
        for position, (word, label) in enumerate(lists[name].choices(), start=1):
            yield name, position, word, label


def _crosswalk_rows() -> Iterator[tuple[Any, ...]]:
    for table, position, column in _columns():
        if column.term:
            note = _NOTES.get(f"{table.name}.{column.name}")
            yield table.name, position, column.name, column.term, term_iri(column.term), note
