"""Which bytes of a file a request asks for. Reference: RFC 9110, sections 14.1.1, 14.1.2, 14.2 and 13.1.5."""

from __future__ import annotations

import re
from dataclasses import dataclass

from django.http import HttpRequest
from django.utils.http import parse_http_date_safe

_BYTES = re.compile(r"bytes=(.*)", re.IGNORECASE | re.DOTALL)
#: One range: "first-", "first-last" or "-how many from the end". No file has more bytes than 40 digits can count.
_SPEC = re.compile(r"(?P<first>[0-9]{1,40})-(?P<last>[0-9]{0,40})|-(?P<suffix>[0-9]{1,40})")


@dataclass(frozen=True, slots=True)
class Span:
    """Bytes of a file, counted from 0; ``last`` is the last one that belongs to it."""

    first: int
    last: int

    @property
    def length(self) -> int:
        """How many bytes these are."""
        return self.last - self.first + 1


class OutsideTheFile(Exception):
    """None of the ranges that are asked for lies in the file."""


def asked_span(header: str, size: int) -> Span | None:
    """Return the bytes that a Range header asks for of a file of ``size`` bytes, or None for the whole file.

    Another unit, what cannot be read, and several ranges at once are answered with the whole file, as section 14.2
    allows. Raises :class:`OutsideTheFile` where the request is well formed and none of it is there.
    """
    specs = _specs(header)
    if not specs:
        return None
    spans = [found for found in (_span(spec, size) for spec in specs) if found is not None]
    if not spans:
        raise OutsideTheFile
    # The last bytes of an empty file are an empty range, which a Content-Range cannot name.
    return spans[0] if len(specs) == 1 and spans[0].length else None


def _specs(header: str) -> list[re.Match[str]]:
    found = _BYTES.fullmatch(header.strip(" \t"))
    # Empty members of a list are left out. Section 5.6.1.2.
    members = [one.strip(" \t") for one in found[1].split(",")] if found else []
    specs = [_SPEC.fullmatch(one) for one in members if one]
    return [] if any(one is None or _is_backwards(one) for one in specs) else [one for one in specs if one is not None]


def _is_backwards(spec: re.Match[str]) -> bool:
    return bool(spec["last"]) and int(spec["last"]) < int(spec["first"])


def _span(spec: re.Match[str], size: int) -> Span | None:
    if spec["suffix"] is not None:
        asked = int(spec["suffix"])
        return Span(max(size - asked, 0), size - 1) if asked else None
    first = int(spec["first"])
    last = min(int(spec["last"]), size - 1) if spec["last"] else size - 1
    return Span(first, last) if first < size else None


def range_still_fits(request: HttpRequest, *, etag: str, modified: int) -> bool:
    """Say whether If-Range lets a range be sent: it is not there, or names this very version.

    ``etag`` is strong, with its quotes; ``modified`` is in seconds since 1970. Section 13.1.5: a tag is compared
    strongly, a date exactly.
    """
    given = request.headers.get("If-Range", "").strip()
    if '"' in given[:3]:
        return given == etag
    return not given or parse_http_date_safe(given) == modified
