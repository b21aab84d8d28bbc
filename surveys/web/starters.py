"""How a coordinator's question to a household may begin."""

from __future__ import annotations

from django.utils.translation import gettext, gettext_noop

#: How a question may begin. It is kept in English, and read in the language of the page.
STARTERS = {
    "count": gettext_noop("Is this count right? Look at your field sheet or your photo once more."),
    "rows": gettext_noop("Did the counts slip by one row on the list?"),
    "dates": gettext_noop("On which day did you open the trap, and on which day did you empty it?"),
    "traps": gettext_noop("Is this the catch of one trap, or of more traps added up?"),
    "kind": gettext_noop("How did you tell these animals apart? Say what they looked like."),
    "place": gettext_noop("Where did the trap stand? Did it move?"),
    "cup": gettext_noop("Was anything in the cup before you set it?"),
    "found": gettext_noop("How did you find the trap when you came to empty it?"),
}


def starters(chosen: str) -> list[tuple[str, str, bool]]:
    """Return how a question may begin: code, words, and whether it was chosen."""
    return [(code, gettext(words), code == chosen) for code, words in STARTERS.items()]
