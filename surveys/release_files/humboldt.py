"""humboldt.csv: what was looked for, how, how long, and whether all of it was reported, for every event.

Humboldt extension (TDWG, vocabulary of 2025-07-10): the scope is the season's list, fixed before the first trap is
set; it stands on every level. What is true of one return only (was all reported, absences, effort) stands on returns
only. ``isTaxonomicScopeFullyReported`` is what lets a reader take a missing row for a zero, so it is true only where
the household said that it looked for all groups, each of them was answered, and the trap was recovered.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from surveys.release_files.darwin_columns import (
    Column,
    archive_table,
    both,
    joined,
    looked_up,
    said,
    text,
    true_or_false,
    where,
)
from surveys.release_files.darwin_events import habitat_labels, protocol_words, site_event_ids
from surveys.release_files.darwin_joins import CARRIED, is_absence, is_presence, returns_with_counts
from surveys.release_files.darwin_lists import Lists
from surveys.release_files.darwin_places import Sites, season_span
from surveys.release_files.darwin_terms import HUMBOLDT, LIST_SEPARATOR
from surveys.vocabulary import AnswerKind, Standing, YesNo

EXCLUDED = "Vertebrata"
PROTOCOL = (
    "A clean cup without liquid or bait is sunk with its rim at soil level under a rain cover, left open over one "
    "whole night (about 24 hours), and emptied into a tray; the animals are counted by group and let go."
)
NOT_FOLLOWED = "This exposure departed from the protocol too far to be compared; the release's findings say in what."
EFFORT = (
    "Hours from setting to emptying / 24 x traps whose catch is added up; a trap-night is one cup open for 24 hours."
)

_OF_RETURNS = (
    "return_id", *CARRIED, "habitat", "exposure_hours", "temp_min_c", "temp_max_c", "rain", "wind", "ground",
    "standing",
)  # fmt: skip
_OF_COUNTS = ("return_id", "group", "answer", "count_min", "count_max", "detected")
_ANSWERED = pa.array([AnswerKind.NUMBER.value, AnswerKind.CLASS.value, AnswerKind.NONE_SEEN.value])
#: Keys of reportedWeather (JSON, as the term advises) by column; the first two are numbers, the others words.
_WEATHER = {
    "temp_min_c": "minimumTemperatureInDegreesCelsius",
    "temp_max_c": "maximumTemperatureInDegreesCelsius",
    "rain": "rain",
    "wind": "wind",
    "ground": "ground",
}


def humboldt_tables(folder: Path, lists: Lists, sites: Sites) -> Iterator[pa.Table]:
    """Yield the rows of humboldt.csv, one for each event, in the order of event.csv."""
    yield _season_rows(lists, sites)
    for some in sites.tables():
        yield _site_rows(lists, some)
    for returns, counts in returns_with_counts(folder, _OF_RETURNS, _OF_COUNTS):
        yield _return_rows(lists, returns, counts)


def _design(lists: Lists, seasons: Column) -> dict[str, Column | str | None]:
    """Return what follows from the plan of the season: it holds on every level."""
    codes, facts = lists.seasons, lists.facts
    return {
        "targetHabitatScope": _of_season(
            seasons, {code: LIST_SEPARATOR.join(lists.habitats[code].values()) for code in codes}
        ),
        "targetTaxonomicScope": _of_season(seasons, {code: lists.target_scope(code) for code in codes}),
        "excludedTaxonomicScope": EXCLUDED,
        "taxonCompletenessReported": "notReported",
        "verbatimTargetScope": _of_season(
            seasons, {code: LIST_SEPARATOR.join(group.name for group in lists.groups[code]) for code in codes}
        ),
        "compilationTypes": "samplingEvents",
        "inventoryTypes": "restrictedSearch",
        "protocolNames": "pitfallTrapping",
        "protocolDescriptions": _of_season(
            seasons, {code: f"{protocol_words(row)}. {PROTOCOL}" for code, row in codes.items()}
        ),
        "protocolReferences": f"{facts.home}/methods/",
        "samplingEffortProtocol": EFFORT,
    }


def _season_rows(lists: Lists, sites: Sites) -> pa.Table:
    codes = pa.array(list(lists.seasons), pa.string())
    days = [str(season_span(season, sites).days) for season in lists.seasons.values()]
    columns = {
        **_design(lists, codes),
        "eventID": codes,
        "eventDurationValue": pa.array(days, pa.string()),
        "eventDurationUnit": "days",
    }
    return archive_table(HUMBOLDT, columns, len(codes))


def _site_rows(lists: Lists, sites: pa.Table) -> pa.Table:
    seconds = pc.cast(pc.subtract(sites["last"], sites["first"]), pa.int64())
    columns = {
        **_design(lists, sites["season"]),
        "eventID": site_event_ids(sites["season"], sites["site_id"]),
        "siteCount": "1",
        "eventDurationValue": text(pc.divide(pc.cast(seconds, pa.float64()), 3600.0)),
        "eventDurationUnit": "hours",
    }
    return archive_table(HUMBOLDT, columns, len(sites))


def _return_rows(lists: Lists, returns: pa.Table, counts: pa.Table) -> pa.Table:
    design = _design(lists, returns["season"])
    off = pc.equal(returns["standing"], Standing.OFF_PROTOCOL.value)
    columns = {
        **design,
        "eventID": returns["return_id"],
        "siteCount": "1",
        "reportedWeather": _weather(returns),
        "targetHabitatScope": habitat_labels(lists, returns["season"], returns["habitat"]),
        "eventDurationValue": text(returns["exposure_hours"]),
        "eventDurationUnit": "hours",
        "protocolDescriptions": joined(design["protocolDescriptions"] or "", pc.if_else(off, f" {NOT_FOLLOWED}", "")),
        "hasNonTargetTaxa": "false",
        "areNonTargetTaxaFullyReported": "false",
        "isLeastSpecificTargetCategoryQuantityInclusive": "false",
        "hasVouchers": "false",
        "hasMaterialSamples": "false",
        **_effort(returns["trap_nights"]),
        **_reported(lists, returns, counts),
    }
    return archive_table(HUMBOLDT, columns, len(returns))


def _effort(trap_nights: Column) -> dict[str, Column]:
    known = pc.is_valid(trap_nights)
    return {
        "isSamplingEffortReported": true_or_false(known),
        "samplingEffortValue": text(trap_nights),
        "samplingEffortUnit": where(known, "trapDays"),
    }


def _reported(lists: Lists, returns: pa.Table, counts: pa.Table) -> dict[str, Column]:
    """Return what a return's own rows say: whether all was reported, what was absent, and how it was counted."""
    present, absent = is_presence(counts), is_absence(counts)
    open_class = pc.and_(present, pc.is_null(counts["count_max"]))
    answered = _per_return(counts.filter(pc.is_in(counts["answer"], value_set=_ANSWERED)), returns, "group", "count")
    asked = _of_season(returns["season"], {code: len(groups) for code, groups in lists.groups.items()}, pa.int64())
    absences = _absent_taxa(lists, returns, counts.filter(absent))
    begins = _per_return(counts.filter(open_class), returns, "count_min", "min")
    rows = _per_return(counts.filter(pc.or_(present, absent)), returns, "group", "count")
    return {
        "isTaxonomicScopeFullyReported": true_or_false(
            both(
                pc.equal(returns["looked_for_all"], YesNo.YES.value),
                pc.is_valid(returns["trap_nights"]),
                pc.equal(answered, asked),
            )
        ),
        "isAbsenceReported": true_or_false(pc.is_valid(absences)),
        "absentTaxa": absences,
        "isAbundanceReported": true_or_false(pc.is_valid(rows)),
        "isAbundanceCapReported": true_or_false(pc.is_valid(begins)),
        "abundanceCap": text(begins),
    }


def _absent_taxa(lists: Lists, returns: pa.Table, absent: pa.Table) -> Column:
    names = {
        (season, group.code): LIST_SEPARATOR.join(taxon.names)
        for season in lists.seasons
        for group, taxon in lists.taxa(season)
    }
    named = absent.append_column("name", looked_up([absent["season"], absent["group"]], names))
    return pc.binary_join(_per_return(named, returns, "name", "list"), LIST_SEPARATOR)


def _per_return(counts: pa.Table, returns: pa.Table, column: str, how: str) -> Column:
    """Return one value for each return, from its rows of counts in their order; null where it has none."""
    found = counts.group_by("row", use_threads=False).aggregate([(column, how)])
    places = pc.index_in(pa.array(range(len(returns)), found["row"].type), value_set=found["row"].combine_chunks())
    return found[f"{column}_{how}"].combine_chunks().take(places)


def _weather(returns: pa.Table) -> Column:
    return joined("{", said([_pair(key, returns[name]) for name, key in _WEATHER.items()], ", "), "}")


def _pair(key: str, values: Column) -> Column:
    # The words are those of closed lists: nothing in them needs an escape.
    value = text(values) if pa.types.is_floating(values.type) else joined('"', values, '"')
    return joined(f'"{key}": ', value)


def _of_season(seasons: Column, values: Mapping[str, object], kind: pa.DataType | None = None) -> Column:
    return looked_up([seasons], {(code,): value for code, value in values.items()}, kind)
