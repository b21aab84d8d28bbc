"""Closed lists of words, and the only place where they are written down.

Every list is used five times over: as the choices of a form, the constraint of a column, the
enumeration in the API schema, a page of the codebook, and the argument of the methods. A word's
value is what is stored and published; its ``label`` is what a person reads.

No value may be one that a reader of CSV files takes for a missing cell (pandas: ``None``, ``NA``,
``null``, ``nan``; R: ``NA``), nor one that a spreadsheet turns into a date or a number.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Self


class Word(StrEnum):
    """One closed list: members carry a stored value and a label for people."""

    label: str

    def __new__(cls, value: str, label: str = "") -> Self:
        word = str.__new__(cls, value)
        word._value_ = value
        word.label = label
        return word

    @classmethod
    def choices(cls) -> list[tuple[str, str]]:
        """Return ``(value, label)`` pairs in the order in which the words are listed."""
        return [(word.value, word.label) for word in cls]

    @classmethod
    def values(cls) -> list[str]:
        """Return the stored values in the order in which the words are listed."""
        return [word.value for word in cls]


# --- the trap as it was set -------------------------------------------------------------------


class TimePrecision(Word):
    QUARTER_HOUR = "quarter_hour", "to a quarter of an hour"
    HALF_HOUR = "half_hour", "to half an hour"
    DATE_ONLY = "date_only", "only the date"


class CupMaterial(Word):
    PLASTIC = "plastic", "smooth rigid plastic"
    GLASS = "glass", "glass"
    METAL = "metal", "metal"
    CARD = "card", "card or paper"
    OTHER = "other", "something else"


class CupWall(Word):
    CLEAN = "clean", "clean and smooth"
    ROUGH_OR_DIRTY = "rough_or_dirty", "scratched, rough or dirty"


class CupColour(Word):
    CLEAR = "clear", "clear"
    BROWN = "brown", "brown"
    GREEN = "green", "green"
    BLACK = "black", "black"
    WHITE = "white", "white"
    YELLOW = "yellow", "yellow"
    OTHER = "other", "another colour"


class CupNesting(Word):
    DOUBLE = "double", "two cups, one inside the other"
    SINGLE = "single", "one cup"


class Rim(Word):
    """Where the rim sat against the soil. The millimetres are those of protocol version 1."""

    FLUSH = "flush", "level with the soil, or up to 2 mm below"
    SLIGHTLY_BELOW = "slightly_below", "2 to 5 mm below the soil"
    DEEP = "deep", "more than 5 mm below the soil"
    SLIGHTLY_ABOVE = "slightly_above", "up to 3 mm above the soil"
    ABOVE = "above", "more than 3 mm above the soil"


class RimGap(Word):
    CLOSED = "closed", "no gap, packed by hand"
    UP_TO_1MM = "up_to_1mm", "a gap of up to 1 mm"
    WIDER = "wider", "a wider gap"


class Cover(Word):
    PRESENT = "present", "a rain cover on sticks"
    ABSENT = "absent", "no rain cover"


class CoverKind(Word):
    OPAQUE = "opaque", "light does not come through"
    CLEAR = "clear", "see-through"


class Guard(Word):
    NO_GUARD = "no_guard", "nothing over the mouth"
    MESH = "mesh", "a mesh under the cover"
    ESCAPE_STICK = "escape_stick", "a stick to climb out by"


class Refuge(Word):
    MOSS_OR_GRASS = "moss_or_grass", "a small pinch of moss or dry grass"
    LEAF_LITTER = "leaf_litter", "leaf litter"
    NOTHING = "nothing", "nothing to hide in"
    REACHES_RIM = "reaches_rim", "moss or leaves that reach the rim"


class Liquid(Word):
    NOTHING = "nothing", "nothing: a dry cup"
    STANDING_WATER = "standing_water", "a little water"
    PRESERVATIVE = "preservative", "a preservative or antifreeze"
    SOAP = "soap", "soap or washing-up liquid"
    BEER = "beer", "beer"
    FOOD_BAIT = "food_bait", "food as bait"
    OTHER = "other", "another liquid or bait"


class DrainHoles(Word):
    NO_HOLES = "no_holes", "no holes"
    SMALL = "small", "holes of 1 mm or less"
    LARGE = "large", "larger holes"


class HoleReuse(Word):
    SAME_HOLE = "same_hole", "the hole of last time"
    NEW_HOLE = "new_hole", "a new hole"


class Disturbance(Word):
    UNDISTURBED = "undisturbed", "nothing happened near the trap"
    TRAMPLED = "trampled", "trampled close to the trap"
    MOWN = "mown", "mown within two days"
    WATERED = "watered", "watered within two days"
    DUG = "dug", "dug over within two days"
    TREATED = "treated", "treated or sprayed within two days"


class YesNo(Word):
    YES = "yes", "yes"
    NO = "no", "no"


class Looks(Word):
    DUSK_AND_DAWN = "dusk_and_dawn", "at dusk and in the early morning"
    DAWN_ONLY = "dawn_only", "in the early morning only"
    DUSK_ONLY = "dusk_only", "at dusk only"
    NO_LOOK = "no_look", "not until it was emptied"


class GroundCover(Word):
    BARE = "bare", "bare"
    SPARSE = "sparse", "sparse"
    HALF = "half", "about half covered"
    DENSE = "dense", "dense"


class VegetationHeight(Word):
    UNDER_5CM = "under_5cm", "under 5 cm"
    FROM_5_TO_15CM = "from_5_to_15cm", "5 to 15 cm"
    FROM_15_TO_50CM = "from_15_to_50cm", "15 to 50 cm"
    OVER_50CM = "over_50cm", "over 50 cm"


class TemperatureSource(Word):
    OWN = "own", "own thermometer"
    STATION = "station", "nearest weather station"


class Rain(Word):
    DRY = "dry", "no rain"
    DAMP = "damp", "a little drizzle"
    LIGHT = "light", "light rain"
    HEAVY = "heavy", "heavy rain"


class Wind(Word):
    CALM = "calm", "calm"
    BREEZY = "breezy", "breezy"
    WINDY = "windy", "windy"


class GroundWetness(Word):
    DRY = "dry", "dry"
    DAMP = "damp", "damp"
    WET = "wet", "wet"


# --- the trap as it was emptied ---------------------------------------------------------------


class TrapState(Word):
    INTACT = "intact", "just as it was set"
    RIM_PROUD = "rim_proud", "the rim stood out of the soil"
    TILTED = "tilted", "tilted"
    WATER_IN = "water_in", "more than 5 mm of water in it"
    SOIL_IN = "soil_in", "soil had fallen in"
    DUG_UP = "dug_up", "dug up"
    KICKED = "kicked", "kicked or trodden on"
    COVER_LOST = "cover_lost", "the cover was gone"
    MOVED = "moved", "moved, or the cup was gone"


#: A trap that was found like this has no catch to count, and that it was lost is worth knowing.
LOST_STATES = frozenset({TrapState.DUG_UP, TrapState.KICKED, TrapState.MOVED, TrapState.WATER_IN})


class CountedIn(Word):
    WHITE_TRAY = "white_tray", "a white tray"
    THE_CUP = "the_cup", "the cup itself"
    OTHER = "other", "something else"


class Release(Word):
    WITHIN_THE_HOUR = "within_the_hour", "within the hour, at least a metre away"
    LATER = "later", "later than an hour"
    NOT_RELEASED = "not_released", "not let go"


class Closing(Word):
    LIDDED = "lidded", "closed with a lid"
    LIFTED_AND_FILLED = "lifted_and_filled", "lifted, and the hole filled"
    LEFT_OPEN = "left_open", "left open"


class AnswerKind(Word):
    """The five ways to answer for one group. A blank is none of them, and never a zero."""

    NUMBER = "number", "a number"
    CLASS = "class", "a class"
    NONE_SEEN = "none_seen", "looked, and there were none"
    DID_NOT_LOOK = "did_not_look", "did not look for these"
    COULD_NOT_TELL = "could_not_tell", "could not tell"


class CountClass(Word):
    """Counts given as a range: octaves, the last one open above."""

    C2TO3 = "c2to3", "2 or 3"
    C4TO7 = "c4to7", "4 to 7"
    C8TO15 = "c8to15", "8 to 15"
    C16TO31 = "c16to31", "16 to 31"
    C32TO63 = "c32to63", "32 to 63"
    C64TO127 = "c64to127", "64 to 127"
    C128UP = "c128up", "128 or more"


#: Lowest and highest count of each class; ``None`` stands for "open above".
CLASS_BOUNDS: dict[CountClass, tuple[int, int | None]] = {
    CountClass.C2TO3: (2, 3),
    CountClass.C4TO7: (4, 7),
    CountClass.C8TO15: (8, 15),
    CountClass.C16TO31: (16, 31),
    CountClass.C32TO63: (32, 63),
    CountClass.C64TO127: (64, 127),
    CountClass.C128UP: (128, None),
}


def range_as_typed(word: CountClass) -> str:
    """Return a class as it is typed into a cell: "16-31", or "128+" for the one that is open above."""
    low, high = CLASS_BOUNDS[word]
    return f"{low}+" if high is None else f"{low}-{high}"


#: Closed words of the reported half: column and list. Order is that of the protocol table.
REPORTED_WORDS: dict[str, type[Word]] = {
    "time_precision": TimePrecision,
    "material": CupMaterial,
    "wall": CupWall,
    "colour": CupColour,
    "nesting": CupNesting,
    "rim": Rim,
    "rim_gap": RimGap,
    "cover": Cover,
    "cover_kind": CoverKind,
    "guard": Guard,
    "refuge": Refuge,
    "liquid": Liquid,
    "drain_holes": DrainHoles,
    "hole_reuse": HoleReuse,
    "disturbance": Disturbance,
    "pesticide": YesNo,
    "looks": Looks,
    "ground_cover": GroundCover,
    "vegetation": VegetationHeight,
    "temp_source": TemperatureSource,
    "rain": Rain,
    "wind": Wind,
    "ground": GroundWetness,
    "trap_state": TrapState,
    "counted_in": CountedIn,
    "looked_for_all": YesNo,
    "remains_seen": YesNo,
    "vertebrate_seen": YesNo,
    "release": Release,
    "closing": Closing,
}

#: Measures of the reported half: column, lowest and highest value that is stored at all.
#: Odd values inside these bounds are kept and found by the protocol check.
REPORTED_MEASURES: dict[str, tuple[float, float]] = {
    "mouth_mm": (1, 1000),
    "depth_mm": (1, 1000),
    "cover_gap_mm": (0, 1000),
    "cover_width_mm": (0, 2000),
    "guard_hole_mm": (0, 100),
    "water_mm": (0, 1000),
    "settled_h": (0, 100_000),
    "spacing_m": (0, 10_000),
    "temp_min_c": (-60, 60),
    "temp_max_c": (-60, 60),
}


#: Whole numbers of the reported half: column, lowest, highest.
REPORTED_NUMBERS: dict[str, tuple[int, int]] = {"traps_open": (1, 60), "traps_pooled": (1, 60)}

#: More animals than this in one cup is a slip of the keyboard, not a catch.
MOST_ANIMALS = 100_000


# --- what the protocol check says -------------------------------------------------------------


class Outcome(Word):
    """What one check does to a return, from nothing at all to "not in the indices"."""

    FINE = "fine", "as asked"
    NOTE = "note", "noted"
    OFFSET = "offset", "carried by the effort"
    COVARIATE = "covariate", "carried by the model"
    HOLD = "hold", "a coordinator looks first"
    OUT = "out", "kept, not in the indices"


class Mark(Word):
    """Marks that go beside an outcome and decide who is told, and how fast."""

    WELFARE = "welfare", "the animals' welfare"
    SAFETY = "safety", "people's and pets' safety"


class Standing(Word):
    """How a return as a whole stands to its protocol."""

    TO_PROTOCOL = "to_protocol", "to protocol"
    ADJUSTED = "adjusted", "adjusted"
    OFF_PROTOCOL = "off_protocol", "off protocol"


# --- the life of a return ---------------------------------------------------------------------


class ReturnState(Word):
    RECEIVED = "received", "received"
    STANDING = "standing", "standing"
    QUERIED = "queried", "queried"
    UPHELD = "upheld", "upheld"
    CORRECTED = "corrected", "corrected"
    DISCOUNTED = "discounted", "discounted"
    WITHDRAWN = "withdrawn", "withdrawn"


#: Returns in these states enter indices and releases.
USABLE_STATES = frozenset({ReturnState.STANDING, ReturnState.UPHELD, ReturnState.CORRECTED})


class Decision(Word):
    UPHELD = "upheld", "let it stand"
    CORRECTED = "corrected", "correct it"
    DISCOUNTED = "discounted", "set it aside"


class VerdictReason(Word):
    """The short closed list from which every verdict takes its reason."""

    SENDER_CONFIRMED = "sender_confirmed", "the household confirmed it"
    TRAY_PHOTO_AGREES = "tray_photo_agrees", "the tray photo agrees"
    PLAUSIBLE_NIGHT = "plausible_night", "unusual, but plausible for that night"
    COUNT_SLIP = "count_slip", "a slip in a number"
    WRONG_ROW = "wrong_row", "counts written one row off"
    GROUPS_SWAPPED = "groups_swapped", "look-alike groups swapped"
    DATE_SLIP = "date_slip", "a slip in a date or a time"
    PLACE_SLIP = "place_slip", "a slip in the place"
    SENT_TWICE = "sent_twice", "the same night sent twice"
    TRAPS_POOLED = "traps_pooled", "several traps in one return"
    TRAP_LOST = "trap_lost", "the trap was lost, flooded or dug up"
    LIQUID_USED = "liquid_used", "liquid or bait in the cup"
    NOT_EXPLAINED = "not_explained", "wrong, and could not be explained"


class QueryKind(Word):
    PROTOCOL = "protocol", "the protocol asks for a person"
    DETERMINISTIC = "deterministic", "something does not add up"
    STATISTICAL = "statistical", "surprising for such a trap"


class QueryReason(Word):
    """Why a return waits. One word per kind of slip; sentences are made beside the evidence."""

    SAFETY = "safety", "liquid, bait or a danger to people or pets"
    WELFARE = "welfare", "an animal's welfare"
    PROTOCOL_HOLD = "protocol_hold", "a protocol answer that a person must read"
    DATE_OFF_BY_DAYS = "date_off_by_days", "the dates are a whole day or more apart from one night"
    TWELVE_HOURS_OFF = "twelve_hours_off", "morning and evening may be swapped"
    DAY_MONTH_SWAPPED = "day_month_swapped", "day and month may be swapped"
    IN_THE_FUTURE = "in_the_future", "the night is not over yet"
    PLACE_SIGNS = "place_signs", "the coordinates may be swapped or lack a sign"
    PLACE_MINUTES = "place_minutes", "degrees and minutes may be typed as decimals, or a comma misplaced"
    PLACE_OUTSIDE = "place_outside", "the place is outside its region"
    SENT_TWICE = "sent_twice", "the same night of the same trap came before"
    SAME_AS_SIBLING = "same_as_sibling", "the same counts as another trap of that night"
    SAME_ELSEWHERE = "same_elsewhere", "the same counts as a trap of another household"
    COPIED_FROM_EARLIER = "copied_from_earlier", "the same counts as an earlier night"
    TRAPS_POOLED = "traps_pooled", "several traps may be counted as one"
    LOST_TRAP_ZEROS = "lost_trap_zeros", "a lost or flooded trap entered as empty"
    LIQUID_WORDS = "liquid_words", "the note speaks of liquid or bait"
    ROW_SLIP = "row_slip", "the counts read better one row up or down"
    IMPOSSIBLE_COUNT = "impossible_count", "more animals than a cup holds"
    TEN_TIMES = "ten_times", "a number looks ten times too high, doubled or turned round"
    LOOK_ALIKES = "look_alikes", "two look-alike groups may be swapped"
    ROUND_NUMBERS = "round_numbers", "most numbers are round: they may be guesses"
    WRONG_HABITAT = "wrong_habitat", "the habitat does not fit the catch or the plants around the trap"
    SMALL_MISSED = "small_missed", "the small animals may not have been looked for"
    UNUSUALLY_MANY = "unusually_many", "far more than such a trap catches"
    NOT_SCREENED = "not_screened", "screening could not read it"
    SECOND_LOOK = "second_look", "chosen for a blind second look"


# --- seasons, people, jobs, releases ----------------------------------------------------------


class SeasonState(Word):
    DRAFT = "draft", "in preparation"
    OPEN = "open", "open"
    CLOSED = "closed", "closed"


class PlanSection(Word):
    """The parts of a season's plan, each with a page of its own, in their order."""

    NAME = "name", "name and dates"
    WEEKS = "weeks", "weeks"
    GROUPS = "groups", "groups"
    HABITATS = "habitats", "habitats and weights"
    PROTOCOL = "protocol", "protocol"
    REGIONS = "regions", "regions"
    TEXTS = "texts", "texts"


class Licence(Word):
    CC_BY_4 = "CC-BY-4.0", "Creative Commons Attribution 4.0"
    CC0_1 = "CC0-1.0", "Creative Commons Zero 1.0"


LICENCE_URLS: dict[Licence, str] = {
    Licence.CC_BY_4: "https://creativecommons.org/licenses/by/4.0/",
    Licence.CC0_1: "https://creativecommons.org/publicdomain/zero/1.0/",
}


class Tier(Word):
    CORE = "core", "core"
    EXTRA = "extra", "extra"


class HouseholdKind(Word):
    HOUSEHOLD = "household", "household"
    SCHOOL = "school", "school"


class Language(Word):
    """Languages of the pages and of mail. A label is the language's own name for itself."""

    ENGLISH = "en", "English"
    GERMAN = "de", "Deutsch"


class DraftKind(Word):
    SET = "set", "setting a trap"
    EMPTY = "empty", "emptying a trap"
    COUNT = "count", "counting a catch"


class Ending(Word):
    """How one setting of a trap ended."""

    EMPTIED = "emptied", "emptied, and the return sent"
    CALLED_OFF = "called_off", "closed early, nothing counted"
    LOST = "lost", "dug up, kicked or gone"


class LetterKind(Word):
    LOOK_AT_DUSK = "look_at_dusk", "look at the trap at dusk"
    LOOK_AT_DAWN = "look_at_dawn", "look at the trap in the early morning"
    EMPTY_NOW = "empty_now", "empty the trap"
    OVERDUE = "overdue", "a trap is still open"
    OVERDUE_REGION = "overdue_region", "a trap of the region is still open"
    QUESTION = "question", "a question about a return"
    DORMANT = "dormant", "an account that is not used"
    INVITATION = "invitation", "an invitation to a role"
    MORNING = "morning", "what waits this morning"


class SheetKind(Word):
    XLSX = "xlsx", "spreadsheet (xlsx)"
    CSV = "csv", "table (csv)"


class SheetState(Word):
    WAITING = "waiting", "waiting to be read"
    READ = "read", "read, nothing taken in yet"
    REFUSED = "refused", "could not be read"
    TAKEN = "taken", "taken in"


class Role(Word):
    """Appointments beyond that of a sender, which every account holder is."""

    COORDINATOR = "coordinator", "coordinator"
    RESEARCHER = "researcher", "researcher"
    OPERATOR = "operator", "operator"


class JobKind(Word):
    NIGHT = "night", "nightly computation"
    CANARY = "canary", "sign of life"
    SHEET = "sheet", "reading a spreadsheet"
    PREVIEW = "preview", "trying a protocol on last season"
    RELEASE = "release", "making a release"
    EXPORT = "export", "writing an export"


class JobState(Word):
    QUEUED = "queued", "queued"
    RUNNING = "running", "running"
    DONE = "done", "done"
    FAILED = "failed", "failed"
    CANCELLED = "cancelled", "cancelled"


class PartKind(Word):
    SCREENING = "screening", "screening some returns again"
    LEVEL = "level", "the level of a group under one rim exponent"
    CHANGE = "change", "the change of a group"
    GROUPS_SEEN = "groups_seen", "the groups seen of all regions"


class RunState(Word):
    COMPUTING = "computing", "computing"
    PUBLISHED = "published", "published"
    SUPERSEDED = "superseded", "superseded"


class ReleaseState(Word):
    PUBLISHED = "published", "published"
    WITHDRAWN = "withdrawn", "withdrawn"


class LeftOut(Word):
    """Why a released return enters no index."""

    OFF_PROTOCOL = "off_protocol", "off protocol"
    NO_EFFORT = "no_effort", "nothing could be caught: the trap was lost, flooded or disturbed"
    NO_WINDOW = "no_window", "its night lies in no survey window"
    NO_HABITAT = "no_habitat", "its habitat is not told, or not on the season's list"


class Exclusion(Word):
    """Why a return is not in a release."""

    NOT_SCREENED = "not_screened", "not screened yet"
    QUERIED = "queried", "waits for a coordinator"
    DISCOUNTED = "discounted", "discounted by a coordinator"
    WITHDRAWN = "withdrawn", "withdrawn by its sender"
    NOT_AGREED = "not_agreed", "its sender has not agreed to the licence"
    FEW_SITES = "few_sites", "its place would stand for too few gardens"
    NEW_SITE = "new_site", "its garden waits until enough new ones have joined"


class TokenScope(Word):
    """What a token may be used for."""

    SEND = "send", "sending returns and keeping sites"
    READ_DATA = "read_data", "reading live data and exports"
    DESK = "desk", "the coordinator's desk"


class ExportTable(Word):
    """Which live table an export holds."""

    RETURNS = "returns", "returns"
    COUNTS = "counts", "counts"


class FileKind(Word):
    """How an export is written."""

    CSV = "csv", "CSV"
    PARQUET = "parquet", "Parquet"


class IndexLabel(Word):
    """What may be said of an index value."""

    SHOWN = "shown", "shown"
    WIDE = "wide", "shown, with a wide interval"
    TOO_FEW = "too_few", "too few returns"


class Exposure(Word):
    """How far a stored column may travel."""

    OPEN = "open", "published as it is"
    COARSENED = "coarsened", "published in a coarser form"
    NEVER = "never", "never published"
