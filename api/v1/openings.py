"""Settings of one's own traps: a trap is set, looked at, and emptied or called off."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.base import Resource
from api.fields import ClientId, Instant, ListedWord, Measure, StrictSerializer
from api.permissions import rule
from surveys.errors import NotFound
from surveys.permissions import Rule, account_of
from surveys.queries.openings import open_settings, own_opening
from surveys.services.openings import SET_COLUMNS, SentOpening, call_off, note_look, set_trap
from surveys.vocabulary import REPORTED_MEASURES, REPORTED_WORDS, Ending, TokenScope, Word


class LookWord(Word):
    DUSK = "dusk", "at dusk"
    DAWN = "dawn", "in the early morning"


class CalledOff(Word):
    CALLED_OFF = Ending.CALLED_OFF.value, Ending.CALLED_OFF.label
    LOST = Ending.LOST.value, Ending.LOST.label


class OpeningIn(StrictSerializer):
    """A trap that was set. ``id`` is made by the sender, so that sending twice does no harm."""

    id = ClientId()
    trap = ClientId(help_text="Id of one of your traps.")
    set_at = Instant(help_text="When the trap was opened, with its offset from UTC.")

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        fields = super().get_fields()
        for name, words in REPORTED_WORDS.items():
            if name in SET_COLUMNS:
                fields[name] = ListedWord(words, required=False, allow_null=True)
        for name, (low, high) in REPORTED_MEASURES.items():
            if name in SET_COLUMNS:
                fields[name] = Measure(low=low, high=high, required=False, allow_null=True)
        return fields


class LookIn(StrictSerializer):
    """A look at an open trap."""

    look = ListedWord(LookWord)
    at = Instant()


class EndingIn(StrictSerializer):
    """The end of a setting that gave no catch. One that was emptied ends with its return."""

    ending = ListedWord(CalledOff)
    at = Instant()


class OpeningOut(serializers.Serializer[Any]):
    """One setting of one of one's own traps."""

    id = serializers.UUIDField()
    trap = serializers.UUIDField()
    set_at = serializers.DateTimeField()
    reported = serializers.DictField()
    looked_at_dusk = serializers.DateTimeField(allow_null=True)
    looked_at_dawn = serializers.DateTimeField(allow_null=True)
    ended_at = serializers.DateTimeField(allow_null=True)
    ending = serializers.CharField(allow_null=True)
    return_id = serializers.UUIDField(allow_null=True)


def shown(opening: Any) -> dict[str, Any]:
    """Return one setting as it is answered."""
    return {
        "id": str(opening.uuid),
        "trap": str(opening.trap.public_id),
        "set_at": opening.set_at.isoformat(),
        "reported": opening.answers,
        "looked_at_dusk": _written(opening.looked_dusk_at),
        "looked_at_dawn": _written(opening.looked_dawn_at),
        "ended_at": _written(opening.ended_at),
        "ending": opening.ending,
        "return_id": str(opening.report.uuid) if opening.report else None,
    }


def _written(moment: Any) -> str | None:
    return moment.isoformat() if moment else None


class Openings(Resource):
    """One's own traps that stand open."""

    permission_classes = [rule(Rule.SIGNED_IN)]
    scope = TokenScope.SEND

    @extend_schema(operation_id="list_open_traps", responses=OpeningOut(many=True), tags=["openings"])
    def get(self, request: Request) -> Response:
        return Response({"items": [shown(one) for one in open_settings(request.user)], "next": None})

    @extend_schema(
        operation_id="set_trap", request=OpeningIn, responses={201: OpeningOut, 200: OpeningOut}, tags=["openings"]
    )
    def post(self, request: Request) -> Response:
        given = OpeningIn(data=request.data)
        given.is_valid(raise_exception=True)
        wanted = given.validated_data
        sent = SentOpening(
            uuid=wanted["id"],
            trap=wanted["trap"],
            set_at=wanted["set_at"],
            fields={name: wanted[name] for name in sorted(SET_COLUMNS) if wanted.get(name) is not None},
        )
        status = 200 if _is_here(request, sent.uuid) else 201
        set_trap(by=account_of(request.user), sent=sent)
        return Response(shown(own_opening(request.user, sent.uuid)), status)


def _is_here(request: Request, uuid: UUID) -> bool:
    try:
        own_opening(request.user, uuid)
    except NotFound:
        return False
    return True


class OneOpening(Resource):
    """One setting of one of one's own traps."""

    permission_classes = [rule(Rule.SIGNED_IN)]
    scope = TokenScope.SEND

    @extend_schema(operation_id="read_opening", responses=OpeningOut, tags=["openings"])
    def get(self, request: Request, uuid: UUID) -> Response:
        return Response(shown(own_opening(request.user, uuid)))


class Looks(Resource):
    """Looks at an open trap; the first of each kind stays."""

    permission_classes = [rule(Rule.SIGNED_IN)]
    scope = TokenScope.SEND

    @extend_schema(operation_id="note_look", request=LookIn, responses=OpeningOut, tags=["openings"])
    def post(self, request: Request, uuid: UUID) -> Response:
        given = LookIn(data=request.data)
        given.is_valid(raise_exception=True)
        wanted = given.validated_data
        note_look(by=account_of(request.user), uuid=uuid, look=wanted["look"].value, at=wanted["at"])
        return Response(shown(own_opening(request.user, uuid)))


class EndOfOpening(Resource):
    """Calling a setting off: closed early, or lost."""

    permission_classes = [rule(Rule.SIGNED_IN)]
    scope = TokenScope.SEND

    @extend_schema(operation_id="call_off_trap", request=EndingIn, responses=OpeningOut, tags=["openings"])
    def post(self, request: Request, uuid: UUID) -> Response:
        given = EndingIn(data=request.data)
        given.is_valid(raise_exception=True)
        wanted = given.validated_data
        call_off(by=account_of(request.user), uuid=uuid, ending=Ending(wanted["ending"]), at=wanted["at"])
        return Response(shown(own_opening(request.user, uuid)))
