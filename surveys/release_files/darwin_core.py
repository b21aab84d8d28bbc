"""The Darwin Core Archive of a release: a zip of three tables, a description of them, and one of the dataset.

Made from the frozen tables and the facts alone, in batches: the same bytes each time, in the memory of a few rows.

References: Darwin Core text guide (TDWG, 2023-09-13); its metafile is meta.xml, its dataset description EML 2.2.0.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from xml.etree import ElementTree
from zipfile import ZIP_DEFLATED, ZipFile

import pyarrow as pa
from pyarrow import csv

from surveys.release_files.archive import open_member
from surveys.release_files.darwin_events import event_tables
from surveys.release_files.darwin_lists import read_lists
from surveys.release_files.darwin_occurrences import occurrence_tables
from surveys.release_files.darwin_places import sites_in_seasons
from surveys.release_files.darwin_terms import ARCHIVE_FILES, EVENTS, HUMBOLDT, OCCURRENCES, ArchiveFile
from surveys.release_files.eml import eml_document, xml_text
from surveys.release_files.humboldt import humboldt_tables

ARCHIVE = "darwin-core.zip"
META = "meta.xml"
EML = "eml.xml"

_TEXT_GUIDE = "http://rs.tdwg.org/dwc/text/"
#: Without the mark of a file, as it ever was here: a release that is made again has the same bytes.
_READABLE = 0o644 << 16
_XSI = "http://www.w3.org/2001/XMLSchema-instance"


def write_archive(folder: Path) -> Path:
    """Write ``darwin-core.zip`` into a release's folder, from its frozen tables and facts; return its path.

    Raises ValueError with a sentence where a table is missing or does not fit the others; nothing is left behind then.
    """
    lists = read_lists(folder)
    sites = sites_in_seasons(folder, lists.seasons)
    unfinished = folder / f"{ARCHIVE}.part"
    try:
        with ZipFile(unfinished, "w", ZIP_DEFLATED) as archive:
            _write_text(archive, EML, eml_document(lists, sites))
            _write_table(archive, EVENTS, event_tables(folder, lists, sites))
            _write_table(archive, HUMBOLDT, humboldt_tables(folder, lists, sites))
            _write_text(archive, META, metafile())
            _write_table(archive, OCCURRENCES, occurrence_tables(folder, lists))
        os.replace(unfinished, folder / ARCHIVE)
    finally:
        unfinished.unlink(missing_ok=True)
    return folder / ARCHIVE


def metafile() -> str:
    """Return meta.xml: which file holds which term in which column, the core first."""
    root = ElementTree.Element(
        "archive",
        {
            "xmlns": _TEXT_GUIDE,
            "xmlns:xsi": _XSI,
            "xsi:schemaLocation": f"{_TEXT_GUIDE} {_TEXT_GUIDE}tdwg_dwc_text.xsd",
            "metadata": EML,
        },
    )
    for file in ARCHIVE_FILES:
        _describe(root, file)
    return xml_text(root)


def _describe(root: ElementTree.Element, file: ArchiveFile) -> None:
    is_core = file is EVENTS
    entity = ElementTree.SubElement(
        root,
        "core" if is_core else "extension",
        {
            "encoding": "UTF-8",
            "fieldsTerminatedBy": ",",
            "linesTerminatedBy": "\\n",
            "fieldsEnclosedBy": '"',
            "ignoreHeaderLines": "1",
            "rowType": file.row_type,
        },
    )
    ElementTree.SubElement(ElementTree.SubElement(entity, "files"), "location").text = file.name
    ElementTree.SubElement(entity, "id" if is_core else "coreid", {"index": "0"})
    for index, term in enumerate(file.terms):
        words = {"vocabulary": term.vocabulary} if term.vocabulary else {}
        ElementTree.SubElement(entity, "field", {"index": str(index), "term": term.uri, **words})


def _write_text(archive: ZipFile, name: str, text: str) -> None:
    with open_member(archive, name, rights=_READABLE) as member:
        member.write(text.encode("utf-8"))


def _write_table(archive: ZipFile, file: ArchiveFile, tables: Iterable[pa.Table]) -> None:
    schema = pa.schema([(name, pa.string()) for name in file.columns])
    with open_member(archive, file.name, rights=_READABLE) as member, csv.CSVWriter(member, schema) as writer:
        for table in tables:
            writer.write_table(table.cast(schema))
