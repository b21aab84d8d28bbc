"""How a night went, and why a figure moved, in sentences."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import timedelta
from typing import Any

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext, ngettext_lazy

#: What happened to returns, each as a clause for a sentence.
_CLAUSES: dict[str, Any] = {
    "came_in": ngettext_lazy("{n} came in", "{n} came in", "n"),
    "held": ngettext_lazy("{n} was queried", "{n} were queried", "n"),
    "upheld": ngettext_lazy("{n} was let stand", "{n} were let stand", "n"),
    "corrected": ngettext_lazy("{n} was corrected", "{n} were corrected", "n"),
    "discounted": ngettext_lazy("{n} was set aside", "{n} were set aside", "n"),
    "undone": ngettext_lazy("{n} had its verdict taken back", "{n} had their verdicts taken back", "n"),
    "withdrawn": ngettext_lazy("{n} was withdrawn by its sender", "{n} were withdrawn by their senders", "n"),
}
#: What a night stopped with, by the name of the fault; the whole message stays with the job, for an operator.
_REASONS: tuple[tuple[str, Any], ...] = (
    (r"MemoryError|oom", gettext_lazy("The server ran out of memory.")),
    (r"OperationalError|InterfaceError|ConnectionError", gettext_lazy("The database could not be reached.")),
    (r"DiskFull|No space left", gettext_lazy("The disk is full.")),
    (r"begun \d+ times", gettext_lazy("It was begun again and again and never came to its end.")),
)


def why_it_moved(happened: Mapping[str, int]) -> str:
    """Return what happened to returns as one sentence; another one where nothing did. ``happened`` is in order."""
    clauses = [(_CLAUSES[what] % {"n": n}).format(n=_number(n)) for what, n in happened.items()]
    if not clauses:
        return _(
            "No return of this region and time of year changed. It moved because all regions are worked out together."
        )
    if len(clauses) == 1:
        return _("Of its returns, {clause}.").format(clause=clauses[0])
    listed = ", ".join(clauses[:-1])
    return _("Of its returns, {clauses} and {last}.").format(clauses=listed, last=clauses[-1])


def why_it_failed(problem: str) -> str:
    """Return why a night stopped, without anything that its message may hold of rows."""
    if not problem:
        return _("It left no message.")
    known = next((words for pattern, words in _REASONS if re.search(pattern, problem)), None)
    if known is not None:
        return str(known)
    names = re.findall(r"^(?:[A-Za-z_]\w*\.)*([A-Z]\w*(?:Error|Exception|Refusal|Lease))\b", problem, re.MULTILINE)
    if names:
        return _("The program met a fault that it does not know ({name}).").format(name=names[-1])
    return _("The program met a fault that it does not know.")


def how_long(took: timedelta) -> str:
    """Return a length of time in the words of a person."""
    seconds = round(took.total_seconds())
    if seconds < 90:
        return ngettext("{n} second", "{n} seconds", seconds).format(n=seconds)
    minutes = round(seconds / 60)
    if minutes < 90:
        return ngettext("{n} minute", "{n} minutes", minutes).format(n=minutes)
    hours = round(minutes / 60)
    return ngettext("{n} hour", "{n} hours", hours).format(n=hours)


def _number(n: int) -> str:
    """Return small numbers as words, as people write them."""
    words = (_("one"), _("two"), _("three"), _("four"), _("five"), _("six"), _("seven"), _("eight"), _("nine"))
    return words[n - 1] if 1 <= n <= len(words) else str(n)
