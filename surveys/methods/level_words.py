"""What the codes of the level index mean, in sentences for a page, a file and the API."""

from __future__ import annotations

#: What a reader must know of a whole group. METHODS.md, sections 5.3, 5.6, 5.7 and 4.
SENTENCES: dict[str, str] = {
    "no_returns": "Nobody has sent a return that counts yet, so nothing is known of this group.",
    "no_animals": "Nobody has found this group yet. The upper end of each range says what it could still be.",
    "no_upper_bound": ("Where every return says 'so many or more' there is no upper end, so no figure is shown there."),
    "habitats_merged": "Some habitats have very few traps, so they are read together with their best-known neighbour.",
    "components_lean_on_prior": (
        "Fewer than 30 gardens have found this group. How much gardens differ is partly assumed."
    ),
    "guard_not_usable": (
        "There are too few finds to check whether gardens differ more than the method assumes, so no range was widened."
    ),
    "effects_not_settled": (
        "The computation had not settled when it was stopped. Read these figures as rough until the next night."
    ),
}


def sentences_for(codes: list[str]) -> tuple[str, ...]:
    """Return a sentence for each code, in the order in which they stand.

    Parameters: ``codes`` as :class:`LevelResult` gives them. Returns: sentences. Raises: KeyError for an unknown code.
    """
    return tuple(SENTENCES[code] for code in codes)
