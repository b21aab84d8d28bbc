"""What somebody decided last, kept in the session so that the next page can offer to take it back."""

from __future__ import annotations

import uuid
from typing import Any

from django.http import HttpRequest

_NAME = "last_verdict"


def keep_last_verdict(request: HttpRequest, *, words: str, **what: Any) -> None:
    """Keep what was decided: its words, and the return with its version, or the name of verdicts given together."""
    request.session[_NAME] = {"words": words, **{name: str(value) for name, value in what.items()}}


def last_verdict(request: HttpRequest) -> dict[str, str] | None:
    """Return what was decided last, once: the next page offers to take it back, the one after does not."""
    kept: dict[str, str] | None = request.session.pop(_NAME, None)
    return kept


def id_in(text: str) -> uuid.UUID | None:
    """Read an id that a form carries; None for what is none."""
    try:
        return uuid.UUID(text)
    except ValueError:
        return None
