"""Text that somebody typed, as it is kept."""

from __future__ import annotations


def plain_text(given: str) -> str:
    """Return a text without the characters that no page can show, with one sign for the end of a line."""
    # A browser sends each line's end as two characters, and the database takes no NUL.
    lines = given.replace("\r\n", "\n")
    return "".join(sign for sign in lines if sign.isprintable() or sign == "\n").strip()
