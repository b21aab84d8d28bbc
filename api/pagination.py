"""Keyset pages behind a signed cursor, with a Link header (RFC 8288) beside the body."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from functools import partial
from typing import Any
from uuid import UUID

from django.core import signing
from django.db.models import QuerySet
from rest_framework.exceptions import ErrorDetail, ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from surveys.queries.keyset import keyset_slice

#: Returns the rows behind a key, and the key behind which the next page begins; None where there is none.
Read = Callable[[list[Any] | None, int], tuple[Sequence[Any], Sequence[Any] | None]]

USUAL_LIMIT = 50
HIGHEST_LIMIT = 500


class KeysetPage:
    """The pages of one listing, in one order."""

    def __init__(self, *, order: Sequence[str]) -> None:
        self.order = tuple(order)

    def answer(self, queryset: QuerySet[Any], request: Request, shown: Callable[[Any], dict[str, Any]]) -> Response:
        """Return one page of a queryset: its items, and where the next one is."""
        return self.answer_from(partial(keyset_slice, queryset, self.order), request, shown)

    def answer_from(self, read: Read, request: Request, shown: Callable[[Any], dict[str, Any]]) -> Response:
        """Return one page of what ``read`` reads: given a key and a limit, the rows behind it and where it ended."""
        rows, last = read(self._after(request), self._limit(request))
        following = self._next(request, last) if last is not None else None
        headers = {"Link": f'<{following}>; rel="next"'} if following else {}
        return Response({"items": [shown(row) for row in rows], "next": following}, headers=headers)

    def _salt(self, request: Request) -> str:
        who = request.user.pk if request.user and request.user.is_authenticated else "anyone"
        kept = sorted((name, value) for name, value in request.query_params.items() if name not in ("cursor", "limit"))
        return f"cursor:{request.path}:{who}:{self.order}:{kept}"

    def _after(self, request: Request) -> list[Any] | None:
        cursor = request.query_params.get("cursor")
        if cursor is None:
            return None
        try:
            after: list[Any] = signing.loads(cursor, salt=self._salt(request))
        except signing.BadSignature:
            raise _refused(
                "cursor", "bad_cursor", "This cursor is not one of this listing. Begin at the first page."
            ) from None
        return after

    def _limit(self, request: Request) -> int:
        given = request.query_params.get("limit", str(USUAL_LIMIT))
        if not (given.isascii() and given.isdigit() and len(given) <= 6 and int(given) >= 1):
            raise _refused(
                "limit", "bad_limit", f"{given[:20]!r} is not a number of rows. Ask for 1 to {HIGHEST_LIMIT}."
            )
        return min(int(given), HIGHEST_LIMIT)

    def _next(self, request: Request, last: Sequence[Any]) -> str:
        cursor = signing.dumps([_written(value) for value in last], salt=self._salt(request))
        parameters = request.query_params.copy()
        parameters["cursor"] = cursor
        return request.build_absolute_uri(f"{request.path}?{parameters.urlencode()}")


def _written(value: Any) -> Any:
    # Whole, to the microsecond: a moment that is cut short would repeat rows or leave some out.
    if isinstance(value, date):
        return value.isoformat()
    return str(value) if isinstance(value, UUID) else value


def _refused(name: str, code: str, sentence: str) -> ValidationError:
    return ValidationError({name: [ErrorDetail(sentence, code)]})
