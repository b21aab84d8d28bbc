"""Setting a season up from its description, and opening it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from django.db import transaction

from surveys.errors import Refusal
from surveys.methods.protocol import Limits
from surveys.models import (
    Account,
    Group,
    Habitat,
    Protocol,
    Region,
    Season,
    SeasonGroup,
    SeasonHabitat,
    Window,
)
from surveys.services.events import write_event
from surveys.vocabulary import Licence, SeasonState

_GROUP_COLUMNS = (
    "name",
    "latin",
    "taxon_rank",
    "tier",
    "position",
    "how_to_tell",
    "size",
    "planning_typical",
    "planning_high",
    "ceiling",
    "look_alikes",
    "soil_role",
)


def install_reference(
    *,
    by: Account | None,
    groups: Sequence[Mapping[str, Any]],
    habitats: Sequence[Mapping[str, Any]],
    protocol: Mapping[str, Any],
) -> None:
    """Store animal groups, habitats and a protocol version; doing it twice changes nothing."""
    Limits.from_mapping(protocol)
    with transaction.atomic(durable=True):
        for row in groups:
            Group.objects.update_or_create(code=row["code"], defaults={name: row[name] for name in _GROUP_COLUMNS})
        for position, row in enumerate(habitats, start=1):
            Habitat.objects.update_or_create(
                code=row["code"], defaults={"label": row["label"], "hint": row["hint"], "position": position}
            )
        Protocol.objects.get_or_create(
            version=str(protocol["version"]), defaults={"limits": protocol, "agreed_on": protocol["agreed_on"]}
        )
        write_event(by=by, verb="reference installed", details={"groups": len(groups), "habitats": len(habitats)})


def install_season(*, by: Account | None, plan: Mapping[str, Any], boundaries: Mapping[str, Any]) -> Season:
    """Store a season with its regions (a GeoJSON FeatureCollection) and open it."""
    with transaction.atomic(durable=True):
        if Season.objects.filter(code=plan["code"]).exists():
            raise Refusal(f"There is a season with the code {plan['code']!r} already.", code="season_exists")
        regions = [_region(feature, position) for position, feature in enumerate(boundaries["features"], start=1)]
        season = Season.objects.create(
            code=plan["code"],
            title=plan["title"],
            organiser=plan["organiser"],
            contact=plan["contact"],
            protocol=Protocol.objects.get(version=plan["protocol"]),
            opens_on=date.fromisoformat(plan["opens_on"]),
            closes_on=date.fromisoformat(plan["closes_on"]),
            time_zone=plan["time_zone"],
            licence=Licence(plan["licence"]),
            review_budget=plan["review_budget"],
            state=SeasonState.OPEN,
        )
        season.regions.set(regions)
        _fill_lists(season, plan)
        write_event(by=by, verb="season opened", subject=season, details={"regions": len(regions)})
    return season


def _region(feature: Mapping[str, Any], position: int) -> Region:
    properties = feature["properties"]
    region, _ = Region.objects.update_or_create(
        code=properties["code"],
        defaults={"name": properties["name"], "boundary": feature["geometry"], "position": position},
    )
    return region


def _fill_lists(season: Season, plan: Mapping[str, Any]) -> None:
    groups = {group.code: group for group in Group.objects.all()}
    habitats = {habitat.code: habitat for habitat in Habitat.objects.all()}
    SeasonGroup.objects.bulk_create(
        [SeasonGroup(season=season, group=groups[code], position=n) for n, code in enumerate(plan["groups"], start=1)]
    )
    SeasonHabitat.objects.bulk_create(
        [SeasonHabitat(season=season, habitat=habitats[row["code"]], weight=row["weight"]) for row in plan["habitats"]]
    )
    Window.objects.bulk_create(
        [
            Window(
                season=season,
                code=row["code"],
                name=row["name"],
                first_day=date.fromisoformat(row["first_day"]),
                last_day=date.fromisoformat(row["last_day"]),
            )
            for row in plan["windows"]
        ]
    )
