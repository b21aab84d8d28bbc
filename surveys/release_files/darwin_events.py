"""event.csv: seasons, sites in a season, and returns, each with every value that holds for it by itself.

Humboldt extension, "Properties of hierarchical events" 3.2: a child inherits nothing, a parent is not filled by
summarising its children, and it encloses them. So a season says which regions it covers and when it ran, but has no
effort; a site has its cell only if all its returns show it; and a lost trap (no trap-nights) is an event with its
reason and without size or effort, never a zero. A return off protocol stays, with a protocol that says so.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from surveys.methods.geography import CELL_DEG
from surveys.release_files.darwin_columns import (
    Column,
    archive_table,
    in_slices,
    intervals,
    joined,
    looked_up,
    said,
    text,
    where,
)
from surveys.release_files.darwin_lists import Lists, SeasonRow
from surveys.release_files.darwin_places import Sites, season_span
from surveys.release_files.darwin_terms import (
    DATUM,
    EVENTS,
    LIST_SEPARATOR,
    SITE_SEASON,
    SURVEY_SEASON,
    TRAP_EXPOSURE,
)
from surveys.release_files.reading import table_batches
from surveys.release_files.tables import RETURNS
from surveys.vocabulary import LeftOut, Standing

WITHHELD = "The exact place, names of people, notes and photos are not part of a release."
NO_CELL = "Its grid cell is withheld: it would stand for too few gardens."
NO_COMMON_CELL = "It has no grid cell, since its returns do not all show the same one."
COARSENED_TIMES = "Times are rounded to a quarter of an hour."
COARSENED_PLACE = (
    f"The place is the centre of a {CELL_DEG:g} degree grid cell; coordinateUncertaintyInMeters is half its diagonal. "
    f"{COARSENED_TIMES}"
)
INVENTED = "Invented for a demonstration: no animal was counted."
NO_EFFORT = "No effort and no absences: the trap was lost, flooded or disturbed."
_STANDINGS = {
    Standing.TO_PROTOCOL: "To protocol.",
    Standing.ADJUSTED: "Departs from the protocol in ways that the effort or the model carries.",
    Standing.OFF_PROTOCOL: "Off protocol.",
}

_READ = (
    "return_id", "season", "region", "cell", "cell_latitude", "cell_longitude", "cell_uncertainty_m", "site_id",
    "trap_number", "habitat", "set_at", "emptied_at", "exposure_hours", "traps_pooled", "trap_nights", "trap_state",
    "standing", "left_out",
)  # fmt: skip


def event_tables(folder: Path, lists: Lists, sites: Sites) -> Iterator[pa.Table]:
    """Yield the rows of event.csv: seasons, then sites by season and site, then returns by return_id."""
    yield _season_events(lists, sites)
    for some in sites.tables():
        yield _site_events(lists, some, sites.centres)
    for returns in in_slices(table_batches(folder, RETURNS, _READ)):
        yield _return_events(lists, returns)


def site_event_ids(seasons: Column, sites: Column) -> Column:
    """Return the eventID of sites in their seasons."""
    return joined(seasons, sites, between=":")


def protocol_words(season: SeasonRow) -> str:
    """Return the sampling protocol of a season's events."""
    return f"Dry live-catch pitfall trap, protocol {season.protocol}"


def habitat_labels(lists: Lists, seasons: Column, habitats: Column) -> Column:
    """Return what habitats are called; one that is not on the season's list keeps its code."""
    labels = {(season, code): label for season, found in lists.habitats.items() for code, label in found.items()}
    return pc.coalesce(looked_up([seasons, habitats], labels), habitats)


def effort_words(trap_nights: Column) -> Column:
    """Return effort as text, such as "1 trap-night"; null where there was none."""
    unit = pc.if_else(pc.equal(trap_nights, 1.0), " trap-night", " trap-nights")
    return joined(text(trap_nights), unit)


def _season_events(lists: Lists, sites: Sites) -> pa.Table:
    seasons = list(lists.seasons.values())
    spans = [season_span(season, sites) for season in seasons]
    instant = pa.timestamp("s", tz="UTC")
    columns: dict[str, Column | str | None] = {
        "eventID": _texts([season.code for season in seasons]),
        "eventType": SURVEY_SEASON,
        "eventDate": intervals(
            pa.array([span.begins for span in spans], instant), pa.array([span.ends for span in spans], instant)
        ),
        "locality": _texts([LIST_SEPARATOR.join(lists.regions[season.code].values()) for season in seasons]),
        "eventRemarks": _texts([INVENTED if season.invented else None for season in seasons]),
    }
    return _events(lists, columns, columns["eventID"])


def _site_events(lists: Lists, sites: pa.Table, centres: Mapping[str, tuple[float, float, int]]) -> pa.Table:
    latitude, longitude, uncertainty = (
        looked_up([sites["cell"]], {(cell,): centre[at] for cell, centre in centres.items()}, kind)
        for at, kind in enumerate((pa.float64(), pa.float64(), pa.int64()))
    )
    columns: dict[str, Column | str | None] = {
        "eventID": site_event_ids(sites["season"], sites["site_id"]),
        "parentEventID": sites["season"],
        "eventType": SITE_SEASON,
        "eventDate": intervals(sites["first"], sites["last"]),
        "locality": _region_names(lists, sites),
        "eventRemarks": _invented(lists, sites["season"]),
        **_place(sites["cell"], latitude, longitude, uncertainty, NO_COMMON_CELL),
    }
    return _events(lists, columns, sites["season"])


def _return_events(lists: Lists, returns: pa.Table) -> pa.Table:
    seasons, recovered = returns["season"], pc.is_valid(returns["trap_nights"])
    columns: dict[str, Column | str | None] = {
        "eventID": returns["return_id"],
        "parentEventID": site_event_ids(seasons, returns["site_id"]),
        "eventType": TRAP_EXPOSURE,
        "eventDate": intervals(returns["set_at"], returns["emptied_at"]),
        "sampleSizeValue": where(recovered, text(returns["exposure_hours"])),
        "sampleSizeUnit": where(recovered, "hour"),
        "samplingEffort": effort_words(returns["trap_nights"]),
        "habitat": habitat_labels(lists, seasons, returns["habitat"]),
        "locality": _region_names(lists, returns),
        "locationRemarks": joined("Trap ", text(returns["trap_number"]), " of the site."),
        "eventRemarks": _return_remarks(lists, returns),
        **_place(
            returns["cell"], returns["cell_latitude"], returns["cell_longitude"], returns["cell_uncertainty_m"], NO_CELL
        ),
    }
    protocols = _of_season(seasons, {code: protocol_words(season) for code, season in lists.seasons.items()})
    off = pc.equal(returns["standing"], Standing.OFF_PROTOCOL.value)
    columns["samplingProtocol"] = joined(protocols, pc.if_else(off, ", not followed", ""))
    return _events(lists, columns, seasons)


def _events(lists: Lists, columns: dict[str, Column | str | None], seasons: Column) -> pa.Table:
    """Add what every level says in the same way."""
    rows = lists.seasons
    given: dict[str, Column | str | None] = {
        "samplingProtocol": _of_season(seasons, {code: protocol_words(row) for code, row in rows.items()}),
        "license": _of_season(seasons, {code: row.licence_url for code, row in rows.items()}),
        "datasetID": lists.facts.address,
        "datasetName": lists.dataset_name,
        "informationWithheld": WITHHELD,
    }
    return archive_table(EVENTS, {**given, **columns}, len(seasons))


def _place(
    cell: Column, latitude: Column, longitude: Column, uncertainty: Column, without: str
) -> dict[str, Column | str | None]:
    shown = pc.is_valid(cell)
    return {
        "locationID": cell,
        "decimalLatitude": where(shown, text(latitude)),
        "decimalLongitude": where(shown, text(longitude)),
        "geodeticDatum": where(shown, DATUM),
        "coordinateUncertaintyInMeters": where(shown, text(uncertainty)),
        "informationWithheld": pc.if_else(shown, WITHHELD, f"{WITHHELD} {without}"),
        "dataGeneralizations": pc.if_else(shown, COARSENED_PLACE, COARSENED_TIMES),
    }


def _return_remarks(lists: Lists, returns: pa.Table) -> Column:
    lost = pc.is_null(returns["trap_nights"])
    standings = {(word.value,): remark for word, remark in _STANDINGS.items()}
    left_out = {(word.value,): f"Enters no index: {word.label} ({word.value})." for word in LeftOut}
    pooled = pc.greater(returns["traps_pooled"], 1)
    return said(
        [
            looked_up([returns["standing"]], standings),
            looked_up([returns["left_out"]], left_out),
            where(lost, NO_EFFORT),
            where(lost, joined("State of the trap: ", returns["trap_state"], ".")),
            where(pooled, joined("Catch of ", text(returns["traps_pooled"]), " traps together.")),
            _invented(lists, returns["season"]),
        ]
    )


def _invented(lists: Lists, seasons: Column) -> Column:
    return _of_season(seasons, {code: INVENTED if row.invented else None for code, row in lists.seasons.items()})


def _region_names(lists: Lists, rows: pa.Table) -> Column:
    names = {(season, code): name for season, found in lists.regions.items() for code, name in found.items()}
    return looked_up([rows["season"], rows["region"]], names)


def _of_season(seasons: Column, values: Mapping[str, object]) -> Column:
    return looked_up([seasons], {(code,): value for code, value in values.items()})


def _texts(values: list[str] | list[str | None]) -> pa.Array:
    return pa.array(values, pa.string())
