"""Versions of what is read, and writes that name the version they saw (RFC 9110, section 13)."""

from __future__ import annotations

import hashlib
from typing import Any

from rest_framework.request import Request
from rest_framework.response import Response

from api.errors import PreconditionRequired
from surveys.errors import Stale


def etag_of(*parts: Any) -> str:
    """Return a strong entity tag over the parts that change when the object does."""
    return f'"{hashlib.sha256("/".join(str(part) for part in parts).encode()).hexdigest()[:32]}"'


def _listed(header: str) -> list[str]:
    return [one.strip() for one in header.split(",")]


def require_match(request: Request, tag: str) -> None:
    """Refuse a write without If-Match (428) or with another version's (412). ``*`` is not enough."""
    given = request.headers.get("If-Match", "").strip()
    if given in ("", "*"):
        raise PreconditionRequired(
            "This request needs an If-Match header with the ETag of the version that you read. Read it, then decide."
        )
    if tag not in _listed(given):
        raise Stale("Somebody else has worked on this since you read it. Load it again and look once more.")


def not_modified(request: Request, tag: str) -> Response | None:
    """Return 304 when the reader has this version already."""
    given = request.headers.get("If-None-Match", "")
    if given and (given.strip() == "*" or tag in [one.removeprefix("W/") for one in _listed(given)]):
        return Response(status=304, headers={"ETag": tag})
    return None
