"""Refusals about settings and returns, in the words of a family and in the language of the page."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext_lazy as _

from surveys.errors import Fault, Refusal

_SAID: dict[str, Any] = {
    "already_open": _("This trap is open already. Empty it or call it off. Then you can set it again."),
    "no_season": _(
        "The count is not on here now. Do not set a trap today. If one is open, close it and let the animals go."
    ),
    "other_content": _("This was sent before with other answers. What came first is kept."),
    "ended": _("This trap was emptied or closed before."),
    "in_the_future": _("That moment is still to come. Look at the day and the time again."),
    "too_early": _("It is too early for this look. The page says from when on you can tick it."),
    "before_it_was_set": _("That moment is before the trap was set."),
    "no_season_to_send": _(
        "The count is not on here now, so nothing can be sent. Keep what you wrote, and send it when the season opens."
    ),
    "faulty": _("Some of it could not be read. Mend what is listed, and send it again."),
}
#: Where a form was shown before its lists changed.
_FAULTS: dict[str, Any] = {
    "unknown_trap": _("This is none of your traps now. Choose the trap anew."),
    "unknown_habitat": _("This season does not know this kind of place. Choose another one."),
    "unknown_group": _("This season does not ask for one of these groups now. Load the page again."),
}


def in_words(refusal: Refusal) -> str:
    """Return what a family reads of a refusal: by the code of its first fault, by its own, or as it stands."""
    codes = [*(fault.code for fault in refusal.faults), refusal.code]
    return next((str(_SAID[code]) for code in codes if code in _SAID), refusal.sentence)


def fault_in_words(fault: Fault) -> str:
    """Return what a family reads of one fault: by its code, or as it stands."""
    return str(_FAULTS.get(fault.code, fault.sentence))
