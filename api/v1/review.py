"""The queue of a coordinator, one record of it, and its verdict."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.base import Resource
from api.etags import etag_of, not_modified, require_match
from api.fields import Instant, ListedWord, Measure, ShortText, StrictSerializer, WholeNumber
from api.pagination import KeysetPage
from api.permissions import rule
from api.v1.returns import ANSWERS, AnswerIn, CatchOut, FindingOut, caught, found, read_answers, reported
from surveys.errors import Faulty
from surveys.permissions import Rule, account_of
from surveys.queries import returns as returns_queries
from surveys.queries import review as queries
from surveys.services.intake import answer_fault, bounded
from surveys.services.review import give_verdict
from surveys.vocabulary import Decision, Liquid, TrapState, VerdictReason


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
    verdicts = serializers.ListField(child=serializers.DictField())


class CorrectedColumnsIn(StrictSerializer):
    """Reported values that a coordinator corrects: those that effort hangs on."""

    set_at = Instant(required=False)
    emptied_at = Instant(required=False)
    mouth_mm = Measure(low=1, high=1000, required=False)
    traps_pooled = WholeNumber(low=1, high=60, required=False)
    trap_state = ListedWord(TrapState, required=False)
    liquid = ListedWord(Liquid, required=False)


class VerdictIn(StrictSerializer):
    """A verdict: what is decided, why, and what is corrected if anything is."""

    decision = ListedWord(Decision)
    reason = ListedWord(VerdictReason)
    note = ShortText(longest=500, required=False, allow_blank=True, default="")
    catch = AnswerIn(**ANSWERS, required=False)
    columns = CorrectedColumnsIn(required=False)


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
        "verdicts": [
            {
                "decision": one.decision,
                "reason": one.reason,
                "note": one.note,
                "decided_at": one.decided_at.isoformat(),
                "version": one.report_version,
            }
            for one in report.verdicts.all()
        ],
    }


class Queue(Resource):
    """What waits in one's regions: danger first, then probability x index damage."""

    permission_classes = [rule(Rule.COORDINATOR)]
    query_parameters = ("limit", "cursor")
    page = KeysetPage(order=queries.QUEUE_ORDER)

    @extend_schema(operation_id="list_queue", responses=QueuedOut(many=True), tags=["review"])
    def get(self, request: Request) -> Response:
        return self.page.answer(queries.queue(request.user), request, queued)


class Record(Resource):
    """One return in one's care."""

    permission_classes = [rule(Rule.COORDINATOR)]

    @extend_schema(operation_id="read_record", responses=RecordOut, tags=["review"])
    def get(self, request: Request, uuid: UUID) -> Response:
        report = returns_queries.return_in_care(request.user, uuid)
        tag = etag_of(report.version, report.uuid)
        return not_modified(request, tag) or Response(recorded(report), headers={"ETag": tag})


class Verdicts(Resource):
    """The verdict on one return. ``If-Match`` carries the version that was read."""

    permission_classes = [rule(Rule.COORDINATOR)]
    needs_match = True

    @extend_schema(operation_id="give_verdict", request=VerdictIn, responses={201: RecordOut}, tags=["review"])
    def post(self, request: Request, uuid: UUID) -> Response:
        before = returns_queries.return_in_care(request.user, uuid)
        require_match(request, etag_of(before.version, before.uuid))
        given = VerdictIn(data=request.data)
        given.is_valid(raise_exception=True)
        wanted = given.validated_data
        give_verdict(
            by=account_of(request.user),
            uuid=uuid,
            version=before.version,
            decision=wanted["decision"],
            reason=wanted["reason"],
            note=wanted["note"],
            answers=_answers(wanted.get("catch", [])),
            columns=wanted.get("columns", {}),
        )
        report = returns_queries.return_in_care(request.user, uuid)
        return Response(recorded(report), 201, headers={"ETag": etag_of(report.version, report.uuid)})


def _answers(rows: list[dict[str, Any]]) -> list[Any]:
    sent = read_answers(rows)
    faults = [answer_fault(one, f"/catch/{place}") for place, one in enumerate(sent)]
    if any(faults):
        wrong = tuple(fault for fault in faults if fault is not None)
        raise Faulty("Some of the corrections could not be read.", faults=wrong)
    return [bounded(one) for one in sent]
