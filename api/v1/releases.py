"""Clean data: usable returns of a season as CSV."""

from __future__ import annotations

from django.http import StreamingHttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request

from api.base import Resource
from api.permissions import rule
from surveys.permissions import Rule
from surveys.queries.releases import clean_csv
from surveys.queries.seasons import season_by_code


class Table(JSONRenderer):
    """Lets a reader ask for text/csv. The table is streamed past it; what is written here is a problem, as JSON."""

    media_type = "text/csv"
    format = "csv"


class CleanReturns(Resource):
    """The clean table of a season: one row per return and group, described by the codebook."""

    permission_classes = [rule(Rule.ANYONE)]
    renderer_classes = [JSONRenderer, Table]

    @extend_schema(
        operation_id="download_clean_returns", responses={(200, "text/csv"): OpenApiTypes.BINARY}, tags=["data"]
    )
    def get(self, request: Request, season: str) -> StreamingHttpResponse:
        found = season_by_code(season)
        answer = StreamingHttpResponse(clean_csv(found), content_type="text/csv; charset=utf-8; header=present")
        answer["Content-Disposition"] = f'attachment; filename="{found.code}-returns.csv"'
        answer["Cache-Control"] = "no-store"
        return answer
