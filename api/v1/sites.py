"""One's own sites and traps."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.base import Resource
from api.fields import ClientId, Measure, ShortText, StrictSerializer, TrueOrFalse
from api.permissions import rule
from surveys.permissions import Rule, account_of
from surveys.queries.sites import own_household, own_sites
from surveys.services.sites import add_site, add_trap
from surveys.vocabulary import TokenScope


class SiteIn(StrictSerializer):
    """A new site. By default the middle of a square of about 1 km is kept; ``fine`` keeps the point to about 11 m.

    Either is seen by you and your coordinator only.
    """

    household = ClientId()
    latitude = Measure(low=-90, high=90)
    longitude = Measure(low=-180, high=180)
    fine = TrueOrFalse(required=False, default=False)


class TrapIn(StrictSerializer):
    """A new trap at a site."""

    habitat = ShortText(longest=40)


class TrapOut(serializers.Serializer[Any]):
    """A trap."""

    id = serializers.UUIDField()
    number = serializers.IntegerField()
    habitat = serializers.CharField()


class SiteOut(serializers.Serializer[Any]):
    """A site with its traps: the point that is kept for its owner, the cell for everybody else."""

    id = serializers.UUIDField()
    household = serializers.UUIDField()
    alias = serializers.CharField()
    number = serializers.IntegerField()
    region = serializers.CharField()
    latitude = serializers.FloatField()
    longitude = serializers.FloatField()
    cell = serializers.CharField()
    traps = TrapOut(many=True)


def shown(site: Any) -> dict[str, Any]:
    """Return one of one's own sites."""
    return {
        "id": str(site.public_id),
        "household": str(site.household.public_id),
        "alias": site.household.alias,
        "number": site.number,
        "region": site.region.code,
        "latitude": site.point.latitude,
        "longitude": site.point.longitude,
        "cell": site.cell_code,
        "traps": [trap_shown(trap) for trap in site.traps.all()],
    }


def trap_shown(trap: Any) -> dict[str, Any]:
    """Return one of one's own traps."""
    return {"id": str(trap.public_id), "number": trap.number, "habitat": trap.habitat.code}


class Sites(Resource):
    """One's own sites with their traps."""

    permission_classes = [rule(Rule.SIGNED_IN)]
    scope = TokenScope.SEND
    also_refuses = {"POST": ("not-found",)}

    @extend_schema(operation_id="list_own_sites", responses=SiteOut(many=True), tags=["sites"])
    def get(self, request: Request) -> Response:
        return Response({"items": [shown(site) for site in own_sites(request.user)], "next": None})

    @extend_schema(operation_id="add_site", request=SiteIn, responses={201: SiteOut}, tags=["sites"])
    def post(self, request: Request) -> Response:
        given = SiteIn(data=request.data)
        given.is_valid(raise_exception=True)
        wanted = given.validated_data
        site = add_site(
            by=account_of(request.user),
            household=own_household(request.user, wanted["household"]),
            latitude=wanted["latitude"],
            longitude=wanted["longitude"],
            fine=wanted["fine"],
        )
        return Response(shown(own_sites(request.user).get(pk=site.pk)), 201)


class Traps(Resource):
    """The traps of one site."""

    permission_classes = [rule(Rule.SIGNED_IN)]
    scope = TokenScope.SEND

    @extend_schema(operation_id="add_trap", request=TrapIn, responses={201: TrapOut}, tags=["sites"])
    def post(self, request: Request, site: UUID) -> Response:
        given = TrapIn(data=request.data)
        given.is_valid(raise_exception=True)
        return Response(
            trap_shown(add_trap(by=account_of(request.user), site=site, habitat=given.validated_data["habitat"])), 201
        )
