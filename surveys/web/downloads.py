"""Sending a file that lies on the disk: whole or a part of it, to a reader who may have some of it already.

References: RFC 9110 (preconditions: section 13, ranges: section 14), RFC 9530 (digests), RFC 6266 (the file's name).
"""

from __future__ import annotations

import logging
import os
import stat
from base64 import b64encode
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

from django.http import HttpRequest, HttpResponse, HttpResponseBase, StreamingHttpResponse
from django.utils.cache import get_conditional_response
from django.utils.http import content_disposition_header, http_date

from surveys.web.byte_ranges import OutsideTheFile, Span, asked_span, range_still_fits
from surveys.web.file_refusals import OPEN_TO_SCRIPTS, file_is_away, no_such_method, other_version, outside_the_file

log = logging.getLogger(__name__)

#: Bytes that are read and sent at a time. Own choice: few enough for many readers at once.
BLOCK_BYTES = 256 * 1024
#: A frozen file never changes, so nobody asks again within a year (RFC 8246). Caches that stand between ask each hour,
#: so that a release which is withdrawn is gone from them soon; and nobody packs it anew, as ranges count its own bytes.
FROZEN = "public, max-age=31536000, s-maxage=3600, immutable, no-transform"
#: What is made for one person stays out of every cache.
PERSONAL = "private, no-store"
METHODS = "GET, HEAD, OPTIONS"
_PREFLIGHT = {
    **OPEN_TO_SCRIPTS,
    "Allow": METHODS,
    "Access-Control-Allow-Methods": METHODS,
    "Access-Control-Allow-Headers": (
        "If-Match, If-Modified-Since, If-None-Match, If-Range, If-Unmodified-Since, Range"
    ),
    "Access-Control-Max-Age": "86400",
}


class Part:
    """Some bytes of an open file, in blocks; closes the file. The file is at their beginning already."""

    def __init__(self, file: BinaryIO, length: int) -> None:
        self._file = file
        self._left = length

    def __iter__(self) -> Iterator[bytes]:
        return self

    def __next__(self) -> bytes:
        if not self._left:
            raise StopIteration
        block = self._file.read(min(BLOCK_BYTES, self._left))
        if not block:
            # The line is cut: a reader sees fewer bytes than Content-Length says, and asks for the rest.
            raise OSError(f"{self._file.name} ended {self._left} bytes too early")
        self._left -= len(block)
        return block

    def close(self) -> None:
        """Close the file. The server calls this when all is sent, or when the reader is gone."""
        self._file.close()


def send_file(
    request: HttpRequest,
    path: Path,
    *,
    media_type: str,
    name: str,
    sha256: str,
    modified: datetime,
    immutable: bool,
    size_bytes: int | None = None,
) -> HttpResponseBase:
    """Answer a request for the file at ``path``, which never changes while it has this ``sha256`` (hexadecimal).

    ``immutable`` is for open, frozen files: caches keep them, and scripts of other sites may read them. Without it the
    file is one person's, and kept nowhere. ``size_bytes`` is how long it must be, where that is known. A file that is
    not there, or of another size, is answered with 503 and written into the log.
    """
    if request.method == "OPTIONS" and immutable:
        return HttpResponse(status=204, headers=_PREFLIGHT)
    if request.method not in ("GET", "HEAD"):
        return no_such_method(request, METHODS if immutable else "GET, HEAD")
    changed = int(modified.timestamp())
    headers = _headers(media_type, name, sha256, changed, immutable=immutable)
    with ExitStack() as until_sent:
        try:
            file = until_sent.enter_context(_opened(path))
            size = _size_of(file, size_bytes)
        except OSError as fault:
            log.error("%s cannot be sent: %s", path, fault)
            return file_is_away(request)
        answer = _answer(request, file, size, headers, changed)
        if answer.streaming:
            until_sent.pop_all()  # closed when it is sent
        return answer


def _headers(media_type: str, name: str, sha256: str, changed: int, *, immutable: bool) -> dict[str, str]:
    return {
        "Content-Type": media_type,
        "Accept-Ranges": "bytes",
        "ETag": f'"{sha256}"',
        "Last-Modified": http_date(changed),
        "Repr-Digest": f"sha-256=:{b64encode(bytes.fromhex(sha256)).decode()}:",
        "Content-Disposition": str(content_disposition_header(True, name)),
        "X-Content-Type-Options": "nosniff",
        "Cache-Control": FROZEN if immutable else PERSONAL,
        **(OPEN_TO_SCRIPTS if immutable else {}),
    }


def _opened(path: Path) -> BinaryIO:
    # A link in the place of the file could lead out of the folder, so it is not followed.
    return open(os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC), "rb", buffering=0)


def _size_of(file: BinaryIO, expected: int | None) -> int:
    found = os.fstat(file.fileno())
    if not stat.S_ISREG(found.st_mode):
        raise OSError("this is no file")
    if expected is not None and found.st_size != expected:
        raise OSError(f"it has {found.st_size} bytes and must have {expected}")
    return found.st_size


def _answer(request: HttpRequest, file: BinaryIO, size: int, headers: dict[str, str], changed: int) -> HttpResponseBase:
    """Answer in the order of RFC 9110, section 13.2.2: what must hold, what the reader has, then the range."""
    whole = HttpResponse(headers={**headers, "Content-Length": str(size)})
    decided = get_conditional_response(request, headers["ETag"], changed, whole) or whole
    if decided.status_code == 412:
        return other_version(request)
    if decided.status_code == 304:
        return _not_modified(headers, size)
    if request.method == "HEAD":  # A range is of GET alone. Section 14.2.
        return whole
    try:
        fits = range_still_fits(request, etag=headers["ETag"], modified=changed)
        span = asked_span(request.headers.get("Range", ""), size) if fits else None
    except OutsideTheFile:
        return outside_the_file(request, size)
    return _part(file, span, size, headers) if span else _whole(file, size, headers)


def _not_modified(headers: dict[str, str], size: int) -> HttpResponse:
    """Return 304 with what updates a cache, and the length that the file has. Sections 8.6 and 15.4.5."""
    kept = {
        name: headers[name] for name in ("ETag", "Last-Modified", "Cache-Control", *OPEN_TO_SCRIPTS) if name in headers
    }
    answer = HttpResponse(status=304, headers={**kept, "Content-Length": str(size)})
    del answer.headers["Content-Type"]
    return answer


def _whole(file: BinaryIO, size: int, headers: dict[str, str]) -> StreamingHttpResponse:
    # What is sent is the file itself, so both digests are the same. RFC 9530, appendix B.1.
    told = {**headers, "Content-Length": str(size), "Content-Digest": headers["Repr-Digest"]}
    return StreamingHttpResponse(Part(file, size), headers=told)


def _part(file: BinaryIO, span: Span, size: int, headers: dict[str, str]) -> StreamingHttpResponse:
    told = {
        **headers,
        "Content-Length": str(span.length),
        "Content-Range": f"bytes {span.first}-{span.last}/{size}",
    }
    file.seek(span.first)
    return StreamingHttpResponse(Part(file, span.length), status=206, headers=told)
