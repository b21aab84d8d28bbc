"""What a picture is, by its first bytes and by the end of its name, before anything decodes it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import PurePosixPath

from surveys.photos.records import MOST_BYTES, CannotPaint, PhotoFault


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of picture: its name, the type that a program gives it, and how its files' names end."""

    name: str
    media_type: str
    endings: tuple[str, ...]


JPEG = Kind("JPEG", "image/jpeg", (".jpg", ".jpeg"))
PNG = Kind("PNG", "image/png", (".png",))
WEBP = Kind("WEBP", "image/webp", (".webp",))
KINDS = (JPEG, PNG, WEBP)


def kind_of(content: bytes, name: str) -> Kind:
    """Return the kind of a picture. Its first bytes and the end of its name must say the same.

    References: ITU-T T.81 (1992), B.1.1.3; W3C PNG specification (third edition), 5.2; RFC 9649, 2.4.
    """
    if not content:
        raise CannotPaint(PhotoFault.EMPTY)
    if len(content) > MOST_BYTES:
        raise CannotPaint(PhotoFault.TOO_BIG)
    kind = _by_first_bytes(content)
    if kind is None:
        raise CannotPaint(PhotoFault.OTHER_KIND)
    if PurePosixPath(name).suffix.lower() not in kind.endings:
        raise CannotPaint(PhotoFault.OTHER_ENDING)
    return kind


def _by_first_bytes(content: bytes) -> Kind | None:
    if content.startswith(b"\xff\xd8\xff"):
        return JPEG
    if content.startswith(b"\x89PNG\r\n\x1a\n"):
        return PNG
    if content.startswith(b"RIFF") and content[8:12] == b"WEBP":
        return WEBP
    return None
