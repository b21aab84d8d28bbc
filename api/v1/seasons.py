"""Seasons: what they ask, where, when, under which protocol and licence."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.base import Resource
from api.permissions import rule
from surveys.permissions import Rule
from surveys.queries.seasons import lists_of, season_by_code, seasons
from surveys.vocabulary import LICENCE_URLS, Licence


class SeasonOut(serializers.Serializer[Any]):
    """One season, in short."""

    code = serializers.CharField()
    title = serializers.CharField()
    organiser = serializers.CharField()
    state = serializers.CharField()
    protocol = serializers.CharField()
    opens_on = serializers.DateField()
    closes_on = serializers.DateField()
    time_zone = serializers.CharField()
    licence = serializers.CharField()
    licence_url = serializers.URLField()


class GroupOut(serializers.Serializer[Any]):
    """An animal group on a season's list."""

    code = serializers.CharField()
    name = serializers.CharField()
    latin = serializers.CharField()
    taxon_rank = serializers.CharField()
    how_to_tell = serializers.CharField()


class HabitatOut(serializers.Serializer[Any]):
    """A habitat of a season with its published weight."""

    code = serializers.CharField()
    label = serializers.CharField()  # type: ignore[assignment]  # our word, their attribute
    weight = serializers.FloatField()


class RegionOut(serializers.Serializer[Any]):
    """A region of a season with its boundary, a GeoJSON geometry (RFC 7946)."""

    code = serializers.CharField()
    name = serializers.CharField()
    boundary = serializers.DictField()


class WindowOut(serializers.Serializer[Any]):
    """A survey window of a season."""

    code = serializers.CharField()
    name = serializers.CharField()
    first_day = serializers.DateField()
    last_day = serializers.DateField()


class WholeSeasonOut(SeasonOut):
    """One season with its lists."""

    groups = GroupOut(many=True)
    habitats = HabitatOut(many=True)
    regions = RegionOut(many=True)
    windows = WindowOut(many=True)


def in_short(season: Any) -> dict[str, Any]:
    """Return a season as the list of seasons shows it."""
    return {
        "code": season.code,
        "title": season.title,
        "organiser": season.organiser,
        "state": season.state,
        "protocol": season.protocol.version,
        "opens_on": season.opens_on,
        "closes_on": season.closes_on,
        "time_zone": season.time_zone,
        "licence": season.licence,
        "licence_url": LICENCE_URLS[Licence(season.licence)],
    }


class Seasons(Resource):
    """All seasons, newest first."""

    permission_classes = [rule(Rule.ANYONE)]
    scope = None

    @extend_schema(operation_id="list_seasons", responses=SeasonOut(many=True), tags=["seasons"])
    def get(self, request: Request) -> Response:
        return Response({"items": [in_short(season) for season in seasons()], "next": None})


class OneSeason(Resource):
    """One season with its lists."""

    permission_classes = [rule(Rule.ANYONE)]
    scope = None

    @extend_schema(operation_id="read_season", responses=WholeSeasonOut, tags=["seasons"])
    def get(self, request: Request, season: str) -> Response:
        lists = lists_of(season_by_code(season))
        return Response(
            {
                **in_short(lists.season),
                "groups": GroupOut(lists.groups, many=True).data,
                "habitats": [
                    {"code": habitat.code, "label": habitat.label, "weight": weight}
                    for habitat, weight in zip(lists.habitats, lists.weights, strict=True)
                ],
                "regions": RegionOut(lists.regions, many=True).data,
                "windows": WindowOut(lists.windows, many=True).data,
            }
        )
