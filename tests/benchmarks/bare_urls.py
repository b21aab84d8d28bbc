"""The service's addresses and the bare view beside them."""

from __future__ import annotations

import json
from typing import Any

from django.db import connection
from django.urls import path
from rest_framework import serializers
from rest_framework.response import Response
from rest_framework.views import APIView

from project.urls import handler400, handler403, handler404, handler500  # noqa: F401
from project.urls import urlpatterns as own


class AnswerIn(serializers.Serializer[Any]):
    group = serializers.CharField()
    answer = serializers.CharField()
    count = serializers.IntegerField(required=False)


class BareIn(serializers.Serializer[Any]):
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


class Bare(APIView):
    """One serializer, one INSERT."""

    authentication_classes: Any = ()
    permission_classes: Any = ()
    throttle_classes: Any = ()

    def post(self, request: Any) -> Response:
        given = BareIn(data=request.data)
        given.is_valid(raise_exception=True)
        row = {**given.validated_data, "catch": json.dumps(given.validated_data["catch"])}
        names = ", ".join(row)
        with connection.cursor() as cursor:
            places = ", ".join(["%s"] * len(row))
            cursor.execute(f"INSERT INTO bare_return ({names}) VALUES ({places})", list(row.values()))
        return Response(given.data, 201)


urlpatterns = [path("bare", Bare.as_view()), *own]
