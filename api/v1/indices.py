"""The index series of a season, with the run behind it."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from api.base import Resource
from api.etags import etag_of, not_modified
from api.permissions import rule
from surveys.errors import NotFound
from surveys.permissions import Rule
from surveys.queries import indices as queries
from surveys.queries.replica import may_lag
from surveys.queries.seasons import season_by_code

#: Stands on every output. METHODS.md, section 5.8.
STATEMENT = (
    "Activity-density: what a standard trap catches in one day and night. Mean over gardens, habitats weighted "
    "by fixed published weights. Gardens are those of volunteers, who choose themselves; "
    "the interval does not cover that."
)


#: Of what a run counted, this is told to everybody.
OPEN_COUNTS = ("returns", "in_indices")


def run_out(run: Any) -> dict[str, Any]:
    """Return the run behind an answer, as :class:`RunOut` describes it."""
    told = {str(name): getattr(run, str(name)) for name in RunOut().fields}
    # What a night counted of each region is for the desk: some have a garden or two.
    told["counts"] = {name: run.counts[name] for name in OPEN_COUNTS if name in run.counts}
    return told


class ValueOut(serializers.Serializer[Any]):
    """One activity index: animals per trap-night with a 95 % interval, or why there is none."""

    region = serializers.CharField()
    group = serializers.CharField()
    window = serializers.CharField()
    label = serializers.CharField()  # type: ignore[assignment]  # our word, their attribute
    estimate = serializers.FloatField(allow_null=True)
    low = serializers.FloatField(allow_null=True)
    high = serializers.FloatField(allow_null=True)
    sites = serializers.IntegerField()
    site_nights = serializers.IntegerField()
    returns = serializers.IntegerField()
    trap_nights = serializers.FloatField()
    more_sites_needed = serializers.IntegerField()


class RunOut(serializers.Serializer[Any]):
    """The run that computed the values, with what is needed to do it again."""

    night = serializers.DateField()
    published_at = serializers.DateTimeField()
    method_version = serializers.CharField()
    protocol_version = serializers.CharField()
    code_version = serializers.CharField()
    seed = serializers.IntegerField()
    snapshot_event = serializers.IntegerField()
    snapshot_hash = serializers.CharField()
    counts = serializers.DictField()


class SeriesOut(serializers.Serializer[Any]):
    """The index series that is shown for a season."""

    season = serializers.CharField()
    statement = serializers.CharField()
    unit = serializers.CharField()
    confidence = serializers.FloatField()
    rim_exponent = serializers.IntegerField()
    run = RunOut()
    values = ValueOut(many=True)


class Indices(Resource):
    """The index series of a season."""

    permission_classes = [rule(Rule.ANYONE)]
    scope = None
    query_parameters = ("rim_exponent",)

    @extend_schema(
        operation_id="read_indices",
        parameters=[
            OpenApiParameter("rim_exponent", int, enum=[0, 1], description="1 is published, 0 the sensitivity run.")
        ],
        responses=SeriesOut,
        tags=["indices"],
    )
    @may_lag
    def get(self, request: Request, season: str) -> Response:
        found = season_by_code(season)
        run = queries.published_run(found)
        if run is None:
            raise NotFound("No night has computed the indices of this season yet. Ask again after the next night.")
        exponent = _exponent(request)
        tag = etag_of(run.pk, exponent)
        return not_modified(request, tag) or Response(_series(found, run, exponent), headers={"ETag": tag})


def _exponent(request: Request) -> int:
    given = request.query_params.get("rim_exponent", "1")
    if given not in ("0", "1"):
        raise serializers.ValidationError({"rim_exponent": [f"{given!r} is not a rim exponent here. Ask for 0 or 1."]})
    return int(given)


def _series(season: Any, run: Any, exponent: int) -> dict[str, Any]:
    return {
        "season": season.code,
        "statement": STATEMENT,
        "unit": "animals per trap-night",
        "confidence": 0.95,
        "rim_exponent": exponent,
        "run": run_out(run),
        "values": [
            {
                "region": one.region.code,
                "group": one.group.code,
                "window": one.window.code,
                **{
                    name: getattr(one, name)
                    for name in (
                        "label", "estimate", "low", "high", "sites", "site_nights", "returns", "trap_nights",
                        "more_sites_needed",
                    )
                },
            }
            for one in queries.index_values(season, rim_exponent=exponent)
        ],
    }  # fmt: skip
