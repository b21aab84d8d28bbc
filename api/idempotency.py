"""The Idempotency-Key header and the fingerprint of a request.

Source: draft-ietf-httpapi-idempotency-key-header (a String of RFC 8941, in double quotes). A bare
UUID is taken too, as many clients send one.
"""

from __future__ import annotations

import hashlib
import json
import re
from typing import Any

from rest_framework.exceptions import ParseError
from rest_framework.request import Request
from rest_framework.response import Response

from surveys.permissions import account_of
from surveys.services.once import Kept, Once

_QUOTED = re.compile(r'^"([\x20-\x21\x23-\x5b\x5d-\x7e]{1,200})"$')
_UUID = re.compile(r"^[0-9a-fA-F]{8}(-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}$")


def fingerprint(payload: Any) -> str:
    """Return sha256 of the payload as canonical JSON: keys sorted, no blanks."""
    return hashlib.sha256(json.dumps(payload, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def required_once(request: Request, *, route: str) -> Once:
    """Return the key of a request; refuse a request without one."""
    given = request.headers.get("Idempotency-Key", "")
    if not given:
        raise ParseError(
            "This request needs an Idempotency-Key header, so that sending it twice does no harm: a new random text "
            'in double quotes, such as "8e03978e-40d5-43dd-bc93-6894a57f9324".',
            code="key_missing",
        )
    quoted = _QUOTED.match(given.strip())
    key = quoted.group(1) if quoted else given.strip()
    if not quoted and not _UUID.match(key):
        raise ParseError(
            "The Idempotency-Key could not be read. Send 1 to 200 plain characters in double quotes, or a UUID.",
            code="key_unreadable",
        )
    return Once(account=account_of(request.user), route=route, key=key, fingerprint=fingerprint(request.data))


def answered(kept: Kept, headers: dict[str, str] | None = None) -> Response:
    """Return an answer, and say so if it was given before."""
    replayed = {"Idempotency-Replayed": "true"} if kept.before else {}
    return Response(kept.body, kept.status, headers={**(headers or {}), **replayed})
