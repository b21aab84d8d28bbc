"""Setting a season up from its description, opening it, and closing it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from django.db import connection, transaction
from django.utils.translation import gettext

from surveys.errors import Conflict, NotAllowed, NotFound
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
from surveys.permissions import may_plan_seasons
from surveys.plans.shapes import same_shape
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
        season = put_together(plan=plan, boundaries=boundaries)
        write_event(by=by, verb="season opened", subject=season, details=counted(season))
    return season


def put_together(*, plan: Mapping[str, Any], boundaries: Mapping[str, Any]) -> Season:
    """Store a season with its regions and lists, inside a transaction that is open, and open it as the last step.

    It comes as a draft first: once it is open, the database lets nothing be added. Counts that come in from now on
    have a part of their table for themselves (migration 0021); while it is made, returns wait to be stored.
    """
    if Season.objects.filter(code=plan["code"]).exists():
        raise Conflict(
            gettext("There is a season with the code {code} already.").format(code=plan["code"]), code="season_exists"
        )
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
        welcome=plan.get("welcome", ""),
        tray_photos=plan.get("tray_photos", False),
        invented=plan.get("invented", False),
        state=SeasonState.DRAFT,
    )
    season.regions.set(regions)
    _fill_lists(season, plan)
    season.state = SeasonState.OPEN
    season.save(update_fields=["state"])
    with connection.cursor() as cursor:
        cursor.execute("SELECT begin_counts_of_a_season()")
    return season


def counted(season: Season) -> dict[str, int]:
    """Return how long a season's lists are. Four queries."""
    return {
        "regions": season.regions.count(),
        "groups": season.groups.count(),
        "habitats": season.habitats.count(),
        "windows": season.windows.count(),
    }


def close_season(*, by: Account, code: str) -> Season:
    """Close an open season: no return is taken in any more. A second asking changes nothing."""
    if not may_plan_seasons(by):
        raise NotAllowed(gettext("Only a coordinator of all regions may close a season."))
    with transaction.atomic(durable=True):
        season = (
            Season.objects.select_for_update(no_key=True).filter(code=code).exclude(state=SeasonState.DRAFT).first()
        )
        if season is None:
            raise NotFound(gettext("There is no season with this code."))
        if season.state == SeasonState.CLOSED:
            return season
        season.state = SeasonState.CLOSED
        season.save(update_fields=["state"])
        write_event(by=by, verb="season closed", subject=season, details={"code": season.code})
    return season


def _region(feature: Mapping[str, Any], position: int) -> Region:
    """Return the region of a feature: a new one, or the one there is, whose boundary stays as it is."""
    own, boundary = feature["properties"], feature["geometry"]
    region = Region.objects.filter(code=own["code"]).first()
    if region is None:
        return Region.objects.create(code=own["code"], name=own["name"], boundary=boundary, position=position)
    if not region.season_set.exclude(state=SeasonState.DRAFT).exists():
        region.boundary, region.position = boundary, position
    elif not same_shape(region.boundary, boundary):
        words = gettext(
            "The region {code} is in use with another boundary. A change is a new version: give it a new code such as "
            "{code}-2."
        )
        raise Conflict(words.format(code=region.code), code="boundary_changed")
    region.name = own["name"]
    # Not its code, though that stays: a return that is being stored there would wait for us, and we for its event.
    region.save(update_fields=["name", "boundary", "position"])
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
