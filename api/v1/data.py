"""Live data for researchers: usable returns with their counts and findings, as they stand at this moment."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import Any
from uuid import UUID

from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail, ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from api.base import Resource
from api.pagination import KeysetPage
from api.permissions import rule
from surveys.errors import NotFound
from surveys.permissions import Rule
from surveys.queries.live_data import live_page
from surveys.queries.live_filters import FILTERS, NOT_LEFT_OUT, LiveFilter, read_filter
from surveys.queries.replica import ONLY_THE_DATABASE, read_as_of
from surveys.queries.seasons import lists_of, season_by_code
from surveys.release_files.tables import COUNTS, RETURNS, Column
from surveys.vocabulary import USABLE_STATES, LeftOut, Standing, TokenScope

_FIELDS: dict[str, type[serializers.Field[Any, Any, Any, Any]]] = {
    "string": serializers.CharField,
    "integer": serializers.IntegerField,
    "number": serializers.FloatField,
    "boolean": serializers.BooleanField,
    "date": serializers.DateField,
    "datetime": serializers.DateTimeField,
}


def _field_of(column: Column) -> serializers.Field[Any, Any, Any, Any]:
    words = f" One of: {', '.join(column.words.values())}." if column.words else ""
    unit = f" Unit: {column.unit}." if column.unit else ""
    return _FIELDS[column.kind](allow_null=not column.required, help_text=f"{column.meaning}{unit}{words}")


class CountRowOut(serializers.Serializer[Any]):
    """One answered group of a return: the columns of the released table of counts."""

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        return {column.name: _field_of(column) for column in COUNTS.columns if column.name != "return_id"}


class ReturnRowOut(serializers.Serializer[Any]):
    """One usable return: the columns of the released table of returns, with its counts and findings."""

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        return {
            **{column.name: _field_of(column) for column in RETURNS.columns},
            "counts": CountRowOut(many=True),
            "findings": serializers.ListField(child=serializers.CharField(), help_text="Codes of the protocol checks."),
        }


#: What may be asked for, as the description tells it.
PARAMETERS = {
    "region": "Only this region, by its code.",
    "habitat": "Only this habitat, by its code.",
    "group": "Only returns that answer this group, with its counts alone.",
    "night_from": "Only nights from this day on.",
    "night_to": "Only nights up to this day.",
    "finding": "Only returns in which this check found something, by its code.",
    "standing": "Only returns that stand to the protocol like this.",
    "left_out": f"Only returns that enter no index for this reason; {NOT_LEFT_OUT!r} for those that enter.",
    "state": "Only returns in this usable state.",
}
_WORDS = {
    "standing": Standing.values(),
    "left_out": [*LeftOut.values(), NOT_LEFT_OUT],
    "state": sorted(one.value for one in USABLE_STATES),
}


class DataReturns(Resource):
    """Usable returns of a season in the order of their ids. A page may be short before the end: go on with ``next``."""

    permission_classes = [rule(Rule.RESEARCHER)]
    scope = TokenScope.READ_DATA
    query_parameters = ("season", *FILTERS, "limit", "cursor")
    page = KeysetPage(order=("return_id",))

    @extend_schema(
        operation_id="read_live_returns",
        parameters=[
            OpenApiParameter("season", str, required=True, description="The season, by its code."),
            *(
                OpenApiParameter(name, str, enum=_WORDS.get(name), description=meaning)
                for name, meaning in PARAMETERS.items()
            ),
        ],
        responses=ReturnRowOut(many=True),
        tags=["data"],
    )
    def get(self, request: Request) -> Response:
        season, wanted = _wanted(request.query_params)
        return self.page.answer_from(partial(_read, season, wanted), request, dict)


def _wanted(given: Mapping[str, str]) -> tuple[Any, LiveFilter]:
    """Read which part of the data is asked for; refuse what there is not, all of it at once."""
    code = given.get("season", "")
    if not code:
        raise _refused(
            {"season": ("required", "Say which season, such as season=merrow-2026. /api/v1/seasons lists them.")}
        )
    try:
        season = season_by_code(code.replace("\0", ""))
    except NotFound as refusal:
        raise _refused({"season": ("unknown_season", refusal.sentence)}) from None
    wanted, faults = read_filter(lists_of(season), given)
    if faults:
        raise _refused({one.pointer.lstrip("/"): (one.code, one.sentence) for one in faults})
    return season, wanted


def _read(
    season: Any, wanted: LiveFilter, after: list[Any] | None, limit: int
) -> tuple[list[dict[str, Any]], list[UUID | str] | None]:
    """Read a page as late as the one before it, whichever database that came from: its mark lies beside the key."""
    behind, *mark = after or [None]
    seen = "" if after is None else mark[0] if mark else ONLY_THE_DATABASE
    (rows, last), mark_of_this = read_as_of(
        lambda: live_page(season, wanted, UUID(behind) if behind else None, limit), no_earlier_than=seen
    )
    if last is None:
        return rows, None
    return rows, [last, mark_of_this] if mark_of_this else [last]


def _refused(faults: Mapping[str, tuple[str, str]]) -> ValidationError:
    return ValidationError({name: [ErrorDetail(sentence, code)] for name, (code, sentence) in faults.items()})
