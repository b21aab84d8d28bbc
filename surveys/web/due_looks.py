"""The looks at an open trap, as its page shows them."""

from __future__ import annotations

from datetime import datetime
from typing import Any, NamedTuple

from django.utils.translation import gettext

from surveys.methods.looks import PlannedLooks, look_from
from surveys.services.openings import Look


class DueLook(NamedTuple):
    """One look at an open trap: when it is due, when it was done, what the page says of it, from when on it counts.

    ``opens`` is None where it can be ticked now.
    """

    name: Look
    due: datetime
    looked_at: datetime | None
    words: str
    button: str
    opens: datetime | None


def due_looks(opening: Any, due: PlannedLooks, now: datetime) -> list[DueLook]:
    """Return the looks that are due, the sooner one first: a trap that is set in the night has its dawn first."""
    dusk = gettext(
        "Look at it at dusk. Is a mouse, a shrew, a frog or a newt in it? An adult with gloves lays the cup on its "
        "side under thick plants."
    )
    dawn = gettext(
        "Look at it in the early morning. Is a mouse, a shrew, a frog or a newt in it? An adult with gloves lays the "
        "cup on its side under thick plants."
    )
    named: list[tuple[Look, datetime | None, datetime | None, str, str]] = [
        ("dusk", due.dusk, opening.looked_dusk_at, dusk, gettext("I looked at dusk")),
        ("dawn", due.dawn, opening.looked_dawn_at, dawn, gettext("I looked in the morning")),
    ]
    looks = [
        DueLook(name, at, looked_at, words, button, look_from(at) if now < look_from(at) else None)
        for name, at, looked_at, words, button in named
        if at is not None
    ]
    return sorted(looks, key=lambda look: look.due)
