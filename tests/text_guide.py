"""Our own checker of archives after the Darwin Core text guide, 2023-09-13 (TDWG): its MUST rules, one sentence each.

The guide's XSD imports two addresses and so cannot be loaded without the network; what it asks is asked here.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree
from xml.etree.ElementTree import Element
from zipfile import ZipFile

GUIDE = "{http://rs.tdwg.org/dwc/text/}"


@dataclass(frozen=True)
class Content:
    """The rows of one entity below its header, and its description."""

    name: str
    rows: list[list[str]]
    key: int


def read_members(path: Path) -> dict[str, bytes]:
    """Return the files of an archive."""
    with ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def faults_of(members: Mapping[str, bytes]) -> list[str]:
    """Return every rule of the guide that an archive breaks."""
    if "meta.xml" not in members:
        return ["the metafile is not named meta.xml (2)"]
    try:
        root = ElementTree.fromstring(members["meta.xml"])
    except ElementTree.ParseError as fault:
        return [f"meta.xml is not XML: {fault}"]
    return list(_faults_of_archive(root, members))


def _faults_of_archive(root: Element, members: Mapping[str, bytes]) -> Iterator[str]:
    if root.tag != f"{GUIDE}archive":
        yield f"the root is {root.tag}, not archive of the text guide (2.1)"
    if root.get("metadata") not in members:
        yield f"the description {root.get('metadata')} is not in the archive (2.1.1)"
    cores, extensions = root.findall(f"{GUIDE}core"), root.findall(f"{GUIDE}extension")
    if len(cores) != 1:
        yield f"there are {len(cores)} cores, not one (2.1.2)"
    for entity in (*cores, *extensions):
        yield from _faults_of_entity(entity, "id" if entity in cores else "coreid", members, needs_key=bool(extensions))
    if len(cores) == 1:
        yield from _faults_of_star(
            _content(cores[0], "id", members), [_content(one, "coreid", members) for one in extensions]
        )


def _faults_of_entity(entity: Element, key: str, members: Mapping[str, bytes], *, needs_key: bool) -> Iterator[str]:
    row_type = entity.get("rowType")
    if not _is_uri(row_type):
        yield f"rowType is {row_type!r}, not a URI (2.2.1)"
    files = entity.findall(f"{GUIDE}files")
    locations = [one.text or "" for one in entity.findall(f"{GUIDE}files/{GUIDE}location")]
    if len(files) != 1 or not locations:
        yield f"{row_type} has {len(files)} files elements and {len(locations)} locations (2.2.2, 2.3)"
    keys = entity.findall(f"{GUIDE}{key}")
    if needs_key and (len(keys) != 1 or not (keys[0].get("index") or "").isdigit()):
        yield f"{row_type} has no {key} with an index (2.2.2)"
    yield from _faults_of_fields(entity.findall(f"{GUIDE}field"), str(row_type))
    for name in locations:
        if name not in members:
            yield f"the file {name} is not in the archive (2.3.1)"
    content = _content(entity, key, members)
    if content is not None:
        yield from _faults_of_rows(entity, content)


def _faults_of_fields(fields: list[Element], row_type: str) -> Iterator[str]:
    if not fields:
        yield f"{row_type} has no field (2.2.2)"
    terms = [one.get("term") for one in fields]
    indices = [one.get("index") for one in fields if one.get("index") is not None]
    yield from (f"the term {term!r} is not a URI (2.4.1)" for term in terms if not _is_uri(term))
    yield from (
        f"the term {term} has two fields (2.4)" for term in sorted({str(t) for t in terms if terms.count(t) > 1})
    )
    yield from (
        f"two fields have the index {one} (2.4.1)" for one in sorted({i for i in indices if indices.count(i) > 1})
    )
    for one in fields:
        if one.get("index") is None and one.get("default") is None:
            yield f"the term {one.get('term')} has neither index nor default (2.4.1)"
        if one.get("vocabulary") is not None and not _is_uri(one.get("vocabulary")):
            yield f"the vocabulary {one.get('vocabulary')!r} is not a URI (2.4.1)"


def _faults_of_rows(entity: Element, content: Content) -> Iterator[str]:
    described = [int(one.get("index", "0")) for one in entity.findall(f"{GUIDE}field")]
    needed = max([content.key, *described]) + 1
    for number, row in enumerate(content.rows):
        if len(row) != needed:
            yield f"row {number} of {content.name} has {len(row)} columns; meta.xml describes {needed} (2.4.1)"
            return


def _faults_of_star(core: Content | None, extensions: list[Content | None]) -> Iterator[str]:
    if core is None:
        return
    ids = [row[core.key] for row in core.rows if core.key < len(row)]
    if len(set(ids)) != len(ids) or "" in ids or len(ids) != len(core.rows):
        yield f"the ids of {core.name} are not unique, one in each row (2.1.2)"
    known = set(ids)
    for extension in extensions:
        if extension is not None and not all(
            row[extension.key : extension.key + 1][:1] and row[extension.key] in known for row in extension.rows
        ):
            yield f"a coreid of {extension.name} is the id of no core row (2.2.2)"


def _content(entity: Element, key: str, members: Mapping[str, bytes]) -> Content | None:
    """Return the rows as a reader would that knows nothing but meta.xml; None where that cannot be told."""
    location, place = entity.find(f"{GUIDE}files/{GUIDE}location"), entity.find(f"{GUIDE}{key}")
    if location is None or place is None or location.text not in members or not (place.get("index") or "").isdigit():
        return None
    text = members[location.text].decode(entity.get("encoding", "UTF-8"))
    rows = csv.reader(
        io.StringIO(text, newline=""),
        delimiter=entity.get("fieldsTerminatedBy", ",").replace("\\t", "\t"),
        quotechar=entity.get("fieldsEnclosedBy", '"'),
        strict=True,
    )
    skipped = int(entity.get("ignoreHeaderLines", "0"))
    return Content(location.text, list(rows)[skipped:], int(place.get("index", "0")))


def _is_uri(word: str | None) -> bool:
    return word is not None and word.startswith(("http://", "https://")) and " " not in word
