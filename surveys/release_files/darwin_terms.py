"""The terms of the Darwin Core Archive: which file holds them, what each is made from, and the words of its lists.

References: Darwin Core terms and text guide (TDWG, 2023-09-13); Humboldt extension, vocabulary of 2025-07-10 (TDWG).
"""

from __future__ import annotations

from dataclasses import dataclass

DWC = "http://rs.tdwg.org/dwc/terms/"
DCTERMS = "http://purl.org/dc/terms/"
ECO = "http://rs.tdwg.org/eco/terms/"

#: Between the values of a list (Humboldt extension, usage notes of its terms).
LIST_SEPARATOR = " | "
#: WGS 84, as the Darwin Core term geodeticDatum asks for it.
DATUM = "EPSG:4326"
#: The vocabulary of archives for occurrenceStatus, issued 2020-07-15: present and absent, nothing else.
ARCHIVE_STATUS_VOCABULARY = "http://rs.gbif.org/vocabulary/gbif/occurrence_status_2020-07-15.xml"
#: The controlled vocabulary of taxonCompletenessReported (TDWG).
COMPLETENESS_VOCABULARY = "http://rs.tdwg.org/dwc/doc/tcr/"

# The three levels of events, by their eventType.
SURVEY_SEASON = "survey season"
SITE_SEASON = "site season"
TRAP_EXPOSURE = "trap exposure"

# How many animals: an exact number, or a class of our scale (the standard allows the name of a scale as the type).
INDIVIDUALS = "individuals"
COUNT_CLASS_SCALE = "Trapnight count class"


@dataclass(frozen=True, slots=True)
class StatusWords:
    """How one thing is said in three places: our ``detected``, archives, and Darwin Core terms since 2026-05-26."""

    detected: bool
    archive: str
    later: str


#: The one place where detection is turned into words.
STATUS_WORDS = (
    StatusWords(detected=True, archive="present", later="detected"),
    StatusWords(detected=False, archive="absent", later="notDetected"),
)


def archive_status(*, detected: bool) -> str:
    """Return present or absent: the words of an archive."""
    return next(words.archive for words in STATUS_WORDS if words.detected is detected)


def later_status(*, detected: bool) -> str:
    """Return detected or notDetected: the words that the term itself recommends since 2026-05-26."""
    return next(words.later for words in STATUS_WORDS if words.detected is detected)


def is_detected(word: str) -> bool:
    """Return what an occurrenceStatus says, in the words of either list. Raises ValueError for any other word."""
    for words in STATUS_WORDS:
        if word in {words.archive, words.later}:
            return words.detected
    raise ValueError(f"occurrenceStatus is {word!r}; expected present, absent, detected or notDetected.")


@dataclass(frozen=True, slots=True)
class Term:
    """One column of an archive's file. ``made_from`` says from which released columns, or which words always."""

    name: str
    made_from: str
    namespace: str = DWC
    vocabulary: str = ""

    @property
    def uri(self) -> str:
        """The address that names the term."""
        return self.namespace + self.name


@dataclass(frozen=True, slots=True)
class ArchiveFile:
    """One file of the archive. Its first column names the event: it joins the extensions to the core."""

    name: str
    row_type: str
    terms: tuple[Term, ...]

    @property
    def columns(self) -> list[str]:
        """The header, in order."""
        return [term.name for term in self.terms]


_EVENT_ID = Term("eventID", "seasons.season; season:site_id; returns.return_id")

EVENTS = ArchiveFile(
    "event.csv",
    DWC + "Event",
    (
        _EVENT_ID,
        Term("parentEventID", "the site in the season for a return, the season for a site, empty for a season"),
        Term("eventType", f"{SURVEY_SEASON}, {SITE_SEASON} or {TRAP_EXPOSURE}"),
        Term("eventDate", "returns.set_at / emptied_at; for the levels above an interval that encloses them; UTC"),
        Term("samplingProtocol", "seasons.protocol; says so where returns.standing is off_protocol"),
        Term("sampleSizeValue", "returns.exposure_hours; empty where returns.trap_nights is"),
        Term("sampleSizeUnit", "hour"),
        Term("samplingEffort", "returns.trap_nights with its unit; empty where there was no effort"),
        Term("habitat", "habitats.label of returns.habitat"),
        Term("locationID", "returns.cell; for a site only where all its returns of the season show the same cell"),
        Term("locality", "regions.name of returns.region; all regions for a season"),
        Term("countryCode", "empty: a release does not hold it"),
        Term("decimalLatitude", "returns.cell_latitude, as locationID"),
        Term("decimalLongitude", "returns.cell_longitude, as locationID"),
        Term("geodeticDatum", f"{DATUM} where there are coordinates"),
        Term("coordinateUncertaintyInMeters", "returns.cell_uncertainty_m, as locationID"),
        Term("locationRemarks", "returns.trap_number"),
        Term("eventRemarks", "returns.standing, left_out, trap_nights, trap_state, traps_pooled; seasons.invented"),
        Term("license", "address of seasons.licence", DCTERMS),
        Term("datasetID", "address of the release"),
        Term("datasetName", "title and number of the release"),
        Term("informationWithheld", "what a release never holds; whether the cell is withheld"),
        Term("dataGeneralizations", "how place and times are coarsened"),
    ),
)

OCCURRENCES = ArchiveFile(
    "occurrence.csv",
    DWC + "Occurrence",
    (
        Term("eventID", "counts.return_id"),
        Term("occurrenceID", "counts.return_id:group"),
        Term("basisOfRecord", "HumanObservation"),
        Term(
            "occurrenceStatus",
            "counts.detected: present, or absent where returns.looked_for_all is yes and returns.trap_nights is known",
            vocabulary=ARCHIVE_STATUS_VOCABULARY,
        ),
        Term("scientificName", "groups.scientific_name as one name; empty where absence of a part is reported"),
        Term("taxonRank", "groups.taxon_rank of that name"),
        Term("vernacularName", "groups.name"),
        Term("verbatimIdentification", "groups.scientific_name as it stands"),
        Term("lifeStage", "larva where groups.scientific_name says larvae"),
        Term("individualCount", "counts.count_min where it equals count_max; empty for a class"),
        Term("organismQuantity", "the number, or the code of the class such as c16to31"),
        Term("organismQuantityType", f"{INDIVIDUALS}, or {COUNT_CLASS_SCALE} for a class"),
        Term("identificationVerificationStatus", "returns.state and counts.corrected"),
    ),
)


def _eco(name: str, made_from: str, vocabulary: str = "") -> Term:
    return Term(name, made_from, ECO, vocabulary)


HUMBOLDT = ArchiveFile(
    "humboldt.csv",
    ECO + "Event",
    (
        _EVENT_ID,
        _eco("siteCount", "1 for a return and for a site"),
        _eco("reportedWeather", "returns.temp_min_c, temp_max_c, rain, wind, ground, as JSON"),
        _eco("targetHabitatScope", "habitats.label: the season's list; for a return its own"),
        _eco("eventDurationValue", "returns.exposure_hours; for the levels above the length of eventDate"),
        _eco("eventDurationUnit", "hours; days for a season"),
        _eco("targetTaxonomicScope", "groups.scientific_name: the season's list, fixed before the first trap is set"),
        _eco("excludedTaxonomicScope", "Vertebrata: the protocol keeps them out and counts none"),
        _eco("taxonCompletenessReported", "notReported", COMPLETENESS_VOCABULARY),
        _eco(
            "isTaxonomicScopeFullyReported",
            "true where returns.looked_for_all is yes, returns.trap_nights is known, and every group of the list was "
            "answered by a number, a class or none_seen; else false",
        ),
        _eco("isAbsenceReported", "true where the return has a row with absent"),
        _eco("absentTaxa", "groups.scientific_name of those rows"),
        _eco("hasNonTargetTaxa", "false: only groups of the list are reported"),
        _eco("areNonTargetTaxaFullyReported", "false"),
        _eco("verbatimTargetScope", "groups.name: the season's list"),
        _eco("compilationTypes", "samplingEvents"),
        _eco("inventoryTypes", "restrictedSearch"),
        _eco("protocolNames", "pitfallTrapping"),
        _eco("protocolDescriptions", "seasons.protocol; returns.standing"),
        _eco("protocolReferences", "address of the methods"),
        _eco("isAbundanceReported", "true where the return has a row with a number or a class"),
        _eco("isAbundanceCapReported", "true where a class that is open above stands in the return"),
        _eco("abundanceCap", "where that class begins"),
        _eco("isLeastSpecificTargetCategoryQuantityInclusive", "false: an animal is counted in one group only"),
        _eco("hasVouchers", "false"),
        _eco("hasMaterialSamples", "false"),
        _eco("isSamplingEffortReported", "whether returns.trap_nights is known"),
        _eco("samplingEffortProtocol", "how trap-nights are worked out"),
        _eco("samplingEffortValue", "returns.trap_nights"),
        _eco("samplingEffortUnit", "trapDays: a trap-night is one cup open for 24 hours"),
    ),
)

#: The core first, as meta.xml lists them.
ARCHIVE_FILES = (EVENTS, OCCURRENCES, HUMBOLDT)
