"""What is wrong with a set of boundaries as shapes: crossed lines, overlaps, gaps between them, another place on Earth.

Validity is that of OGC Simple Features, as shapely (GEOS) finds it. Slivers under a hectare are left alone: a
garden in one belongs to the first of its regions (:func:`surveys.methods.geography.region_holds`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from json import dumps, loads
from typing import Any

import shapely
from shapely.geometry import MultiPolygon, Polygon, shape
from shapely.geometry.base import BaseGeometry
from shapely.strtree import STRtree

from surveys.plans.areas import area_km2
from surveys.plans.records import PlanFault, _
from surveys.plans.tangles import tangles_in
from surveys.vocabulary import PlanSection

#: One hectare. Own choice: wider than the width of a pencil line on a county map, smaller than a large garden.
SLIVER_KM2 = 0.01
#: So many overlaps and gaps are told at once; mending them brings the next to light.
MOST_TOLD = 20
#: Swapped coordinates are only spoken of when the place is this far from every region known so far.
FAR_DEG = 20.0

_REASON = re.compile(r"^(?P<what>[^\[]+)\[(?P<x>\S+) (?P<y>\S+)\]$")

#: The reasons of GEOS (operation/valid/TopologyValidationError) in our words.
REASONS: dict[str, str] = {
    "Self-intersection": _("its line crosses itself"),
    "Ring Self-intersection": _("its line touches itself"),
    "Hole lies outside shell": _("a hole lies outside of it"),
    "Holes are nested": _("a hole lies inside another hole"),
    "Interior is disconnected": _("its holes cut it in two"),
    "Nested shells": _("one of its parts lies inside another one"),
    "Duplicate Rings": _("the same ring stands in it twice"),
    "Too few points in geometry component": _("it has too few different points"),
    "Invalid Coordinate": _("it holds a point that is no point"),
}


@dataclass(frozen=True, slots=True)
class Shape:
    """One region as a shape, under the name by which it is spoken of."""

    name: str
    place: BaseGeometry


def shape_of(name: str, geometry: Mapping[str, Any]) -> Shape:
    """Return a GeoJSON geometry as a shape."""
    return Shape(name, shape(geometry))


def faults_of_shapes(named: Sequence[tuple[str, Mapping[str, Any]]]) -> tuple[PlanFault, ...]:
    """Return what is wrong with ``(name, GeoJSON geometry)`` pairs: validity first, then overlaps, then gaps."""
    return _faults_of(tuple((name, dumps(geometry, sort_keys=True)) for name, geometry in named))


@lru_cache(maxsize=16)
def _faults_of(named: tuple[tuple[str, str], ...]) -> tuple[PlanFault, ...]:
    # The page of a plan is looked at far more often than its boundaries change: what was found is kept.
    shapes = [Shape(name, shape(loads(text))) for name, text in named]
    tangled = tangles_in([one.place for one in shapes])
    if tangled:
        return tuple(_fault_of_tangle(shapes[n]) for n in sorted(tangled))
    crossed = tuple(fault for one in shapes if (fault := _fault_of_validity(one)))
    sound = [one for one in shapes if one.place.is_valid and not one.place.is_empty]
    return (*crossed, *_overlaps(sound), *_gaps(sound))


def _fault_of_tangle(one: Shape) -> PlanFault:
    text = _(
        "The lines of {name} cross so often that they cannot be compared. Are its points in their order? Mend it in "
        "the map program and send it again."
    )
    return _fault("tangled", text, {"name": one.name})


def _fault_of_validity(one: Shape) -> PlanFault | None:
    if one.place.is_valid and not one.place.is_empty:
        return None
    found = _REASON.match(shapely.is_valid_reason(one.place))
    what = REASONS.get(found["what"], _("its shape is not sound")) if found else _("its shape is not sound")
    where = place_in_words(float(found["x"]), float(found["y"])) if found else "?"
    text = _("The boundary of {name} cannot be used: {what}, at {where}. Mend it in the map program and send it again.")
    return _fault("not_valid", text, {"name": one.name, "where": where}, words={"what": what})


def _overlaps(shapes: Sequence[Shape]) -> Iterator[PlanFault]:
    """Yield each pair of regions that share ground."""
    told = 0
    text = _(
        "{first} and {second} overlap: {area} square kilometres belong to both, around {where}. "
        "Each place belongs to one region. Take the shared part out of one of them."
    )
    for left, right in _pairs(shapes):
        shared = _flat(shapely.intersection(left.place, right.place))
        area = area_km2(shared)
        if area >= SLIVER_KM2:
            yield _fault("overlap", text, {"first": left.name, "second": right.name, **_measured(area, shared)})
            told += 1
        if told == MOST_TOLD:
            return


def _pairs(shapes: Sequence[Shape]) -> Iterator[tuple[Shape, Shape]]:
    places = [one.place for one in shapes]
    if places:
        first, second = STRtree(places).query(places, predicate="intersects")
        yield from ((shapes[a], shapes[b]) for a, b in sorted(zip(first, second, strict=True)) if a < b)


def _gaps(shapes: Sequence[Shape]) -> list[PlanFault]:
    """Return each hole that two or more regions enclose; a hole inside one region alone is its own affair."""
    if len(shapes) < 2:
        return []
    tree = STRtree([one.place for one in shapes])
    text = _(
        "Between {names} lies a gap of {area} square kilometres, around {where}. A garden there belongs to no region. "
        "Fill it, or leave it if nobody lives there, as on a lake."
    )
    found = []
    for hole in _holes(shapely.union_all([one.place for one in shapes])):
        around = sorted(int(n) for n in tree.query(hole, predicate="intersects"))
        area = area_km2(hole)
        if len(around) > 1 and area >= SLIVER_KM2:
            names = ", ".join(shapes[n].name for n in around)
            found.append(_fault("gap", text, {"names": names, **_measured(area, hole)}, blocks=False))
    return found[:MOST_TOLD]


def _holes(whole: BaseGeometry) -> Iterator[Polygon]:
    for part in polygons_of(whole):
        yield from (Polygon(ring) for ring in part.interiors)


def polygons_of(place: BaseGeometry) -> list[Polygon]:
    """Return the polygons of a geometry; lines and points are left out."""
    if isinstance(place, Polygon):
        return [place]
    parts = getattr(place, "geoms", ())
    return [polygon for part in parts for polygon in polygons_of(part)]


def _flat(place: BaseGeometry) -> BaseGeometry:
    """Return what of an intersection has an area."""
    return MultiPolygon([one for one in polygons_of(place) if one.area > 0])


def _measured(area: float, place: BaseGeometry) -> dict[str, str]:
    inside = place.representative_point()
    return {"area": area_in_words(area), "where": place_in_words(inside.x, inside.y)}


def area_in_words(area: float) -> str:
    """Return an area in square kilometres with three digits that count."""
    return f"{area:,.0f}".replace(",", " ") if area >= 100 else f"{area:.3g}"


def place_in_words(longitude: float, latitude: float) -> str:
    """Return a place as latitude and longitude, to about ten metres."""
    north, east = "N" if latitude >= 0 else "S", "E" if longitude >= 0 else "W"
    return f"{abs(latitude):.4f}° {north}, {abs(longitude):.4f}° {east}"


def same_shape(first: Mapping[str, Any], second: Mapping[str, Any]) -> bool:
    """Say whether two boundaries are one: the same points, wherever a ring begins and whichever way it runs."""
    if first == second:
        return True
    left, right = shape(first), shape(second)
    return bool(left.normalize().equals_exact(right.normalize(), 0.0))


def looks_swapped(named: Sequence[Mapping[str, Any]], before: Sequence[Mapping[str, Any]]) -> bool:
    """Say whether longitude and latitude may be swapped: far from all regions before, and among them once turned."""
    if not named or not before:
        return False
    old = shapely.union_all([shapely.box(*shape(one).bounds) for one in before])
    new = shapely.box(*shapely.total_bounds([shape(one) for one in named]))
    west, south, east, north = new.bounds
    if west < -90 or east > 90:
        return False
    turned = shapely.box(south, west, north, east)
    return bool(new.distance(old) > FAR_DEG and turned.distance(old) < FAR_DEG / 4)


def _fault(
    code: str, text: str, values: dict[str, str | int], *, blocks: bool = True, words: dict[str, str] | None = None
) -> PlanFault:
    return PlanFault(PlanSection.REGIONS, code, text, values, target="boundaries", blocks=blocks, words=words or {})
