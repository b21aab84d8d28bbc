"""occurrence.csv: a row for each group that was seen in a return, and for each that was looked for and not there.

A class never pretends to be a number. A group that nobody looked for, or could not tell, has no row.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from surveys.release_files.darwin_columns import Column, archive_table, joined, looked_up, text, where
from surveys.release_files.darwin_joins import CARRIED, is_absence, is_presence, returns_with_counts
from surveys.release_files.darwin_lists import Lists
from surveys.release_files.darwin_taxa import GroupRow, Taxon
from surveys.release_files.darwin_terms import (
    COUNT_CLASS_SCALE,
    INDIVIDUALS,
    OCCURRENCES,
    archive_status,
)
from surveys.vocabulary import CLASS_BOUNDS, ReturnState

#: How far somebody looked at an answer again. No animal was kept, so no name was ever checked on a specimen.
VERIFICATION = {
    ReturnState.STANDING: "screened automatically",
    ReturnState.UPHELD: "reviewed by a coordinator",
    ReturnState.CORRECTED: "reviewed by a coordinator",
}
CORRECTED = "corrected by a coordinator"

_OF_RETURNS = ("return_id", *CARRIED)
_OF_COUNTS = ("return_id", "group", "answer", "count_min", "count_max", "detected", "corrected")
_OPEN = "up"  # in the key of a class that is open above


def occurrence_tables(folder: Path, lists: Lists) -> Iterator[pa.Table]:
    """Yield the rows of occurrence.csv, by return_id and group."""
    for _, counts in returns_with_counts(folder, _OF_RETURNS, _OF_COUNTS):
        refuse_unlisted_groups(lists, counts)
        present, absent = is_presence(counts), is_absence(counts)
        yield _occurrences(lists, counts.filter(pc.or_(present, absent)))


def refuse_unlisted_groups(lists: Lists, counts: pa.Table) -> None:
    """Raise ValueError where an answer is about a group that its season does not ask for."""
    listed = {(season, group.code): True for season, groups in lists.groups.items() for group in groups}
    found = looked_up([counts["season"], counts["group"]], listed, pa.bool_())
    at = pc.index(pc.is_null(found), True).as_py()
    if at >= 0:
        row = counts.slice(at, 1).to_pylist()[0]
        raise ValueError(
            f"counts.csv has an answer for {row['group']!r} in the return {row['return_id']}, but groups.csv does not "
            f"list that group for the season {row['season']}. Freeze the tables again."
        )


def _occurrences(lists: Lists, counts: pa.Table) -> pa.Table:
    exact = pc.equal(counts["count_min"], counts["count_max"])
    number = where(exact, text(counts["count_min"]))
    columns: dict[str, Column | str | None] = {
        "eventID": counts["return_id"],
        "occurrenceID": joined(counts["return_id"], counts["group"], between=":"),
        "basisOfRecord": "HumanObservation",
        "occurrenceStatus": pc.if_else(
            counts["detected"], archive_status(detected=True), archive_status(detected=False)
        ),
        **_names(lists, counts),
        "individualCount": number,
        "organismQuantity": pc.coalesce(number, _class_codes(counts)),
        "organismQuantityType": pc.if_else(pc.is_valid(number), INDIVIDUALS, COUNT_CLASS_SCALE),
        "identificationVerificationStatus": _verification(counts),
    }
    return archive_table(OCCURRENCES, columns, len(counts))


def _names(lists: Lists, counts: pa.Table) -> dict[str, Column]:
    taxa = {(season, group.code): (group, taxon) for season in lists.seasons for group, taxon in lists.taxa(season)}
    keys = [counts["season"], counts["group"]]
    may_name = pc.or_(counts["detected"], looked_up(keys, _each(taxa, "whole"), pa.bool_()))
    return {
        "scientificName": where(may_name, looked_up(keys, _each(taxa, "name"))),
        "taxonRank": where(may_name, looked_up(keys, _each(taxa, "rank"))),
        "lifeStage": looked_up(keys, _each(taxa, "life_stage")),
        "vernacularName": looked_up(keys, {key: group.name for key, (group, _) in taxa.items()}),
        "verbatimIdentification": looked_up(keys, {key: group.scientific_name for key, (group, _) in taxa.items()}),
    }


def _each(taxa: Mapping[tuple[str, str], tuple[GroupRow, Taxon]], name: str) -> dict[tuple[str, str], object]:
    found = {key: getattr(taxon, name) for key, (_, taxon) in taxa.items()}
    return {key: None if value == "" else value for key, value in found.items()}


def _class_codes(counts: pa.Table) -> Column:
    """Return the code of each class; null for a number. Raises ValueError for bounds that no class has."""
    codes = {(str(low), _OPEN if high is None else str(high)): word.value for word, (low, high) in CLASS_BOUNDS.items()}
    low, high = text(counts["count_min"]), pc.fill_null(text(counts["count_max"]), _OPEN)
    found = looked_up([low, high], codes)
    at = pc.index(pc.and_(pc.is_null(found), pc.not_equal(low, high)), True).as_py()
    if at >= 0:
        row = counts.slice(at, 1).to_pylist()[0]
        raise ValueError(
            f"counts.csv has a class from {row['count_min']} to {row['count_max']} in the return {row['return_id']}. "
            f"The classes are {', '.join(codes.values())}. Freeze the tables again."
        )
    return found


def _verification(counts: pa.Table) -> Column:
    of_state = {(state.value,): words for state, words in VERIFICATION.items()}
    return pc.if_else(counts["corrected"], CORRECTED, looked_up([counts["state"]], of_state))
