"""Exports of live data: ask for one, see how it stands, fetch its file, throw it away."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.http import HttpResponseBase
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from api.base import Resource
from api.errors import NotSent, problem
from api.fields import ListedWord, ShortText, StrictSerializer
from api.idempotency import answered, required_once
from api.pagination import KeysetPage
from api.permissions import rule
from api.v1.data import PARAMETERS
from surveys.errors import Conflict, NotFound
from surveys.permissions import Rule, account_of
from surveys.queries.exports import exports_of, file_of, own_export
from surveys.release_files.listing import CSV, PARQUET
from surveys.services.exports import ask_for_export, throw_export_away
from surveys.services.once import Kept
from surveys.vocabulary import ExportTable, FileKind, JobState, TokenScope
from surveys.web.downloads import send_file

#: Seconds after which somebody who waits asks again.
ASK_AGAIN_S = 2
MEDIA_TYPES = {FileKind.CSV: CSV, FileKind.PARQUET: PARQUET}


class FiltersIn(StrictSerializer):
    """Which returns are exported: the parameters of /api/v1/data/returns."""

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        return {name: ShortText(longest=40, required=False, help_text=meaning) for name, meaning in PARAMETERS.items()}


class ExportIn(StrictSerializer):
    """What is to be exported."""

    season = ShortText(longest=40, help_text="The season, by its code.")
    table = ListedWord(ExportTable)
    kind = ListedWord(FileKind)
    filters = FiltersIn(required=False)


class ProgressOut(serializers.Serializer[Any]):
    """How many returns are written, of how many; both 0 before it begins."""

    done = serializers.IntegerField()
    total = serializers.IntegerField()


class ExportOut(serializers.Serializer[Any]):
    """One of one's own exports. ``file`` is there once the state is done; ``problem`` once it has failed."""

    id = serializers.UUIDField()
    season = serializers.CharField()
    table = serializers.ChoiceField(choices=ExportTable.choices())
    kind = serializers.ChoiceField(choices=FileKind.choices())
    filters = serializers.DictField(child=serializers.CharField())
    state = serializers.ChoiceField(choices=JobState.choices())
    progress = ProgressOut()
    asked_at = serializers.DateTimeField()
    expires_at = serializers.DateTimeField(help_text="When it is deleted.")
    written_at = serializers.DateTimeField(allow_null=True)
    rows = serializers.IntegerField(allow_null=True)
    size_bytes = serializers.IntegerField(allow_null=True)
    sha256 = serializers.CharField(allow_null=True)
    file = serializers.URLField(allow_null=True)
    problem = serializers.DictField(allow_null=True)


_FAILED = "The export could not be written. The fault is ours, and it is written down. Ask for a new one."


def shown(export: Any, request: Request) -> dict[str, Any]:
    """Return an export as it is answered."""
    job = export.job
    done = job.state == JobState.DONE
    return {
        "id": str(export.public_id),
        "season": export.season.code,
        "table": str(export.table),
        "kind": str(export.kind),
        "filters": export.filters,
        "state": str(job.state),
        "progress": {"done": job.done, "total": job.total},
        "asked_at": export.asked_at.isoformat(),
        "expires_at": export.expires_at.isoformat(),
        "written_at": export.written_at.isoformat() if done else None,
        "rows": export.rows if done else None,
        "size_bytes": export.size_bytes if done else None,
        "sha256": export.sha256 if done else None,
        "file": request.build_absolute_uri(f"{_address(export)}/data.{export.kind}") if done else None,
        "problem": problem(request._request, "server-error", _FAILED) if job.state == JobState.FAILED else None,
    }


def _address(export: Any) -> str:
    return f"/api/v1/exports/{export.public_id}"


class Exports(Resource):
    """One's own exports, newest first."""

    permission_classes = [rule(Rule.RESEARCHER)]
    scope = TokenScope.READ_DATA
    query_parameters = ("limit", "cursor")
    needs_key = True
    page = KeysetPage(order=("-id",))

    @extend_schema(operation_id="list_exports", responses=ExportOut(many=True), tags=["data"])
    def get(self, request: Request) -> Response:
        mine = exports_of(account_of(request.user))
        return self.page.answer(mine, request, lambda export: shown(export, request))

    @extend_schema(operation_id="ask_for_export", request=ExportIn, responses={202: ExportOut}, tags=["data"])
    def post(self, request: Request) -> Response:
        once = required_once(request, route="ask_for_export")
        given = ExportIn(data=request.data)
        given.is_valid(raise_exception=True)
        wanted = given.validated_data
        kept = ask_for_export(
            by=account_of(request.user),
            season_code=wanted["season"],
            table=wanted["table"],
            kind=wanted["kind"],
            filters=wanted.get("filters", {}),
            once=once,
            answer=lambda export: Kept(202, shown(export, request)),
        )
        assert isinstance(kept, Kept)  # it was given an answer to keep
        headers = {"Location": f"/api/v1/exports/{kept.body['id']}", "Retry-After": str(ASK_AGAIN_S)}
        return answered(kept, headers)


class OneExport(Resource):
    """One of one's own exports. While it waits, Retry-After says when to ask again."""

    permission_classes = [rule(Rule.RESEARCHER)]
    scope = TokenScope.READ_DATA

    @extend_schema(operation_id="read_export", responses=ExportOut, tags=["data"])
    def get(self, request: Request, uuid: UUID) -> Response:
        export = own_export(account_of(request.user), uuid)
        waits = export.job.state in (JobState.QUEUED, JobState.RUNNING)
        return Response(shown(export, request), headers={"Retry-After": str(ASK_AGAIN_S)} if waits else {})

    @extend_schema(operation_id="throw_export_away", request=None, responses={204: None}, tags=["data"])
    def delete(self, request: Request, uuid: UUID) -> Response:
        throw_export_away(by=account_of(request.user), public_id=uuid)
        return Response(status=204)


class Csv(JSONRenderer):
    """Lets a reader ask for text/csv. The file goes past it; what is written here is a problem, as JSON."""

    media_type = "text/csv"
    format = "csv"


class Parquet(JSONRenderer):
    """Lets a reader ask for Parquet. The file goes past it; what is written here is a problem, as JSON."""

    media_type = MEDIA_TYPES[FileKind.PARQUET]
    format = "parquet"


class ExportFile(Resource):
    """The file of one of one's own exports, whole or in parts (Range)."""

    permission_classes = [rule(Rule.RESEARCHER)]
    scope = TokenScope.READ_DATA
    renderer_classes = [JSONRenderer, Csv, Parquet]
    also_refuses = {"GET": ("conflict", "stale", "no-such-bytes")}

    @extend_schema(
        operation_id="download_export",
        responses={(200, "text/csv"): OpenApiTypes.BINARY, (200, Parquet.media_type): OpenApiTypes.BINARY},
        tags=["data"],
    )
    def get(self, request: Request, uuid: UUID, kind: str) -> HttpResponseBase:
        export = own_export(account_of(request.user), uuid)
        if kind != export.kind:
            raise NotFound(f"This export was written as {export.kind}: its file ends like that.")
        if export.job.state != JobState.DONE or export.written_at is None:
            raise Conflict("There is no file: the export is not written yet, or was thrown away.", code="no_file")
        answer = send_file(
            request._request,
            file_of(export),
            media_type=MEDIA_TYPES[FileKind(kind)],
            name=f"{export.season.code}-{export.table}-{export.asked_at:%Y-%m-%d}.{kind}",
            sha256=export.sha256,
            modified=export.written_at,
            immutable=False,
            size_bytes=export.size_bytes,
        )
        if answer.status_code in _REFUSED:
            kept = {name: answer.headers[name] for name in _BESIDE if name in answer.headers}
            raise NotSent(answer.status_code, _REFUSED[answer.status_code], kept)
        return answer


#: How the sender's refusals are told here: every one of the API's is a problem.
_REFUSED = {
    412: "The file here is not the version that the request names. Load it again from its first byte.",
    416: "The file has fewer bytes than the request asks for. Content-Range says how many.",
    503: "The file cannot be read as it was written. That is our fault. Ask for a new export.",
}
_BESIDE = ("Content-Range", "Accept-Ranges", "Retry-After", "Cache-Control")
