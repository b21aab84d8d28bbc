"""One sentence for each code of a change: what was found, and what would make it a figure."""

from __future__ import annotations

#: Codes of :class:`surveys.methods.change_records.ChangeCell`; ``{more}`` is how many more gardens would have to come
#: back. ``is_base`` never stands for the latest season, and is here so that no code is without words.
SENTENCES: dict[str, str] = {
    "shown": "Enough gardens took part both times to compare each with itself.",
    "is_base": "This season is what the others are compared with.",
    "no_returns": "No garden has sent a return that counts for this season yet.",
    "no_base_returns": "No garden sent returns here in the seasons that this one is compared with.",
    "no_revisited_sites": "No garden took part both times, so none can be compared with itself. Needed: {more}.",
    "few_revisited_sites": "Too few gardens took part both times. {more} more would have to come back.",
    "few_animals": "Too few animals were caught, both times together. {more} more gardens like these would be enough.",
    "no_animals_in_base": "None was caught in the seasons that this one is compared with, so there is no ratio.",
    "few_effective_sites": "A few busy gardens decide the figure. {more} more would have to come back.",
    "no_interval": "No interval could be computed, so no figure is shown.",
}

#: Stands beside every change. METHODS.md, section 6.
STATEMENT = (
    "Activity-density: what a standard trap catches in one day and night. Change is taken over all gardens that took "
    "part both times, each compared with itself. Gardens are those of volunteers, who choose themselves; the interval "
    "does not cover that. The adjusted change is what it would be had all nights been equally warm; it stands beside "
    "the change as caught and never replaces it."
)


def change_sentence(code: str, more: int) -> str:
    """Return the sentence of a code.

    Parameters: ``code`` of a change; ``more`` gardens that would have to come back. Returns: a sentence.
    Raises: KeyError for a code that has no sentence.
    """
    return SENTENCES[code].format(more=more)
