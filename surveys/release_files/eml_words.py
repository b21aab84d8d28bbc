"""The texts of eml.xml: plain sentences about the dataset, made from its facts and lists."""

from __future__ import annotations

from surveys.release_files.darwin_events import COARSENED_PLACE, INVENTED, NO_CELL, WITHHELD, protocol_words
from surveys.release_files.darwin_lists import Lists
from surveys.release_files.darwin_terms import COUNT_CLASS_SCALE, SITE_SEASON, SURVEY_SEASON, TRAP_EXPOSURE
from surveys.release_files.facts import Facts
from surveys.release_files.humboldt import EFFORT, PROTOCOL
from surveys.vocabulary import CLASS_BOUNDS, Licence


def abstract(lists: Lists) -> list[str]:
    """Return what the dataset is, and what it is not."""
    facts = lists.facts
    invented = [INVENTED] if facts.invented else []
    return [
        *invented,
        f"Ground-dwelling animals caught in dry live-catch pitfall traps in gardens and school grounds, sent by "
        f"households and schools to {facts.organiser}: returns, counts of {len(lists.groups[facts.season])} animal "
        f"groups, and effort.",
        "A catch is activity-density: how many animals walk, and fall in. It does not say how many live there, and "
        "must not be compared between groups.",
        f"This is release {facts.version}, frozen on {facts.day}. Only returns that stand, were upheld or corrected "
        f"by a coordinator are in it.{_replaced(facts)}",
    ]


def _replaced(facts: Facts) -> str:
    because = f" {facts.because.strip()}" if facts.because.strip() else ""
    return f" It replaces release {facts.replaces}.{because}" if facts.replaces else because


def keywords(lists: Lists) -> list[str]:
    """Return words to find the dataset by."""
    return [
        "pitfall trap", "live catch", "activity-density", "garden", "school ground", "sampling event",
        *(group.name for group in lists.groups[lists.facts.season]),
    ]  # fmt: skip


def rights_words(facts: Facts) -> list[str]:
    """Return under which licence the dataset stands."""
    return [f"{Licence(facts.licence).label} ({facts.licence}): {facts.licence_url}"]


def upkeep_words(facts: Facts) -> list[str]:
    """Return how the dataset is kept."""
    return [
        "A release is never edited. A correction is a new release with a number of its own, which names the one that "
        f"it replaces. Release and newer ones: {facts.home}/releases/"
    ]


def coverage_words(lists: Lists) -> str:
    """Return which places the dataset covers."""
    names = dict.fromkeys(name for regions in lists.regions.values() for name in regions.values())
    return f"Regions: {', '.join(names)}. {COARSENED_PLACE}"


def method_steps(lists: Lists) -> list[str]:
    """Return how a return comes about, and how it is written down."""
    classes = ", ".join(
        f"{word.value} ({f'{low} or more' if high is None else f'{low} to {high}'})"
        for word, (low, high) in CLASS_BOUNDS.items()
    )
    return [
        f"{PROTOCOL} Method version {lists.facts.method_version}: {lists.facts.home}/methods/",
        "Each group of the list is answered by a number, a class, none seen, did not look, or could not tell. A number "
        f"stands in individualCount. A class stands in organismQuantity, on the scale {COUNT_CLASS_SCALE}: {classes}.",
        "Absence has a row only where somebody looked for the group and saw none, said that every group of the list "
        "was looked for and reported, and the trap was recovered. A lost, flooded or disturbed trap is an event "
        "without effort; what was seen in it has rows, what was not has none. Absences off protocol have rows; "
        "samplingProtocol says that the protocol was not followed.",
        "A group that is a part of the taxon whose name it bears (other beetles of Coleoptera) has that name where "
        "animals were seen and no scientificName where none were: no other beetles does not mean no Coleoptera. "
        "verbatimIdentification always tells the group.",
    ]


def study_extent_words(lists: Lists) -> list[str]:
    """Return over which time and places the study ran."""
    return [
        f"{season.title}: {season.opens_on.isoformat()} to {season.closes_on.isoformat()} ({season.time_zone}); "
        f"{protocol_words(season)}; regions {', '.join(lists.regions[code].values())}."
        for code, season in lists.seasons.items()
    ]


def sampling_words(lists: Lists) -> list[str]:
    """Return how events are nested and what effort is."""
    return [
        f"Events have three levels: {SURVEY_SEASON}, {SITE_SEASON} and {TRAP_EXPOSURE} (one trap, one exposure: a "
        "return). Each value stands on every level for which it holds by itself; nothing is inherited, and nothing is "
        "added up. An event encloses the events below it in space and time.",
        f"Gardens take part by their own choice; they are not a random sample. {EFFORT}",
        f"{WITHHELD} {NO_CELL.replace('Its grid cell is', 'A grid cell may be')}",
    ]


def quality_words() -> list[str]:
    """Return how returns are checked."""
    return [
        "Every return is checked against its protocol and screened for slips; a coordinator looks at those that are "
        "queried, and lets them stand, corrects them or sets them aside. identificationVerificationStatus says which. "
        "No animal is kept, so no name is checked on a specimen.",
    ]
