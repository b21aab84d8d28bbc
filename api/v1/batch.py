"""Many returns in one sending: each is read, stored and answered for itself."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.base import Resource
from api.fields import AnyValue, StrictSerializer, TrueOrFalse
from api.idempotency import answered, required_once
from api.permissions import rule
from api.pointers import fault_rows
from api.v1.returns import ReturnIn, read_return
from surveys.permissions import Rule, account_of
from surveys.services.intake import MOST_AT_ONCE, Receipt, receive_returns
from surveys.services.once import Kept
from surveys.services.sent_returns import SentReturn
from surveys.services.waking import wake_screening
from surveys.vocabulary import TokenScope

OF_A_SENDING: dict[str, Any] = {
    "required": "This is missing.",
    "null": "This is null. Send a list of returns.",
    "not_a_list": "This is not a list. Send the returns in square brackets, even if there is only one.",
    "min_length": "There is no return in this sending. Send at least one.",
    "max_length": f"There are more than {MOST_AT_ONCE} returns in this sending. Send them in parts.",
}


@extend_schema_field(ReturnIn(many=True))
class ReturnsIn(serializers.ListField):
    """Returns that are read one by one, so that each is answered for itself."""

    child = AnyValue(allow_null=True)


class BatchIn(StrictSerializer):
    """Many returns in one sending. With ``together`` either all of them are stored or none."""

    together = TrueOrFalse(required=False, default=False)
    returns = ReturnsIn(min_length=1, max_length=MOST_AT_ONCE, error_messages=OF_A_SENDING)


class RowOut(serializers.Serializer[Any]):
    """What became of one return of a sending."""

    index = serializers.IntegerField()
    status = serializers.ChoiceField(choices=["stored", "already_here", "refused"])
    id = serializers.UUIDField(allow_null=True)
    state = serializers.CharField(allow_null=True)
    detail = serializers.CharField(allow_blank=True)
    errors = serializers.ListField(child=serializers.DictField())  # type: ignore[assignment]  # as in problems


class BatchOut(serializers.Serializer[Any]):
    """What became of a sending: counts, then one row for each return in the order sent."""

    stored = serializers.IntegerField()
    already_here = serializers.IntegerField()
    refused = serializers.IntegerField()
    rows = RowOut(many=True)


class Batch(Resource):
    """Many returns in one sending, each answered for itself."""

    permission_classes = [rule(Rule.SIGNED_IN)]
    scope = TokenScope.SEND
    needs_key = True

    @extend_schema(
        operation_id="send_many_returns", request=BatchIn, responses={200: BatchOut, 422: BatchOut}, tags=["returns"]
    )
    def post(self, request: Request) -> Response:
        once = required_once(request, route="send_many_returns")
        given = BatchIn(data=request.data)
        given.is_valid(raise_exception=True)
        reader = _BatchReader(given.validated_data["returns"])
        if given.validated_data["together"] and reader.unread:
            return Response(reader.held_back(), 422)
        kept = receive_returns(
            by=account_of(request.user),
            sent=reader.read,
            together=given.validated_data["together"],
            once=once,
            answer=reader.kept,
        )
        assert isinstance(kept, Kept)  # it was given an answer to keep
        if not kept.before:
            wake_screening()
        return answered(kept)


class _BatchReader:
    """Reads each return of a sending for itself, and puts the answers back in the order sent."""

    def __init__(self, payloads: list[Any]) -> None:
        self.read: list[SentReturn] = []
        self.unread: dict[int, dict[str, Any]] = {}
        self._places: list[int] = []
        reader = ReturnIn.standing()
        for place, payload in enumerate(payloads):
            try:
                self.read.append(read_return(reader.run_validation(payload)))
                self._places.append(place)
            except serializers.ValidationError as fault:
                self.unread[place] = _refused(place, _UNREAD, fault_rows(fault.detail))

    def kept(self, receipts: list[Receipt]) -> Kept:
        """Return the answer to a sending of which all that could be read has its receipt."""
        body = self._body([_row(place, one) for place, one in zip(self._places, receipts, strict=True)])
        return Kept(200 if body["refused"] == 0 else 422, body)

    def held_back(self) -> dict[str, Any]:
        """Return the answer where nothing is stored, as something of the sending could not be read."""
        return self._body([_refused(place, _HELD_BACK, []) for place in self._places])

    def _body(self, rows: list[dict[str, Any]]) -> dict[str, Any]:
        ordered = sorted([*rows, *self.unread.values()], key=lambda row: int(row["index"]))
        counts = {
            status: sum(row["status"] == status for row in ordered) for status in ("stored", "already_here", "refused")
        }
        return {**counts, "rows": ordered}


_UNREAD = "Some of this return could not be read. Mend what is listed and send it again."
_HELD_BACK = "Not stored, because another return of this sending could not be read."


def _refused(place: int, detail: str, faults: list[dict[str, str]]) -> dict[str, Any]:
    return {"index": place, "status": "refused", "id": None, "state": None, "detail": detail, "errors": faults}


def _row(place: int, receipt: Receipt) -> dict[str, Any]:
    if receipt.refusal is not None:
        refusal = receipt.refusal
        faults = [{"pointer": one.pointer, "code": one.code, "detail": one.sentence} for one in refusal.faults]
        whole = {"pointer": "", "code": refusal.code, "detail": refusal.sentence}
        return _refused(place, refusal.sentence, faults or [whole])
    report = receipt.report
    assert report is not None  # a receipt has one or the other
    return {
        "index": place,
        "status": "stored" if receipt.created else "already_here",
        "id": str(report.uuid),
        "state": report.state,
        "detail": "",
        "errors": [],
    }
