"""The tables of a release: every column, what it means, where it comes from, and the term of a standard it fits.

A release is built from these descriptions and from nothing else. ``stored`` names the stored columns that a column is
made from, as ``table.column``; a test holds that each of them may travel that far. Names and order are part of what is
published: a new column goes to the end of its table.
"""

from __future__ import annotations

from dataclasses import dataclass

from surveys import vocabulary as words
from surveys.vocabulary import REPORTED_WORDS, Word

#: Rises with every change of tables or columns: the first part when one goes or changes its meaning.
SCHEMA_VERSION = "1.0"


@dataclass(frozen=True, slots=True)
class Column:
    """One released column.

    ``kind`` is string, integer, number, boolean, date or datetime (UTC). ``term`` is the term of a standard that means
    the same, such as ``dwc:eventDate``, or empty. ``stored`` are the stored columns it is made from.
    """

    name: str
    kind: str
    meaning: str
    unit: str = ""
    words: type[Word] | None = None
    required: bool = False
    minimum: float | None = None
    term: str = ""
    stored: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Reference:
    """That some columns of a table name a row of another one by its key."""

    columns: tuple[str, ...]
    table: str
    key: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """One released table: its name is that of its files. Rows are sorted by ``key``: texts byte by byte."""

    name: str
    title: str
    meaning: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    references: tuple[Reference, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """The names of the columns, in order."""
        return tuple(column.name for column in self.columns)


def _season(stored: str) -> Column:
    return Column("season", "string", "Code of the season.", required=True, stored=(stored,))


SEASONS = Table(
    "seasons",
    "Seasons",
    "The season of the release and every earlier one that its changes are taken from.",
    ("season",),
    (
        _season("season.code"),
        Column("title", "string", "Title of the season.", required=True, stored=("season.title",)),
        Column("organiser", "string", "Who runs the season.", required=True, stored=("season.organiser",)),
        Column("protocol", "string", "Version of the protocol.", required=True, stored=("season.protocol",)),
        Column("opens_on", "date", "First day of the season.", required=True, stored=("season.opens_on",)),
        Column("closes_on", "date", "Last day of the season.", required=True, stored=("season.closes_on",)),
        Column(
            "time_zone", "string", "Time zone of its local dates (IANA).", required=True, stored=("season.time_zone",)
        ),
        Column(
            "licence", "string", "Licence of its rows (SPDX identifier).", words=words.Licence, required=True,
            term="dcterms:license", stored=("season.licence",),
        ),
        Column(
            "invented", "boolean", "True when the season is a demonstration: every return in it is invented.",
            required=True, stored=("season.invented",),
        ),
    ),
)  # fmt: skip

REGIONS = Table(
    "regions",
    "Regions",
    "The regions of each season, in the order in which the index is computed.",
    ("season", "position"),
    (
        _season("season.code"),
        Column("position", "integer", "Place in the season's list, from 1.", required=True, minimum=1),
        Column("region", "string", "Code of the region.", required=True, stored=("region.code",)),
        Column("name", "string", "Name of the region.", required=True, term="dwc:locality", stored=("region.name",)),
    ),
    (Reference(("season",), "seasons", ("season",)),),
)

GROUPS = Table(
    "groups",
    "Animal groups",
    "The groups that each season asks for, in the order in which they are asked: fixed before the first trap is set.",
    ("season", "position"),
    (
        _season("season.code"),
        Column("position", "integer", "Place in the season's list, from 1.", required=True, minimum=1),
        Column("group", "string", "Code of the group.", required=True, stored=("group.code",)),
        Column(
            "name", "string", "Name of the group.", required=True, term="dwc:vernacularName", stored=("group.name",)
        ),
        Column(
            "scientific_name", "string", "Scientific name of the group.", required=True, term="dwc:scientificName",
            stored=("group.latin",),
        ),
        Column(
            "taxon_rank", "string", "Rank of that name.", required=True, term="dwc:taxonRank",
            stored=("group.taxon_rank",),
        ),
    ),
    (Reference(("season",), "seasons", ("season",)),),
)  # fmt: skip

HABITATS = Table(
    "habitats",
    "Habitats",
    "The microhabitats of each season with the fixed weights of the index.",
    ("season", "position"),
    (
        _season("season.code"),
        Column("position", "integer", "Place in the season's list, from 1.", required=True, minimum=1),
        Column("habitat", "string", "Code of the habitat.", required=True, stored=("habitat.code",)),
        Column("label", "string", "What it is called.", required=True, stored=("habitat.label",)),
        Column(
            "weight", "number", "Its weight in the index.", required=True, minimum=0, stored=("seasonhabitat.weight",)
        ),
    ),
    (Reference(("season",), "seasons", ("season",)),),
)

WINDOWS = Table(
    "windows",
    "Survey windows",
    "The survey windows of each season: the periods of the index.",
    ("season", "position"),
    (
        _season("season.code"),
        Column("position", "integer", "Place in the season's list, from 1.", required=True, minimum=1),
        Column("window", "string", "Code of the window.", required=True, stored=("window.code",)),
        Column("name", "string", "Name of the window.", required=True, stored=("window.name",)),
        Column("first_day", "date", "Its first day.", required=True, stored=("window.first_day",)),
        Column("last_day", "date", "Its last day.", required=True, stored=("window.last_day",)),
    ),
    (Reference(("season",), "seasons", ("season",)),),
)

#: What was reported about a trap and travels as a word of a closed list, with its meaning.
_REPORTED = {
    "time_precision": "How precisely the two times are known.",
    "material": "What the cup is made of.",
    "wall": "State of the cup's wall.",
    "colour": "Colour of the cup.",
    "nesting": "Whether the cup stands in a second one.",
    "rim": "How the rim lies to the ground.",
    "rim_gap": "Whether there is a gap around the rim.",
    "cover": "Whether a rain cover stood over the trap.",
    "cover_kind": "What the cover is.",
    "guard": "Whether a guard kept larger animals out.",
    "refuge": "Whether there was refuge material in the cup.",
    "liquid": "Whether there was liquid in the cup.",
    "drain_holes": "Whether the cup has drain holes.",
    "hole_reuse": "Whether an old hole was used again.",
    "disturbance": "What was done to the ground around it.",
    "pesticide": "Whether pesticides were used close by.",
    "looks": "When the trap was looked at.",
    "ground_cover": "What covers the ground around it.",
    "vegetation": "How high the plants around it are.",
    "temp_source": "Where the temperatures come from.",
    "rain": "How much it rained.",
    "wind": "How windy it was.",
    "ground": "How wet the ground was.",
    "trap_state": "State of the trap when it was lifted.",
    "counted_in": "In what the animals were counted.",
    "looked_for_all": "Whether every group on the list was looked for and reported.",
    "remains_seen": "Whether remains of eaten animals were seen.",
    "release": "When and where the animals were let go.",
    "closing": "What was done with the hole.",
}
_MEASURED = (
    ("depth_mm", "Depth of the cup.", "millimetre"),
    ("cover_gap_mm", "Gap between cover and ground.", "millimetre"),
    ("cover_width_mm", "Width of the cover.", "millimetre"),
    ("guard_hole_mm", "Width of the guard's holes.", "millimetre"),
    ("water_mm", "Depth of water in the cup.", "millimetre"),
)

RETURNS = Table(
    "returns",
    "Returns",
    "Every usable return: one trap, one exposure, as it counts now. Corrections are in force.",
    ("return_id",),
    (
        Column(
            "return_id", "string", "Random identifier of the return; the same in every release.", required=True,
            term="dwc:eventID", stored=("return.uuid",),
        ),
        _season("return.season"),
        Column("region", "string", "Code of the region.", required=True, stored=("return.region",)),
        Column(
            "cell", "string", "Code of the 0.1 degree grid cell; empty where it would stand for too few gardens.",
            term="dwc:locationID", stored=("site.cell_code",),
        ),
        Column(
            "cell_latitude", "number", "Latitude of the centre of the cell, WGS 84.", "degree",
            term="dwc:decimalLatitude", stored=("site.cell_latitude",),
        ),
        Column(
            "cell_longitude", "number", "Longitude of the centre of the cell, WGS 84.", "degree",
            term="dwc:decimalLongitude", stored=("site.cell_longitude",),
        ),
        Column(
            "cell_uncertainty_m", "integer", "Half the diagonal of the cell, rounded up.", "metre", minimum=1,
            term="dwc:coordinateUncertaintyInMeters", stored=("site.cell_uncertainty_m",),
        ),
        Column(
            "site_id", "string", "Random identifier of the site; the same in every release, unrelated to any account.",
            required=True, term="dwc:parentEventID", stored=("site.public_id",),
        ),
        Column(
            "trap_number", "integer", "Number of the trap at its site.", required=True, minimum=1,
            stored=("trap.number",),
        ),
        Column(
            "habitat", "string", "Code of the microhabitat; empty when not told.", term="dwc:habitat",
            stored=("return.habitat",),
        ),
        Column(
            "window", "string", "Code of the survey window; empty between windows.", stored=("return.night",)
        ),
        Column(
            "night", "date", "Local date of the evening on which the trap was open.", required=True,
            stored=("return.night",),
        ),
        Column(
            "set_at", "datetime", "When the trap was set, to a quarter of an hour.", required=True,
            term="dwc:eventDate", stored=("return.set_at",),
        ),
        Column(
            "emptied_at", "datetime", "When it was emptied, to a quarter of an hour.", required=True,
            term="dwc:eventDate", stored=("return.emptied_at",),
        ),
        Column(
            "exposure_hours", "number", "Hours from setting to emptying, rounded to a quarter.", "hour", required=True,
            minimum=0, term="dwc:sampleSizeValue", stored=("return.exposure_h",),
        ),
        Column(
            "traps_pooled", "integer", "How many traps are added up in the return.", "trap", required=True, minimum=1,
            stored=("return.traps_pooled",),
        ),
        Column(
            "trap_nights", "number", "Effort: exposure_hours / 24 x traps_pooled; empty where nothing could be caught "
            "(trap lost, flooded or disturbed).", "trap-night", minimum=0, term="dwc:samplingEffort",
            stored=("return.trap_nights", "return.exposure_h"),
        ),
        Column(
            "mouth_mm", "number", "Inside width of the cup's mouth; empty when not measured.", "millimetre", minimum=0,
            stored=("return.mouth_mm",),
        ),
        Column(
            "rim_ratio", "number", "Mouth over the protocol's standard mouth; empty when not measured.", minimum=0,
            stored=("return.rim_ratio",),
        ),
        Column(
            "fresh", "boolean", "True when the trap was dug in less than 48 h before it was opened; empty when "
            "not known.", stored=("return.fresh",),
        ),
        Column(
            "school", "boolean", "True when a school sent it.", required=True, stored=("household.kind",)
        ),
        Column(
            "first_return", "boolean", "True when it was the first return of its sender in the season that entered "
            "an index.", required=True, stored=("return.uuid",),
        ),
        Column("temp_min_c", "number", "Lowest temperature of the night.", "degree Celsius",
               stored=("return.temp_min_c",)),
        Column("temp_max_c", "number", "Highest temperature of the exposure.", "degree Celsius",
               stored=("return.temp_max_c",)),
        *(
            Column(name, "string", meaning, words=REPORTED_WORDS[name], stored=(f"return.{name}",))
            for name, meaning in _REPORTED.items()
        ),
        *(
            Column(name, "number", meaning, unit, minimum=0, stored=(f"return.{name}",))
            for name, meaning, unit in _MEASURED
        ),
        Column("traps_open", "integer", "How many traps were open at the site.", "trap", minimum=0,
               stored=("return.traps_open",)),
        Column(
            "standing", "string", "How the return stands to its protocol.", words=words.Standing, required=True,
            stored=("return.standing",),
        ),
        Column(
            "state", "string", "How the return came to be usable.", words=words.ReturnState, required=True,
            term="dwc:identificationVerificationStatus", stored=("return.state",),
        ),
        Column(
            "query_reason", "string", "Why it was queried first; empty when it never was.", words=words.QueryReason,
            stored=("return.reason",),
        ),
        Column(
            "verdict_reason", "string", "The reason of the verdict in force; empty without one.",
            words=words.VerdictReason, stored=("verdict.reason",),
        ),
        Column(
            "left_out", "string", "Why it enters no index; empty when it enters.", words=words.LeftOut,
            stored=("return.standing", "return.trap_nights", "return.night", "return.habitat"),
        ),
    ),
    (
        Reference(("season",), "seasons", ("season",)),
    ),
)  # fmt: skip

COUNTS = Table(
    "counts",
    "Counts",
    "One row for each return and answered group. A zero stands only where somebody looked; a blank is never a zero.",
    ("return_id", "group"),
    (
        Column(
            "return_id", "string", "Identifier of the return.", required=True, term="dwc:eventID",
            stored=("return.uuid",),
        ),
        Column("group", "string", "Code of the animal group.", required=True, stored=("group.code",)),
        Column(
            "answer", "string", "Which of the five answers is in force.", words=words.AnswerKind, required=True,
            stored=("catch.answer", "correction.answer"),
        ),
        Column(
            "count_min", "integer", "Lowest count that the answer allows; empty when it says nothing.", "animals",
            minimum=0, term="dwc:individualCount", stored=("catch.low", "correction.low"),
        ),
        Column(
            "count_max", "integer", "Highest count that the answer allows; empty when open above or when it says "
            "nothing.", "animals", minimum=0, term="dwc:individualCount", stored=("catch.high", "correction.high"),
        ),
        Column(
            "detected", "boolean", "True when one was seen at least, false when they were looked for and none was "
            "there, empty when nobody can say.", term="dwc:occurrenceStatus", stored=("catch.low", "correction.low"),
        ),
        Column(
            "corrected", "boolean", "True when a coordinator corrected this answer; what was sent stands in the next "
            "three columns.", required=True, stored=("correction.group",),
        ),
        Column("sent_answer", "string", "The answer as it was sent; empty when it was not corrected.",
               words=words.AnswerKind, stored=("catch.answer",)),
        Column("sent_count_min", "integer", "Lowest count of the answer as it was sent.", "animals", minimum=0,
               stored=("catch.low",)),
        Column("sent_count_max", "integer", "Highest count of the answer as it was sent.", "animals", minimum=0,
               stored=("catch.high",)),
    ),
    (Reference(("return_id",), "returns", ("return_id",)),),
)  # fmt: skip

FINDINGS = Table(
    "findings",
    "Findings",
    "What the protocol check found in each return, apart from what was as asked.",
    ("return_id", "check"),
    (
        Column("return_id", "string", "Identifier of the return.", required=True, stored=("return.uuid",)),
        Column("check", "string", "Code of the check, as in the methods.", required=True, stored=("finding.check_id",)),
        Column(
            "outcome", "string", "What it does to the return.", words=words.Outcome, required=True,
            stored=("finding.outcome",),
        ),
    ),
    (Reference(("return_id",), "returns", ("return_id",)),),
)  # fmt: skip

EXCLUSIONS = Table(
    "exclusions",
    "Exclusions",
    "How many returns of each season are not in this release, and why.",
    ("season", "reason"),
    (
        _season("return.season"),
        Column("reason", "string", "Why they are not in it.", words=words.Exclusion, required=True,
               stored=("return.state",)),
        Column(
            "returns", "integer", "How many; empty when they come from one to four gardens.", "return", minimum=0,
            stored=("return.state",),
        ),
    ),
    (Reference(("season",), "seasons", ("season",)),),
)  # fmt: skip

_PLACE = (
    _season("season.code"),
    Column("region", "string", "Code of the region.", required=True, stored=("region.code",)),
    Column("window", "string", "Code of the survey window.", required=True, stored=("window.code",)),
    Column("group", "string", "Code of the animal group.", required=True, stored=("group.code",)),
)

INDEX_LEVEL = Table(
    "index_level",
    "Activity index",
    "The activity index of each season, region, window and group: animals per trap-night, mean over gardens.",
    ("season", "region", "window", "group", "rim_exponent"),
    (
        *_PLACE,
        Column("rim_exponent", "integer", "1 is the published index, 0 the sensitivity run.", required=True, minimum=0,
               stored=("indexvalue.rim_exponent",)),
        Column("label", "string", "What may be said of it.", words=words.IndexLabel, required=True,
               stored=("indexvalue.label",)),
        Column("estimate", "number", "The index; empty past the gate.", "animals per trap-night", minimum=0,
               stored=("indexvalue.estimate",)),
        Column("low", "number", "Lower end of its 95 % interval.", "animals per trap-night", minimum=0,
               stored=("indexvalue.low",)),
        Column("high", "number", "Upper end of its 95 % interval.", "animals per trap-night", minimum=0,
               stored=("indexvalue.high",)),
        Column("sites", "integer", "Gardens behind it.", "site", required=True, minimum=0,
               stored=("indexvalue.sites",)),
        Column("site_nights", "integer", "Site-nights behind it.", "site-night", required=True, minimum=0,
               stored=("indexvalue.site_nights",)),
        Column("returns", "integer", "Returns behind it.", "return", required=True, minimum=0,
               stored=("indexvalue.returns",)),
        Column("trap_nights", "number", "Effort behind it, with the rim offset.", "trap-night", required=True,
               minimum=0, stored=("indexvalue.trap_nights",)),
        Column("more_sites_needed", "integer", "Gardens that are missing before it may be shown.", "site",
               required=True, minimum=0, stored=("indexvalue.more_sites_needed",)),
    ),
    (Reference(("season",), "seasons", ("season",)),),
)  # fmt: skip

INDEX_CHANGE = Table(
    "index_change",
    "Change of the activity index",
    "The change of the activity index to the release's season since the base seasons, as a ratio.",
    ("season", "region", "window", "group", "adjusted"),
    (
        *_PLACE,
        Column("adjusted", "boolean", "True for the change had all nights been equally warm.", required=True,
               stored=("changevalue.adjusted",)),
        Column("base", "string", "Codes of the base seasons, with | between them.", required=True,
               stored=("season.code",)),
        Column("code", "string", "shown, or why it is not.", required=True, stored=("changevalue.code",)),
        Column("ratio", "number", "Activity-density over its mean in the base.", minimum=0,
               stored=("changevalue.ratio",)),
        Column("low", "number", "Lower end of its 95 % interval.", minimum=0, stored=("changevalue.low",)),
        Column("high", "number", "Upper end of its 95 % interval.", minimum=0, stored=("changevalue.high",)),
        Column("p_value", "number", "Two-sided, against no change.", minimum=0, stored=("changevalue.p_value",)),
        Column("p_adjusted", "number", "Adjusted for all changes shown (Benjamini and Hochberg).", minimum=0,
               stored=("changevalue.p_adjusted",)),
        Column("revisited_sites", "integer", "Gardens with returns in both times.", "site", required=True, minimum=0,
               stored=("changevalue.revisited_sites",)),
        Column("effective_sites", "number", "Equally heavy gardens that it rests on.", "site", required=True,
               minimum=0, stored=("changevalue.effective_sites",)),
        Column("more_sites_needed", "integer", "Gardens that are missing before it may be shown.", "site",
               required=True, minimum=0, stored=("changevalue.more_sites_needed",)),
    ),
    (Reference(("season",), "seasons", ("season",)),),
)  # fmt: skip

CELLS = Table(
    "cells",
    "Grid cells",
    "Effort in each grid cell of each season and region that stands for five gardens or more.",
    ("season", "region", "cell"),
    (
        _season("return.season"),
        Column("region", "string", "Code of the region.", required=True, stored=("return.region",)),
        Column("cell", "string", "Code of the 0.1 degree grid cell.", required=True, stored=("site.cell_code",)),
        Column("cell_latitude", "number", "Latitude of its centre, WGS 84.", "degree", required=True,
               stored=("site.cell_latitude",)),
        Column("cell_longitude", "number", "Longitude of its centre, WGS 84.", "degree", required=True,
               stored=("site.cell_longitude",)),
        Column("cell_uncertainty_m", "integer", "Half its diagonal, rounded up.", "metre", required=True, minimum=1,
               stored=("site.cell_uncertainty_m",)),
        Column("sites", "integer", "Gardens with a return in it.", "site", required=True, minimum=1,
               stored=("site.public_id",)),
        Column("returns", "integer", "Returns in it.", "return", required=True, minimum=1, stored=("return.uuid",)),
        Column("trap_nights", "number", "Effort in it, summed in the order of return_id.", "trap-night", required=True,
               minimum=0, stored=("return.trap_nights",)),
    ),
    (Reference(("season",), "seasons", ("season",)),),
)  # fmt: skip

#: Frozen when a release is made: everything else follows from these and from the facts beside them.
FROZEN: tuple[Table, ...] = (SEASONS, REGIONS, GROUPS, HABITATS, WINDOWS, RETURNS, COUNTS, FINDINGS, EXCLUSIONS)
#: Worked out from the frozen tables, by code that needs nothing else.
WORKED_OUT: tuple[Table, ...] = (CELLS, INDEX_LEVEL, INDEX_CHANGE)
TABLES: tuple[Table, ...] = (*FROZEN, *WORKED_OUT)


def table_of(name: str) -> Table:
    """Return the description of a table. Raises KeyError for a name that is none."""
    return next(table for table in TABLES if table.name == name) if name in {t.name for t in TABLES} else _none(name)


def _none(name: str) -> Table:
    raise KeyError(f"There is no released table {name!r}. There are: {', '.join(table.name for table in TABLES)}.")
