"""What features lie on: opened seasons, their regions, windows and groups, with outlines and times."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from time import time as time_now
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from django.db.models import Prefetch
from shapely.geometry import mapping, shape
from shapely.geometry.base import BaseGeometry

from surveys.methods.geography import CELL_DEG
from surveys.models import Group, Region, Season, Window
from surveys.queries.seasons import seasons
from surveys.release_files.geojson import right_handed

#: Detail of an outline that is finer than this is left out: a hundredth of the side of a grid cell, about 100 m.
FINEST_DEG = CELL_DEG / 100


class Stretch(NamedTuple):
    """From one instant up to another one, which does not belong to it."""

    first: datetime
    end: datetime


class ListedSeason(NamedTuple):
    """An opened season."""

    pk: int
    code: str
    licence: str
    invented: bool
    stretch: Stretch


class ListedWindow(NamedTuple):
    """A survey window of an opened season."""

    pk: int
    season: int
    code: str
    name: str
    first_day: date
    last_day: date
    stretch: Stretch


class ListedGroup(NamedTuple):
    """An animal group."""

    pk: int
    code: str
    name: str


@dataclass(frozen=True, slots=True)
class Place:
    """A shape, and the same as a GeoJSON geometry."""

    shape: BaseGeometry
    geometry: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class ListedRegion:
    """A region of opened seasons, oldest first: its boundary as it is, and an outline with less detail."""

    pk: int
    code: str
    name: str
    boundary: Place
    outline: Place
    seasons: tuple[ListedSeason, ...]


@dataclass(frozen=True, slots=True)
class Ground:
    """All of it, by primary key. ``mark`` changes when any of it does."""

    seasons: Mapping[int, ListedSeason]
    regions: Mapping[int, ListedRegion]
    windows: Mapping[int, ListedWindow]
    groups: Mapping[int, ListedGroup]
    mark: str


def ground() -> Ground:
    """Return what features lie on: opening has frozen it.

    One query; at most once a minute four more; and once in each process one for each region.
    """
    opened = tuple(seasons().order_by("pk"))
    return _ground(opened, tuple(one.state for one in opened), int(time_now() // 60))


@lru_cache(maxsize=4)
def _ground(opened: tuple[Season, ...], states: tuple[str, ...], minute: int) -> Ground:
    listed = {one.pk: _season(one) for one in opened}
    zones = {one.pk: ZoneInfo(one.time_zone) for one in opened}
    regions = {row.pk: _region(row, listed) for row in _regions(opened)}
    windows = {
        row.pk: _window(row, zones[row.season_id]) for row in Window.objects.filter(season__in=opened).order_by("pk")
    }
    groups = {row.pk: ListedGroup(row.pk, row.code, row.name) for row in Group.objects.order_by("pk")}
    named = [(one.pk, one.code, one.name) for one in regions.values()]
    told = json.dumps([list(listed.values()), named, list(windows.values()), list(groups.values())], default=str)
    return Ground(listed, regions, windows, groups, hashlib.sha256(told.encode()).hexdigest()[:32])


def _regions(opened: tuple[Season, ...]) -> list[Region]:
    # A boundary may have thousands of corners: it is not read here, and nothing is sorted by it.
    theirs = Season.regions.through.objects.filter(season__in=opened).values("region_id")
    found = Region.objects.filter(pk__in=theirs).defer("boundary").order_by("pk")
    return list(found.prefetch_related(Prefetch("season_set", Season.objects.only("pk"))))


def _season(row: Season) -> ListedSeason:
    stretch = _stretch(row.opens_on, row.closes_on, ZoneInfo(row.time_zone))
    return ListedSeason(row.pk, row.code, str(row.licence), row.invented, stretch)


def _window(row: Window, zone: ZoneInfo) -> ListedWindow:
    stretch = _stretch(row.first_day, row.last_day, zone)
    return ListedWindow(row.pk, row.season_id, row.code, row.name, row.first_day, row.last_day, stretch)


def _stretch(first_day: date, last_day: date, zone: ZoneInfo) -> Stretch:
    """Return the days as instants: local days, from the first midnight to the one after the last."""
    return Stretch(
        datetime.combine(first_day, time.min, zone), datetime.combine(last_day + timedelta(days=1), time.min, zone)
    )


def _region(row: Region, listed: Mapping[int, ListedSeason]) -> ListedRegion:
    theirs = sorted((listed[one.pk] for one in row.season_set.all() if one.pk in listed), key=lambda one: one.stretch)
    boundary, outline = _places(row.pk)
    return ListedRegion(row.pk, row.code, row.name, boundary, outline, tuple(theirs))


@lru_cache(maxsize=1024)
def _places(region: int) -> tuple[Place, Place]:
    """Return boundary and outline of a region of an opened season: they never change. One query."""
    boundary = shape(Region.objects.values_list("boundary", flat=True).get(pk=region))
    return _place(boundary), _place(boundary.simplify(FINEST_DEG, preserve_topology=True))


def _place(found: BaseGeometry) -> Place:
    turned = right_handed(found)
    return Place(turned, mapping(turned))
