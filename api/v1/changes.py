"""The changes of a season since the seasons before it, with the run behind them."""

from __future__ import annotations

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
from surveys.methods.change_words import STATEMENT, change_sentence
from surveys.permissions import Rule
from surveys.queries.changes import change_values
from surveys.queries.indices import published_run
from surveys.queries.replica import may_lag
from surveys.queries.seasons import season_by_code


class EarlierOut(serializers.Serializer[Any]):
    """An earlier season that went in, with its usable returns and a hash over them."""

    season = serializers.CharField()
    returns = serializers.IntegerField()
    snapshot_hash = serializers.CharField()


class BaseOut(serializers.Serializer[Any]):
    """The seasons whose mean is 1 for a group, and where the temperatures of its adjusted changes came from."""

    group = serializers.CharField()
    base = serializers.ListField(child=serializers.CharField())
    temperature_sentence = serializers.CharField()


class ChangeOut(serializers.Serializer[Any]):
    """One change: activity-density over its mean in the base with a 95 % interval, or why there is none."""

    region = serializers.CharField()
    group = serializers.CharField()
    window = serializers.CharField()
    adjusted = serializers.BooleanField(help_text="True for the change had all nights been equally warm.")
    code = serializers.CharField()
    sentence = serializers.CharField()
    ratio = serializers.FloatField(allow_null=True)
    low = serializers.FloatField(allow_null=True)
    high = serializers.FloatField(allow_null=True)
    p_value = serializers.FloatField(allow_null=True)
    p_adjusted = serializers.FloatField(
        allow_null=True, help_text="Adjusted for all changes shown (Benjamini and Hochberg)."
    )
    revisited_sites = serializers.IntegerField()
    effective_sites = serializers.FloatField()
    more_sites_needed = serializers.IntegerField()


class ChangesOut(serializers.Serializer[Any]):
    """The changes that are shown for a season; none in a first season."""

    season = serializers.CharField()
    statement = serializers.CharField()
    unit = serializers.CharField()
    confidence = serializers.FloatField()
    run = RunOut()
    earlier = EarlierOut(many=True)
    groups = BaseOut(many=True)
    values = ChangeOut(many=True)


class Changes(Resource):
    """The changes of a season since the seasons before it."""

    permission_classes = [rule(Rule.ANYONE)]
    scope = None

    @extend_schema(
        operation_id="read_changes",
        responses=ChangesOut,
        tags=["indices"],
    )
    @may_lag
    def get(self, request: Request, season: str) -> Response:
        found = season_by_code(season)
        run = published_run(found)
        if run is None:
            raise NotFound("No night has computed the changes of this season yet. Ask again after the next night.")
        tag = etag_of(run.pk, "changes")
        return not_modified(request, tag) or Response(_changes(found, run), headers={"ETag": tag})


def _changes(season: Any, run: Any) -> dict[str, Any]:
    described = run.parameters.get("change") or {"earlier": [], "groups": {}}
    return {
        "season": season.code,
        "statement": STATEMENT,
        "unit": "ratio to the mean of the base seasons",
        "confidence": 0.95,
        "run": run_out(run),
        "earlier": [{str(name): one[str(name)] for name in EarlierOut().fields} for one in described["earlier"]],
        "groups": [
            {"group": group, "base": one["base"], "temperature_sentence": one["temperature_sentence"]}
            for group, one in described["groups"].items()
        ],
        "values": [_value(one) for one in change_values(run)],
    }


def _value(one: Any) -> dict[str, Any]:
    return {
        "region": one.region.code,
        "group": one.group.code,
        "window": one.window.code,
        "sentence": change_sentence(one.code, one.more_sites_needed),
        **{
            name: getattr(one, name)
            for name in (
                "adjusted", "code", "ratio", "low", "high", "p_value", "p_adjusted", "revisited_sites",
                "effective_sites", "more_sites_needed",
            )
        },
    }  # fmt: skip
