"""The verdict on a waiting return, taking it back, and one verdict on many."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.base import Resource
from api.etags import etag_of, require_match
from api.fields import Instant, ListedWord, Measure, ShortText, StrictSerializer, WholeNumber
from api.permissions import rule
from api.v1.returns import ANSWERS, AnswerIn, read_answers
from api.v1.review import RecordOut, recorded
from surveys.errors import Faulty
from surveys.permissions import Rule, account_of
from surveys.queries.returns import return_in_care
from surveys.services.review import give_verdict
from surveys.services.sent_returns import answer_fault, bounded
from surveys.services.undo import undo_verdict
from surveys.services.verdicts_together import MOST_TOGETHER, give_verdicts_together
from surveys.vocabulary import Decision, Liquid, TokenScope, TrapState, VerdictReason


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


class Verdicts(Resource):
    """The verdict on one return. ``If-Match`` carries the version that was read."""

    permission_classes = [rule(Rule.COORDINATOR)]
    scope = TokenScope.DESK
    needs_match = True

    @extend_schema(operation_id="give_verdict", request=VerdictIn, responses={201: RecordOut}, tags=["review"])
    def post(self, request: Request, uuid: UUID) -> Response:
        before = return_in_care(request.user, uuid)
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
        report = return_in_care(request.user, uuid)
        return Response(recorded(report), 201, headers={"ETag": etag_of(report.version, report.uuid)})


def _answers(rows: list[dict[str, Any]]) -> list[Any]:
    sent = read_answers(rows)
    faults = [answer_fault(one, f"/catch/{place}") for place, one in enumerate(sent)]
    if any(faults):
        wrong = tuple(fault for fault in faults if fault is not None)
        raise Faulty("Some of the corrections could not be read.", faults=wrong)
    return [bounded(one) for one in sent]


class UndoIn(StrictSerializer):
    """Taking the verdict in force back, with a note for the record if one wants."""

    note = ShortText(longest=500, required=False, allow_blank=True, default="")


class Undo(Resource):
    """Taking back the verdict in force. ``If-Match`` carries the version that was read."""

    permission_classes = [rule(Rule.COORDINATOR)]
    scope = TokenScope.DESK
    needs_match = True

    @extend_schema(operation_id="undo_verdict", request=UndoIn, responses={201: RecordOut}, tags=["review"])
    def post(self, request: Request, uuid: UUID) -> Response:
        before = return_in_care(request.user, uuid)
        require_match(request, etag_of(before.version, before.uuid))
        given = UndoIn(data=request.data)
        given.is_valid(raise_exception=True)
        undo_verdict(by=account_of(request.user), uuid=uuid, version=before.version, note=given.validated_data["note"])
        report = return_in_care(request.user, uuid)
        return Response(recorded(report), 201, headers={"ETag": etag_of(report.version, report.uuid)})


class VersionIn(StrictSerializer):
    """One return of many, and the version of it that was read."""

    id = serializers.UUIDField()
    version = WholeNumber(low=1, high=2_000_000_000)


class VerdictsIn(StrictSerializer):
    """One verdict on many returns that wait for the same reason."""

    returns = serializers.ListField(child=VersionIn(), allow_empty=False, max_length=MOST_TOGETHER)
    decision = ListedWord(Decision)
    reason = ListedWord(VerdictReason)
    note = ShortText(longest=500, required=False, allow_blank=True, default="")


class VerdictsOut(serializers.Serializer[Any]):
    """What names verdicts that were given together."""

    together = serializers.UUIDField()
    returns = serializers.IntegerField()


class VerdictsTogether(Resource):
    """One verdict on many returns: all of them, or none."""

    permission_classes = [rule(Rule.COORDINATOR)]
    scope = TokenScope.DESK

    @extend_schema(
        operation_id="give_verdicts_together", request=VerdictsIn, responses={201: VerdictsOut}, tags=["review"]
    )
    def post(self, request: Request) -> Response:
        given = VerdictsIn(data=request.data)
        given.is_valid(raise_exception=True)
        wanted = given.validated_data
        versions = {one["id"]: one["version"] for one in wanted["returns"]}
        together = give_verdicts_together(
            by=account_of(request.user),
            versions=versions,
            decision=wanted["decision"],
            reason=wanted["reason"],
            note=wanted["note"],
        )
        return Response({"together": str(together), "returns": len(versions)}, 201)
