"""The peers of taking in and of pages: bare views of Django REST framework, with one INSERT and with one SELECT.

The one reads the same body by one serializer and stores it in one table: without a token, a limit, a key, a protocol
check or a log. It stands in the same server, behind the same middleware, so that both are served alike. The other
answers fifty returns as they stand in their table, by a serializer, to whoever asks.
"""

from __future__ import annotations

import json
from typing import Any

from django.db import connection
from django.urls import path
from rest_framework import serializers
from rest_framework.response import Response
from rest_framework.views import APIView

from project.urls import handler400, handler403, handler404, handler500, urlpatterns
from surveys.models import Return

__all__ = ["TABLE", "Bare", "BarePage", "handler400", "handler403", "handler404", "handler500", "urlpatterns"]

TABLE = """
CREATE TABLE IF NOT EXISTS bare_return (
    id uuid PRIMARY KEY, trap uuid, set_at timestamptz, emptied_at timestamptz, habitat text, mouth_mm float8,
    material text, rim text, cover text, refuge text, trap_state text, looked_for_all text, catch jsonb,
    received_at timestamptz DEFAULT now()
)
"""


class AnswerIn(serializers.Serializer[Any]):
    """One group's answer."""

    group = serializers.CharField()
    answer = serializers.CharField()
    count = serializers.IntegerField(required=False)


class BareIn(serializers.Serializer[Any]):
    """A return as ``body_of`` makes it."""

    id = serializers.UUIDField()
    trap = serializers.UUIDField()
    set_at = serializers.DateTimeField()
    emptied_at = serializers.DateTimeField()
    habitat = serializers.CharField()
    mouth_mm = serializers.FloatField()
    material = serializers.CharField()
    rim = serializers.CharField()
    cover = serializers.CharField()
    refuge = serializers.CharField()
    trap_state = serializers.CharField()
    looked_for_all = serializers.CharField()
    catch = AnswerIn(many=True)


class Open(APIView):
    """Asks nobody who they are."""

    authentication_classes: Any = ()
    permission_classes: Any = ()
    throttle_classes: Any = ()


class Bare(Open):
    """One serializer, one INSERT."""

    def post(self, request: Any) -> Response:
        """Store what was sent and send it back."""
        given = BareIn(data=request.data)
        given.is_valid(raise_exception=True)
        row = {**given.validated_data, "catch": json.dumps(given.validated_data["catch"])}
        names, places = ", ".join(row), ", ".join(["%s"] * len(row))
        with connection.cursor() as cursor:
            cursor.execute(f"INSERT INTO bare_return ({names}) VALUES ({places})", list(row.values()))
        return Response(given.data, 201)


class BareOut(serializers.Serializer[Any]):
    """A return as its table holds it."""

    uuid = serializers.UUIDField()
    night = serializers.DateField()
    state = serializers.CharField()
    standing = serializers.CharField()
    habitat = serializers.IntegerField(source="habitat_id")
    exposure_h = serializers.FloatField()
    trap_nights = serializers.FloatField(allow_null=True)
    rim_ratio = serializers.FloatField(allow_null=True)


class BarePage(Open):
    """One SELECT, one serializer."""

    def get(self, request: Any) -> Response:
        """Answer the first fifty returns."""
        rows = Return.objects.order_by("pk")[:50]
        return Response(BareOut(rows, many=True).data)


urlpatterns = [path("bare", Bare.as_view()), path("bare-page", BarePage.as_view()), *urlpatterns]
