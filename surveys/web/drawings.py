"""Which drawing shows a group: one file for each, named by the group's code."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

_DRAWINGS = Path(__file__).resolve().parent.parent / "static" / "surveys" / "drawings"


def drawing_of(code: str) -> str | None:
    """Return the name of a group's drawing, for the tag ``drawing``; None where the group has none."""
    return code if code in drawn_names() else None


@lru_cache(maxsize=1)
def drawn_names() -> frozenset[str]:
    """Return the names of all drawings that are shipped; they do not change while the service runs."""
    return frozenset(file.stem for file in _DRAWINGS.glob("*.svg"))
