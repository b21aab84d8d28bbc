"""The checks of a protocol by name: what each asks, and the cases that a protocol version must rule on.

The ranges, the outcomes and the sentences are not here: they belong to a protocol *version*
(:mod:`surveys.methods.protocol_limits`). A case is one way in which an answer can turn out.
"""

from __future__ import annotations

from dataclasses import dataclass

from surveys import vocabulary
from surveys.vocabulary import Word

UNKNOWN = "unknown"  # the case of a missing answer, in every check that can miss one


@dataclass(frozen=True, slots=True)
class Check:
    """One check: its name, a title for pages, the answers it reads (the first one is its own), its cases.

    ``banded`` cases come from ranges; ``numbers`` are single limits that a version must give.
    """

    id: str
    title: str
    asks: tuple[str, ...]
    cases: tuple[str, ...]
    banded: bool = False
    numbers: tuple[str, ...] = ()


def _of_words(name: str, title: str, asks: str, words: type[Word]) -> Check:
    """Return a check with one case for each word of a closed list, and one for a missing answer."""
    return Check(name, title, (asks,), (*words.values(), UNKNOWN))


def _of_measure(name: str, title: str, asks: str, *cases: str) -> Check:
    """Return a check whose cases are ranges of one number, and one for a missing answer."""
    return Check(name, title, (asks,), (*cases, UNKNOWN), banded=True)


_CUP = (
    _of_measure("mouth_width", "Width of the cup's mouth", "mouth_mm", "standard", "near", "wide", "outside"),
    _of_measure("cup_depth", "Depth of the cup", "depth_mm", "target", "shallow", "deep", "too_shallow", "too_deep"),
    _of_words("cup_material", "What the cup is made of", "material", vocabulary.CupMaterial),
    _of_words("cup_wall", "Wall of the cup", "wall", vocabulary.CupWall),
    _of_words("cup_colour", "Colour of the cup", "colour", vocabulary.CupColour),
    _of_words("cup_nesting", "One cup or two", "nesting", vocabulary.CupNesting),
    _of_words("rim", "Rim against the soil", "rim", vocabulary.Rim),
    _of_words("rim_gap", "Gap around the rim", "rim_gap", vocabulary.RimGap),
    Check(
        "cover",
        "Rain cover",
        ("cover", "cover_gap_mm", "trap_state", "rain"),
        ("present", *(f"absent_{rain}" for rain in vocabulary.Rain.values()), "absent_rain_unknown", UNKNOWN),
    ),
    Check(
        "cover_kind",
        "Light through the cover",
        ("cover_kind", "cover"),
        (*vocabulary.CoverKind.values(), "no_cover", UNKNOWN),
    ),
    Check(
        "cover_gap",
        "Gap under the cover",
        ("cover_gap_mm", "cover"),
        ("target", "low", "high", "too_low", "too_high", "no_cover", UNKNOWN),
        banded=True,
    ),
    Check(
        "cover_width",
        "Width of the cover",
        ("cover_width_mm", "mouth_mm", "cover"),
        ("wide_enough", "narrow", "no_cover", UNKNOWN),
        numbers=("margin_each_side_mm",),
    ),
    Check(
        "guard",
        "Guard against larger animals",
        ("guard", "guard_hole_mm", "looks"),
        ("mesh_fine", "mesh_wide", "mesh_unmeasured", "no_guard_looked", "no_guard", "escape_stick", UNKNOWN),
        banded=True,
    ),
    _of_words("refuge", "Something to hide in", "refuge", vocabulary.Refuge),
    Check(
        "liquid",
        "Nothing liquid in the cup",
        ("liquid", "water_mm"),
        (*vocabulary.Liquid.values(), "deep_water", "water_unmeasured", UNKNOWN),
        banded=True,
    ),
    _of_words("drain_holes", "Drain holes", "drain_holes", vocabulary.DrainHoles),
)

_PLACE = (
    _of_measure("settling", "Time to settle before opening", "settled_h", "settled", "fresh"),
    _of_words("hole_reuse", "The hole", "hole_reuse", vocabulary.HoleReuse),
    Check("same_place", "The trap's place", ("hole_reuse",), ("same_place", "new_place", UNKNOWN)),
    _of_words("disturbance", "Disturbance near the trap", "disturbance", vocabulary.Disturbance),
    _of_words("pesticide", "Pesticide or slug pellets", "pesticide", vocabulary.YesNo),
    _of_measure("traps_open", "Traps open that night", "traps_open", "target", "few", "many", "none_open"),
    Check(
        "spacing",
        "Distance between traps",
        ("spacing_m", "traps_open"),
        ("target", "close", "one_location", "single_trap", UNKNOWN),
        banded=True,
    ),
    _of_measure("traps_pooled", "Traps in one return", "traps_pooled", "one", "pooled", "not_one"),
    Check("habitat", "Habitat", ("habitat",), ("answered", UNKNOWN)),
    _of_words("ground_cover", "How much of the ground is covered", "ground_cover", vocabulary.GroundCover),
    _of_words("vegetation", "Height of the plants", "vegetation", vocabulary.VegetationHeight),
)

_HOURS = ("target", "near", "wide", "too_short", "long", "too_long")
_NIGHT = (
    Check("time_order", "Set before emptied", ("set_at", "emptied_at"), ("forward", "backward")),
    Check(
        "exposure",
        "One whole night",
        ("set_at", "emptied_at", "latitude", "longitude"),
        (*_HOURS, "two_nights", "night_cut", "always_light", "always_dark", "backward"),
        banded=True,
    ),
    _of_words("time_precision", "How exact the times are", "time_precision", vocabulary.TimePrecision),
    Check(
        "looks",
        "Looks while the trap was open",
        ("looks", "set_at", "emptied_at"),
        (*vocabulary.Looks.values(), "no_look_long", UNKNOWN),
        numbers=("no_look_long_h",),
    ),
    Check(
        "temperature",
        "Temperatures",
        ("temp_min_c", "temp_max_c", "temp_source"),
        ("own", "station", "source_unknown", "swapped", UNKNOWN),
    ),
    _of_words("rain", "Rain", "rain", vocabulary.Rain),
    _of_words("wind", "Wind", "wind", vocabulary.Wind),
    _of_words("ground_wetness", "Wetness of the ground", "ground", vocabulary.GroundWetness),
    Check(
        "weather_limits",
        "Too hot or too cold to set",
        ("temp_max_c", "temp_min_c"),
        ("suitable", "too_hot", "too_cold", UNKNOWN),
        numbers=("hottest_c", "coldest_c"),
    ),
    Check(
        "season_window",
        "Weeks of the season",
        ("set_at", "emptied_at", "season_opens", "season_closes"),
        ("inside", "before", "after"),
    ),
)

_CATCH = (
    _of_words("trap_state", "The trap when it was lifted", "trap_state", vocabulary.TrapState),
    _of_words("counted_in", "Where the catch was counted", "counted_in", vocabulary.CountedIn),
    Check(
        "exact_counts",
        "Exact counts",
        ("answers",),
        ("exact", "class_too_soon", "open_class", UNKNOWN),
        numbers=("exact_to",),
    ),
    Check(
        "groups_answered",
        "Every group answered",
        ("looked_for_all", "answers"),
        (*vocabulary.YesNo.values(), "no_answers", UNKNOWN),
    ),
    _of_words("remains_seen", "Remains in the cup", "remains_seen", vocabulary.YesNo),
    _of_words("vertebrate_seen", "A larger animal in the cup", "vertebrate_seen", vocabulary.YesNo),
    _of_words("release", "Letting the catch go", "release", vocabulary.Release),
    _of_words("closing", "Closing the trap", "closing", vocabulary.Closing),
)

ALL_CHECKS: tuple[Check, ...] = (*_CUP, *_PLACE, *_NIGHT, *_CATCH)
CHECKS: tuple[str, ...] = tuple(check.id for check in ALL_CHECKS)
TITLES: dict[str, str] = {check.id: check.title for check in ALL_CHECKS}
