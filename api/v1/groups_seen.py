"""Groups seen in the regions of a season, at equal effort and equal coverage, with the run behind them."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.base import Resource
from api.etags import etag_of, not_modified
from api.permissions import rule
from api.v1.indices import RunOut, run_out
from surveys.errors import NotFound
from surveys.permissions import Rule
from surveys.queries.groups_seen import ShownGroupsSeen, shown_groups_seen
from surveys.queries.indices import published_run
from surveys.queries.replica import may_lag
from surveys.queries.seasons import season_by_code


class FigureOut(serializers.Serializer[Any]):
    """An estimate with its 95 % interval."""

    value = serializers.FloatField()
    low = serializers.FloatField()
    high = serializers.FloatField()


class StandardisedOut(serializers.Serializer[Any]):
    """Hill numbers of orders 0, 1 and 2 at so many site-nights, and the coverage expected there."""

    effort = serializers.FloatField()
    coverage = serializers.FloatField()
    hill = FigureOut(many=True)
    extrapolated = serializers.BooleanField()


class RegionFiguresOut(serializers.Serializer[Any]):
    """Everything estimated for a region; lists of three are Hill numbers of orders 0, 1 and 2."""

    seen_once = serializers.IntegerField()
    seen_twice = serializers.IntegerField()
    coverage = FigureOut()
    chao2 = FigureOut()
    observed = FigureOut(many=True)
    asymptotic = FigureOut(many=True)
    at_effort = StandardisedOut()
    at_coverage = StandardisedOut()


class RegionSeenOut(serializers.Serializer[Any]):
    """Groups seen in one region, or why they cannot be compared."""

    region = serializers.CharField()
    label = serializers.CharField()  # type: ignore[assignment]  # our word, their attribute
    groups_seen = serializers.IntegerField()
    sites = serializers.IntegerField()
    site_nights = serializers.IntegerField()
    left_out = serializers.IntegerField()
    codes = serializers.ListField(child=serializers.CharField())
    sentences = serializers.ListField(child=serializers.CharField())
    figures = RegionFiguresOut(allow_null=True)


class GroupsSeenOut(serializers.Serializer[Any]):
    """Groups seen in every region of a season on one list."""

    season = serializers.CharField()
    statement = serializers.CharField()
    unit = serializers.CharField()
    confidence = serializers.FloatField()
    run = RunOut()
    groups = serializers.ListField(child=serializers.CharField())
    groups_left_out = serializers.ListField(child=serializers.CharField())
    base_effort = serializers.IntegerField(allow_null=True)
    base_coverage = serializers.FloatField(allow_null=True)
    values = RegionSeenOut(many=True)


class GroupsSeen(Resource):
    """Groups seen in the regions of a season."""

    permission_classes = [rule(Rule.ANYONE)]
    scope = None

    @extend_schema(
        operation_id="read_groups_seen",
        responses=GroupsSeenOut,
        tags=["indices"],
    )
    @may_lag
    def get(self, request: Request, season: str) -> Response:
        found = season_by_code(season)
        run = published_run(found)
        shown = shown_groups_seen(run) if run else None
        if run is None or shown is None:
            raise NotFound("No night has compared the groups seen in this season yet. Ask again after the next night.")
        tag = etag_of(run.pk, "groups seen")
        return not_modified(request, tag) or Response(_seen(found, run, shown), headers={"ETag": tag})


def _seen(season: Any, run: Any, shown: ShownGroupsSeen) -> dict[str, Any]:
    found = shown.found
    return {
        "season": season.code,
        "statement": shown.caution,
        "unit": "groups of the list",
        "confidence": 0.95,
        "run": run_out(run),
        "groups": found.groups,
        "groups_left_out": found.groups_left_out,
        "base_effort": found.base_effort,
        "base_coverage": found.base_coverage,
        "values": [
            {
                "region": one.region,
                "label": one.shown,
                "groups_seen": one.groups_seen,
                "sites": one.sites,
                "site_nights": one.site_nights,
                "left_out": one.left_out,
                "codes": one.codes,
                "sentences": sentences,
                "figures": asdict(one.figures) if one.figures else None,
            }
            for one, sentences in zip(found.regions, shown.sentences, strict=True)
        ],
    }
