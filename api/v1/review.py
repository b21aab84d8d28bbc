"""The queue of a coordinator, one record of it, and its verdict."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from uuid import UUID

from django.utils import timezone
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail, ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from api.base import Resource
from api.etags import etag_of, not_modified
from api.pagination import KeysetPage
from api.permissions import rule
from api.v1.questions import QuestionOut, question_shown
from api.v1.returns import CatchOut, FindingOut, caught, found, reported
from surveys.permissions import Rule
from surveys.queries import returns as returns_queries
from surveys.queries import review as queries
from surveys.vocabulary import QueryReason, TokenScope


class QueryOut(serializers.Serializer[Any]):
    """One reason why a return waits, with its evidence."""

    kind = serializers.CharField()
    reason = serializers.CharField()
    probability = serializers.FloatField()
    sentence = serializers.CharField()
    evidence = serializers.DictField()


class QueuedOut(serializers.Serializer[Any]):
    """One waiting return, as the queue lists it."""

    id = serializers.UUIDField()
    version = serializers.IntegerField()
    season = serializers.CharField()
    region = serializers.CharField()
    household = serializers.CharField(help_text="Public alias of the household or school.")
    night = serializers.DateField()
    urgent = serializers.BooleanField()
    probability = serializers.FloatField()
    damage = serializers.FloatField()
    rank = serializers.FloatField()
    reason = serializers.CharField()
    sentence = serializers.CharField()


class RecordOut(QueuedOut):
    """One return in a coordinator's care, with everything needed for a verdict."""

    state = serializers.CharField()
    standing = serializers.CharField()
    reported = serializers.DictField()
    catch = CatchOut(many=True)
    findings = FindingOut(many=True)
    queries = QueryOut(many=True)
    questions = QuestionOut(many=True)
    verdicts = serializers.ListField(child=serializers.DictField())


def queued(report: Any) -> dict[str, Any]:
    """Return a waiting return as the queue lists it."""
    reasons = list(report.queries.all())
    return {
        "id": str(report.uuid),
        "version": report.version,
        "season": report.season.code,
        "region": report.trap.site.region.code,
        "household": report.trap.site.household.alias,
        "night": report.night.isoformat(),
        "urgent": report.urgent,
        "probability": report.probability,
        "damage": report.damage,
        "rank": report.rank,
        "reason": reasons[0].reason if reasons else "",
        "sentence": reasons[0].sentence if reasons else "",
    }


def recorded(report: Any) -> dict[str, Any]:
    """Return a return in a coordinator's care, whole."""
    return {
        **queued(report),
        "state": report.state,
        "standing": report.standing,
        "reported": reported(report),
        "catch": caught(report),
        "findings": [found(one) for one in report.findings.all()],
        "queries": [
            {
                "kind": one.kind,
                "reason": one.reason,
                "probability": one.probability,
                "sentence": one.sentence,
                "evidence": one.evidence,
            }
            for one in report.queries.all()
        ],
        "questions": [question_shown(one) for one in report.questions.all()],
        "verdicts": [
            {
                "decision": one.decision,
                "reason": one.reason,
                "note": one.note,
                "decided_at": one.decided_at.isoformat(),
                "version": one.report_version,
                "undone_at": one.undo.undone_at.isoformat() if hasattr(one, "undo") else None,
            }
            for one in (() if returns_queries.awaits_second_look(report) else report.verdicts.all())
        ],
    }


class Queue(Resource):
    """What waits in one's regions: danger first, then probability x index damage."""

    permission_classes = [rule(Rule.COORDINATOR)]
    scope = TokenScope.DESK
    query_parameters = ("limit", "cursor", "region", "reason", "household", "days")
    page = KeysetPage(order=queries.QUEUE_ORDER)

    @extend_schema(
        operation_id="list_queue",
        parameters=[
            OpenApiParameter("region", str, description="Only this region, by its code."),
            OpenApiParameter(
                "reason", str, enum=QueryReason.values(), description="Only what waits for this reason first."
            ),
            OpenApiParameter("household", str, description="Only this household, by its public alias."),
            OpenApiParameter("days", int, description="Only what has waited for at least so many days, 1 to 999."),
        ],
        responses=QueuedOut(many=True),
        tags=["review"],
    )
    def get(self, request: Request) -> Response:
        return self.page.answer(queries.queue(request.user, _wanted(request)), request, queued)


def _wanted(request: Request) -> queries.Wanted:
    """Read which part of the queue is asked for; refuse what cannot be read."""
    given = request.query_params
    reason, days = given.get("reason"), given.get("days")
    if reason is not None and reason not in QueryReason.values():
        known = ", ".join(QueryReason.values())
        raise ValidationError(
            {"reason": [ErrorDetail(f"{reason[:40]!r} is no reason. There are: {known}.", "unknown_word")]}
        )
    if days is not None and not (days.isascii() and days.isdigit() and 1 <= len(days) <= 3 and int(days) >= 1):
        raise ValidationError(
            {"days": [ErrorDetail(f"{days[:20]!r} is not a number of days. Ask for 1 to 999.", "bad_days")]}
        )
    return queries.Wanted(
        region=given.get("region", "").replace("\0", ""),
        reason=QueryReason(reason) if reason else None,
        household=given.get("household", "").replace("\0", ""),
        before=timezone.now() - timedelta(days=int(days)) if days else None,
    )


class Record(Resource):
    """One return in one's care."""

    permission_classes = [rule(Rule.COORDINATOR)]
    scope = TokenScope.DESK

    @extend_schema(operation_id="read_record", responses=RecordOut, tags=["review"])
    def get(self, request: Request, uuid: UUID) -> Response:
        report = returns_queries.return_in_care(request.user, uuid)
        tag = etag_of(report.version, report.uuid)
        return not_modified(request, tag) or Response(recorded(report), headers={"ETag": tag})
