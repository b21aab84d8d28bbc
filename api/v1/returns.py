"""Returns: send one, send many, read one's own, take one back."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.base import Resource
from api.etags import etag_of, not_modified, require_match
from api.fields import ClientId, Instant, ListedWord, Measure, ShortText, StrictSerializer, WholeNumber
from api.idempotency import answered, required_once
from api.pagination import KeysetPage
from api.permissions import rule
from api.v1.questions import QuestionOut, question_shown
from surveys.permissions import Rule, account_of
from surveys.queries import returns as queries
from surveys.services.intake import Receipt, receive_return, withdraw_return
from surveys.services.once import Kept
from surveys.services.sent_returns import SentAnswer, SentReturn
from surveys.services.waking import wake_screening
from surveys.vocabulary import (
    MOST_ANIMALS,
    REPORTED_MEASURES,
    REPORTED_NUMBERS,
    REPORTED_WORDS,
    AnswerKind,
    CountClass,
    TokenScope,
)

#: Three times the groups of the longest list: more answers than this belong to no return.
MOST_ANSWERS = 100
_TOO_MANY = f"There are more than {MOST_ANSWERS} answers here. Send one for each animal group."
#: How every list of answers is bounded.
ANSWERS: dict[str, Any] = {"many": True, "max_length": MOST_ANSWERS, "error_messages": {"max_length": _TOO_MANY}}


class AnswerIn(StrictSerializer):
    """One group's answer: a number with ``count``, a class with ``class``, or one of the three others."""

    group = ShortText(longest=40, help_text="Code of an animal group of the season.")
    answer = ListedWord(AnswerKind)
    count = WholeNumber(low=0, high=MOST_ANIMALS, required=False, allow_null=True)

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        fields = super().get_fields()
        fields["class"] = ListedWord(CountClass, required=False, allow_null=True)  # a word that Python keeps to itself
        return fields


class ReturnIn(StrictSerializer):
    """A return as it is sent. ``id`` is made by the sender, so that sending twice does no harm."""

    id = ClientId()
    trap = ClientId(help_text="Id of one of your traps.")
    set_at = Instant(help_text="When the trap was opened, with its offset from UTC.")
    emptied_at = Instant(help_text="When the trap was emptied, with its offset from UTC.")
    habitat = ShortText(longest=40, required=False, allow_null=True, help_text="Code of a habitat of the season.")
    note = ShortText(longest=500, required=False, allow_blank=True, help_text="Never published. No names of people.")
    catch = AnswerIn(**ANSWERS, help_text="One answer for each group. A group that is left out stays unknown.")

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        fields = super().get_fields()
        for name, words in REPORTED_WORDS.items():
            fields[name] = ListedWord(words, required=False, allow_null=True)
        for name, (low, high) in REPORTED_MEASURES.items():
            fields[name] = Measure(low=low, high=high, required=False, allow_null=True)
        for name, (lowest, highest) in REPORTED_NUMBERS.items():
            fields[name] = WholeNumber(low=lowest, high=highest, required=False)
        return fields


class OneReturnIn(ReturnIn):
    """A return sent by itself: it may end a setting by name, and may take the place of an earlier return."""

    opening = ClientId(required=False, help_text="Id of the setting that this return ends.")
    amends = ClientId(required=False, help_text="Id of your return that this one takes the place of.")


class FindingOut(serializers.Serializer[Any]):
    """What one check of the protocol found."""

    check_id = serializers.CharField()
    outcome = serializers.CharField()
    marks = serializers.ListField(child=serializers.CharField())
    sentence = serializers.CharField()


class CatchOut(serializers.Serializer[Any]):
    """One group's answer as sent, and beside it what a coordinator corrected it to, if that happened."""

    group = serializers.CharField()
    answer = serializers.CharField()
    count_min = serializers.IntegerField(allow_null=True)
    count_max = serializers.IntegerField(allow_null=True)
    corrected = serializers.DictField(allow_null=True)


class WhyOut(serializers.Serializer[Any]):
    """Why the return waits, in words for its sender."""

    reason = serializers.CharField()
    sentence = serializers.CharField()


class ReturnOut(serializers.Serializer[Any]):
    """One of one's own returns."""

    id = serializers.UUIDField()
    state = serializers.CharField()
    standing = serializers.CharField()
    version = serializers.IntegerField()
    season = serializers.CharField()
    region = serializers.CharField()
    trap = serializers.UUIDField()
    night = serializers.DateField()
    received_at = serializers.DateTimeField()
    exposure_hours = serializers.FloatField()
    trap_nights = serializers.FloatField(allow_null=True)
    reported = serializers.DictField()
    catch = CatchOut(many=True)
    findings = FindingOut(many=True)
    why_it_waits = WhyOut(many=True)
    questions = QuestionOut(many=True)
    amends = serializers.UUIDField(allow_null=True)
    amended_by = serializers.UUIDField(allow_null=True)


def read_answers(rows: Iterable[dict[str, Any]]) -> tuple[SentAnswer, ...]:
    """Return checked answers as the services take them."""
    return tuple(
        SentAnswer(group=one["group"], kind=one["answer"], count=one.get("count"), count_class=one.get("class"))
        for one in rows
    )


def read_return(payload: dict[str, Any]) -> SentReturn:
    """Return a checked payload as the service takes it."""
    named = {*REPORTED_WORDS, *REPORTED_MEASURES, *REPORTED_NUMBERS, "note"}
    return SentReturn(
        uuid=payload["id"],
        trap=payload["trap"],
        set_at=payload["set_at"],
        emptied_at=payload["emptied_at"],
        habitat=payload.get("habitat"),
        answers=read_answers(payload["catch"]),
        fields={name: payload[name] for name in sorted(named) if payload.get(name) is not None},
    )


def reported(report: Any) -> dict[str, Any]:
    """Return everything that was sent about the trap, and nothing that was not."""
    names = ("set_at", "emptied_at", "note", *REPORTED_WORDS, *REPORTED_MEASURES, *REPORTED_NUMBERS)
    values = {name: getattr(report, name) for name in names}
    values["habitat"] = report.habitat.code if report.habitat else None
    return {name: _written(value) for name, value in values.items() if value not in (None, "")}


def _written(value: Any) -> Any:
    # In UTC, as it is read back: a return that is new and the same one a day later read alike.
    return value.astimezone(UTC).isoformat() if isinstance(value, datetime) else value


def caught(report: Any) -> list[dict[str, Any]]:
    """Return the catch of a return, each answer with its correction in force beside it."""
    return [{**_answered(one), "corrected": _corrected(report, one)} for one in report.catches.all()]


def _answered(one: Any) -> dict[str, Any]:
    return {"group": one.group.code, "answer": one.answer, "count_min": one.low, "count_max": one.high}


def found(one: Any) -> dict[str, Any]:
    """Return one finding as it is answered."""
    return {"check_id": one.check_id, "outcome": one.outcome, "marks": one.marks, "sentence": one.sentence}


def _corrected(report: Any, one: Any) -> dict[str, Any] | None:
    correction = queries.correction_in_force(report, one.group_id)
    if correction is None:
        return None
    return {"answer": correction.answer, "count_min": correction.low, "count_max": correction.high}


def shown(report: Any) -> dict[str, Any]:
    """Return one of one's own returns as it is answered."""
    return {
        **_head(report),
        "catch": caught(report),
        "findings": [found(one) for one in report.findings.all()],
        "why_it_waits": [{"reason": one.reason, "sentence": one.gentle_sentence} for one in report.queries.all()],
        "questions": [question_shown(one) for one in report.questions.all()],
        "amends": _uuid_of(report.amends),
        "amended_by": _uuid_of(getattr(report, "amended_by", None)),
    }


def _uuid_of(report: Any) -> str | None:
    return str(report.uuid) if report else None


def shown_new(receipt: Receipt) -> dict[str, Any]:
    """Return a return that has just been stored, from what is in hand."""
    return {
        **_head(receipt.report),
        "catch": [{**_answered(one), "corrected": None} for one in receipt.catches],
        "findings": [found(one) for one in receipt.findings],
        "why_it_waits": [],
        "questions": [],
        "amends": _uuid_of(receipt.report.amends) if receipt.report else None,
        "amended_by": None,
    }


def _head(report: Any) -> dict[str, Any]:
    return {
        "id": str(report.uuid),
        "state": report.state,
        "standing": report.standing,
        "version": report.version,
        "season": report.season.code,
        "region": report.trap.site.region.code,
        "trap": str(report.trap.public_id),
        "night": report.night.isoformat(),
        "received_at": report.received_at.isoformat(),
        "exposure_hours": round(report.exposure_h, 3),
        "trap_nights": report.trap_nights,
        "reported": reported(report),
    }


class Returns(Resource):
    """One's own returns."""

    permission_classes = [rule(Rule.SIGNED_IN)]
    scope = TokenScope.SEND
    query_parameters = ("limit", "cursor")
    needs_key = True
    also_refuses = {"POST": ("not-found",)}  # the return that it amends
    page = KeysetPage(order=("-id",))

    @extend_schema(operation_id="list_own_returns", responses=ReturnOut(many=True), tags=["returns"])
    def get(self, request: Request) -> Response:
        return self.page.answer(queries.own_returns(request.user), request, shown)

    @extend_schema(
        operation_id="send_return", request=OneReturnIn, responses={201: ReturnOut, 200: ReturnOut}, tags=["returns"]
    )
    def post(self, request: Request) -> Response:
        once = required_once(request, route="send_return")
        wanted = OneReturnIn.standing().run_validation(request.data)
        kept = receive_return(
            by=account_of(request.user),
            sent=read_return(wanted),
            opening=wanted.get("opening"),
            amends=wanted.get("amends"),
            once=once,
            answer=_kept,
        )
        assert isinstance(kept, Kept)  # it was given an answer to keep
        if not kept.before:
            wake_screening()
        return answered(kept, {"Location": f"/api/v1/returns/{kept.body['id']}"})


class OneReturn(Resource):
    """One of one's own returns."""

    permission_classes = [rule(Rule.SIGNED_IN)]
    scope = TokenScope.SEND

    @extend_schema(operation_id="read_own_return", responses=ReturnOut, tags=["returns"])
    def get(self, request: Request, uuid: UUID) -> Response:
        report = queries.own_return(request.user, uuid)
        tag = etag_of(report.version, report.uuid)
        return not_modified(request, tag) or Response(shown(report), headers={"ETag": tag})


class Withdrawal(Resource):
    """Taking one's own return back."""

    permission_classes = [rule(Rule.SIGNED_IN)]
    scope = TokenScope.SEND
    needs_match = True

    @extend_schema(operation_id="withdraw_return", request=None, responses=ReturnOut, tags=["returns"])
    def post(self, request: Request, uuid: UUID) -> Response:
        before = queries.own_return(request.user, uuid)
        require_match(request, etag_of(before.version, before.uuid))
        withdraw_return(by=account_of(request.user), uuid=uuid, version=before.version)
        report = queries.own_return(request.user, uuid)
        return Response(shown(report), headers={"ETag": etag_of(report.version, report.uuid)})


def _kept(receipt: Receipt) -> Kept:
    report = receipt.report
    assert report is not None  # a refused single return is raised, not answered
    if not receipt.created:
        return Kept(200, shown(queries.returns_with_everything([report.pk]).get()))
    return Kept(201, shown_new(receipt))
