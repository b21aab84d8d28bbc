"""The words of a letter: a subject, a text and one link, in the language of its reader.

They stand in ``templates/letters/<kind>.txt``, the subject in the first line.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from django.conf import settings
from django.core.mail import EmailMessage
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils.translation import override

from surveys.models import Letter
from surveys.vocabulary import LetterKind

#: Where some letters lead; a reminder leads to its trap, any other letter brings its own path in its context.
_PAGES = {LetterKind.OVERDUE_REGION: "overdue", LetterKind.DORMANT: "sign-in"}


def compose(letters: Sequence[Letter]) -> EmailMessage:
    """Return the mail that one or several letters of a kind make, in the language of their reader."""
    first = letters[0]
    with override(first.account.language):
        shown = {**_plain(first.context), "traps": _traps_of(letters), "link": address_of(_path_of(letters))}
        subject, text = render_to_string(f"letters/{first.kind}.txt", shown).strip().split("\n", 1)
    return EmailMessage(
        subject=" ".join(subject.split()),
        body=text.strip() + "\n",
        to=[first.account.email],
        # Keeps absence notes from answering. Reference: RFC 3834, section 5.
        headers={"Auto-Submitted": "auto-generated"},
    )


def _plain(context: Mapping[str, Any]) -> dict[str, Any]:
    """Return the values for a text; one whose name ends in ``_on`` is a date, which JSON holds as text."""
    return {
        name: date.fromisoformat(value) if name.endswith("_on") and isinstance(value, str) else value
        for name, value in context.items()
    }


def _traps_of(letters: Sequence[Letter]) -> list[dict[str, int]]:
    """Return number and site number of the traps that the letters are about, in order."""
    found = {
        (letter.opening.trap.site.number, letter.opening.trap.number, letter.opening.trap_id)
        for letter in letters
        if letter.opening
    }
    return [{"site": site, "number": number} for site, number, _ in sorted(found)]


def _path_of(letters: Sequence[Letter]) -> str:
    first = letters[0]
    if first.kind in _PAGES:
        return reverse(_PAGES[LetterKind(first.kind)])
    if first.opening is None:
        return str(first.context.get("path", "/"))
    traps = {letter.opening.trap.public_id for letter in letters if letter.opening}
    return reverse("trap", args=[*traps]) if len(traps) == 1 else reverse("my-sites")


def address_of(path: str) -> str:
    """Return the full address of one of our pages; a mail has no page that it could start from."""
    base = settings.PUBLIC_ADDRESS or f"https://{settings.ALLOWED_HOSTS[0]}"
    return base.rstrip("/") + path
