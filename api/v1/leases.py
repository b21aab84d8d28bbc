"""Reading a waiting return, so that nobody else works on it."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.base import Resource
from api.permissions import rule
from surveys.errors import Conflict
from surveys.permissions import Rule, account_of
from surveys.queries.returns import return_in_care
from surveys.queries.review import lease_of
from surveys.services.leases import give_back_record, take_record
from surveys.vocabulary import TokenScope


class LeaseOut(serializers.Serializer[Any]):
    """That one reads a return: until when nobody else may decide it."""

    id = serializers.UUIDField()
    until = serializers.DateTimeField()


class Lease(Resource):
    """Reading a waiting return, so that nobody else works on it."""

    permission_classes = [rule(Rule.COORDINATOR)]
    scope = TokenScope.DESK

    @extend_schema(operation_id="take_record", request=None, responses=LeaseOut, tags=["review"])
    def put(self, request: Request, uuid: UUID) -> Response:
        if not take_record(by=account_of(request.user), uuid=uuid):
            raise Conflict(
                "This return does not wait, or another coordinator reads it at the moment. Take the next one.",
                code="in_other_hands",
            )
        lease = lease_of(return_in_care(request.user, uuid))
        return Response({"id": str(uuid), "until": lease.until.isoformat() if lease else None})

    @extend_schema(operation_id="give_back_record", request=None, responses={204: None}, tags=["review"])
    def delete(self, request: Request, uuid: UUID) -> Response:
        give_back_record(by=account_of(request.user), uuid=uuid)
        return Response(status=204)
