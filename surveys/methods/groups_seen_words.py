"""One sentence for each code of the comparison of groups seen: what was found, and what a reader may conclude."""

from __future__ import annotations

from surveys.methods.groups_seen_records import GroupsSeen, GroupsSeenSettings, RegionGroupsSeen

SENTENCES = {
    "no_site_nights": "No site-night of this region answered every group of the list, so nothing can be compared.",
    "no_common_groups": "No group was answered often enough in every region, so there is no list to compare on.",
    "few_sites": "Too few sites answered the whole list: {sites} of the {gate_sites} needed.",
    "few_site_nights": "Too few site-nights answered the whole list: {site_nights} of the {gate_site_nights} needed.",
    "nothing_seen": "None of the {listed} groups of the list was seen, so there is nothing to compare.",
    "nights_left_out": "Site-nights left out: {left_out}. A group was not looked for there, or could not be told; that "
    "is not a zero.",
    "sample_of_gardens": "There are very many gardens here, so a fixed sample of them is compared.",
    "whole_list_seen": "Every group of the list was seen ({listed}); more could not be.",
    "capped_at_list": "The estimate ran past the list and is held at {listed}, the most groups that can be seen.",
    "none_seen_once": "No group was seen on one night only, so nothing tells of groups yet to see; there may be some.",
    "effort_extrapolated": "Taken forward from {site_nights} to {effort} site-nights, at most twice the sample.",
    "coverage_extrapolated": "Taken forward beyond its own {site_nights} site-nights to reach the common coverage.",
    "one_night_enough": "A single site-night already covers the common coverage or more; one night is shown.",
}

CAUTION = (
    "Groups seen counts which groups of a list of {listed} were found in traps, on the site-nights that answered the "
    "whole list. The list soon fills up and says nothing about species. Volunteers choose their own gardens."
)


def region_sentences(region: RegionGroupsSeen, result: GroupsSeen, settings: GroupsSeenSettings) -> tuple[str, ...]:
    """Return one sentence per code of ``region``, in the order of its codes.

    Parameters: ``region`` of ``result``, made with ``settings``. Returns: sentences. Raises: KeyError for a code that
    has no sentence.
    """
    numbers = {
        "sites": region.sites,
        "site_nights": region.site_nights,
        "left_out": region.left_out,
        "listed": len(result.groups),
        "effort": result.base_effort,
        "gate_sites": settings.gate_sites,
        "gate_site_nights": settings.gate_site_nights,
    }
    return tuple(SENTENCES[code].format(**numbers) for code in region.codes)


def caution(result: GroupsSeen) -> str:
    """Return the sentence that stands beside every figure of ``result``."""
    return CAUTION.format(listed=len(result.groups))
