"""eml.xml: what the dataset of a release is, who made it, where, when and how. Ecological Metadata Language 2.2.0.

Reference: EML 2.2.0 (NCEAS, 2019): a dataset has a title, creators and contacts; ids and the packageId are unique;
elements stand in the order of its schema.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any
from xml.etree import ElementTree
from xml.etree.ElementTree import Element, SubElement

from surveys.release_files.darwin_lists import Lists
from surveys.release_files.darwin_places import Box, Sites, season_span
from surveys.release_files.darwin_taxa import GroupRow, Taxon
from surveys.release_files.eml_words import (
    abstract,
    coverage_words,
    keywords,
    method_steps,
    quality_words,
    rights_words,
    sampling_words,
    study_extent_words,
    upkeep_words,
)
from surveys.release_files.facts import Facts
from surveys.vocabulary import Licence

NAMESPACE = "https://eml.ecoinformatics.org/eml-2.2.0"
_XSI = "http://www.w3.org/2001/XMLSchema-instance"


def eml_document(lists: Lists, sites: Sites) -> str:
    """Return the description of a release's dataset. ``sites`` are all of its sites."""
    facts = lists.facts
    root = Element(
        "eml:eml",
        {
            "xmlns:eml": NAMESPACE,
            "xmlns:xsi": _XSI,
            "xsi:schemaLocation": f"{NAMESPACE} {NAMESPACE}/eml.xsd",
            "packageId": facts.address,
            "system": facts.home,
            "scope": "system",
            "xml:lang": "en",
        },
    )
    dataset = SubElement(root, "dataset", {"id": "dataset"})
    _add(dataset, "title", lists.dataset_name)
    _party(SubElement(dataset, "creator", {"id": "organiser"}), facts)
    _add(dataset, "pubDate", facts.day)
    _add(dataset, "language", "en")
    _paragraphs(dataset, "abstract", abstract(lists))
    _keywords(dataset, lists)
    _paragraphs(dataset, "intellectualRights", rights_words(facts))
    _licence(dataset, facts)
    _distribution(dataset, facts)
    _coverage(dataset, lists, sites)
    _paragraphs(SubElement(dataset, "maintenance"), "description", upkeep_words(facts))
    _party(SubElement(dataset, "contact", {"id": "contact"}), facts)
    _methods(dataset, lists)
    return xml_text(root)


def xml_text(root: Element) -> str:
    """Return a document as text, with its declaration and a line for each element."""
    ElementTree.indent(root)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{ElementTree.tostring(root, encoding="unicode")}\n'


def _add(parent: Element, name: str, text: str) -> None:
    SubElement(parent, name).text = text


def _paragraphs(parent: Element, name: str, texts: Iterable[str]) -> None:
    element = SubElement(parent, name)
    for text in texts:
        _add(element, "para", text)


def _party(party: Element, facts: Facts) -> None:
    _add(party, "organizationName", facts.organiser)
    if facts.contact.startswith(("https://", "http://")):
        _add(party, "onlineUrl", facts.contact)
    elif "@" in facts.contact:
        _add(party, "electronicMailAddress", facts.contact)
    elif facts.contact:
        _add(party, "positionName", facts.contact)


def _keywords(dataset: Element, lists: Lists) -> None:
    keyword_set = SubElement(dataset, "keywordSet")
    for keyword in keywords(lists):
        _add(keyword_set, "keyword", keyword)


def _licence(dataset: Element, facts: Facts) -> None:
    licensed = SubElement(dataset, "licensed")
    _add(licensed, "licenseName", Licence(facts.licence).label)
    _add(licensed, "url", facts.licence_url)
    _add(licensed, "identifier", facts.licence)


def _distribution(dataset: Element, facts: Facts) -> None:
    online = SubElement(SubElement(dataset, "distribution"), "online")
    SubElement(online, "url", {"function": "information"}).text = facts.address


def _coverage(dataset: Element, lists: Lists, sites: Sites) -> None:
    coverage = SubElement(dataset, "coverage")
    box = enclosing_box(lists.facts.boundaries, sites.box())
    if box is not None:
        _place(coverage, coverage_words(lists), box)
    for season in lists.seasons.values():
        span = season_span(season, sites)
        dates = SubElement(SubElement(coverage, "temporalCoverage"), "rangeOfDates")
        for name, day in (("beginDate", span.first_day), ("endDate", span.last_day)):
            _add(SubElement(dates, name), "calendarDate", day.isoformat())
    _taxa(coverage, lists)


def _place(coverage: Element, description: str, box: Box) -> None:
    place = SubElement(coverage, "geographicCoverage")
    _add(place, "geographicDescription", description)
    corners = SubElement(place, "boundingCoordinates")
    _add(corners, "westBoundingCoordinate", _degrees(box.west))
    _add(corners, "eastBoundingCoordinate", _degrees(box.east))
    _add(corners, "northBoundingCoordinate", _degrees(box.north))
    _add(corners, "southBoundingCoordinate", _degrees(box.south))


def enclosing_box(boundaries: Mapping[str, Any], cells: Box | None) -> Box | None:
    """Return the box around the boundaries of regions (GeoJSON geometries) and the cells; None without either."""
    corners = [corner for geometry in boundaries.values() for corner in _corners(geometry.get("coordinates", ()))]
    if cells is not None:
        corners += [(cells.west, cells.south), (cells.east, cells.north)]
    if not corners:
        return None
    longitudes, latitudes = [x for x, _ in corners], [y for _, y in corners]
    return Box(
        west=max(min(longitudes), -180.0),
        east=min(max(longitudes), 180.0),
        north=min(max(latitudes), 90.0),
        south=max(min(latitudes), -90.0),
    )


def _corners(coordinates: Any) -> Iterator[tuple[float, float]]:
    if coordinates and isinstance(coordinates[0], int | float):
        yield float(coordinates[0]), float(coordinates[1])
    else:
        for part in coordinates:
            yield from _corners(part)


def _degrees(value: float) -> str:
    return f"{value:.6f}".rstrip("0").rstrip(".")


def _taxa(coverage: Element, lists: Lists) -> None:
    taxonomic = SubElement(coverage, "taxonomicCoverage")
    _add(
        taxonomic,
        "generalTaxonomicCoverage",
        "The animal groups that the season asks for, fixed before the first trap is set: "
        f"{lists.target_scope(lists.facts.season)}.",
    )
    for (name, rank), common in _classified(lists.taxa(lists.facts.season)).items():
        one = SubElement(taxonomic, "taxonomicClassification")
        _add(one, "taxonRankName", rank)
        _add(one, "taxonRankValue", name)
        for word in common:
            _add(one, "commonName", word)


def _classified(taxa: Iterable[tuple[GroupRow, Taxon]]) -> dict[tuple[str, str], list[str]]:
    """Return the common names of each taxon: two groups that are parts of one stand together."""
    found: dict[tuple[str, str], list[str]] = {}
    for group, taxon in taxa:
        if taxon.name:
            found.setdefault((taxon.name, taxon.rank), []).append(group.name)
    return found


def _methods(dataset: Element, lists: Lists) -> None:
    methods = SubElement(dataset, "methods")
    for step in method_steps(lists):
        _paragraphs(SubElement(methods, "methodStep"), "description", [step])
    sampling = SubElement(methods, "sampling")
    _paragraphs(SubElement(sampling, "studyExtent"), "description", study_extent_words(lists))
    _paragraphs(sampling, "samplingDescription", sampling_words(lists))
    _paragraphs(SubElement(methods, "qualityControl"), "description", quality_words())
