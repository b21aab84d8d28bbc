"""Reading a GeoJSON file of regions: what it is made of. Reference: RFC 7946, sections named beside each check.

A file may come from anywhere: it is read under limits, and whatever is not asked for is let go.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

from surveys.plans.records import PlanFault, _, code_from, has_unseen_signs
from surveys.vocabulary import PlanSection

#: One file. Own choice: a county's parishes at 10 m take under 2 MB.
MOST_BYTES = 5 * 1024 * 1024
#: Points and regions in all; more cannot be seen on a map, and take long to compare. Own choice.
MOST_POINTS = 120_000
MOST_REGIONS = 100
#: So many faults are told at once.
MOST_TOLD = 20
_WIDEST_NAME = 80
#: Names that the coordinate system of RFC 7946 goes by in the older "crs" member (section 4).
_WGS84_NAMES = ("CRS84", "EPSG::4326", "EPSG:4326")

Position = list[float]


@dataclass
class BoundariesRead:
    """What was read: regions as a FeatureCollection with code and name alone, or what kept it from being read."""

    features: list[dict[str, Any]] = field(default_factory=list)
    faults: list[PlanFault] = field(default_factory=list)
    points: int = 0

    @property
    def collection(self) -> dict[str, Any]:
        """The regions as a FeatureCollection."""
        return {"type": "FeatureCollection", "features": self.features}

    def tell(self, code: str, text: str, **values: str | int) -> None:
        """Write a fault down, unless there are many already."""
        if len(self.faults) < MOST_TOLD:
            self.faults.append(PlanFault(PlanSection.REGIONS, code, text, values, target="file"))


class _Odd(ValueError):
    """Something in the file is not as RFC 7946 has it."""

    def __init__(self, code: str, text: str, **values: str | int) -> None:
        super().__init__(text)
        self.code, self.text, self.values = code, text, values


def read_boundaries(content: bytes) -> BoundariesRead:
    """Read a file; nothing of it is kept where a fault is found."""
    found = BoundariesRead()
    try:
        collection = _parsed(content)
        for number, feature in enumerate(_features_of(collection), start=1):
            _take_feature(found, number, feature)
            if found.points > MOST_POINTS:
                raise _Odd(
                    "too_many_points",
                    _(
                        "The file holds more than {most} points. Make the lines simpler, to about 10 metres, "
                        "and send it again."
                    ),
                    most=MOST_POINTS,
                )
    except _Odd as odd:
        found.tell(odd.code, odd.text, **odd.values)
    if found.faults:
        found.features = []
    return found


def _parsed(content: bytes) -> Any:
    """Return the JSON in the bytes. RFC 8259 knows no NaN and no Infinity."""
    if len(content) > MOST_BYTES:
        raise _Odd(
            "too_big", _("The file is bigger than 5 MB. Make the lines simpler, to about 10 metres, and send it again.")
        )
    if not content.strip():
        raise _Odd("empty", _("There is nothing in it. Choose the GeoJSON file of your regions, or paste its text."))
    try:
        return json.loads(content.decode("utf-8-sig"), parse_constant=_refuse_constant)
    except UnicodeDecodeError:
        raise _Odd(
            "not_text",
            _("This is not a text in UTF-8, so it is no GeoJSON file. In the map program, export as GeoJSON."),
        ) from None
    except json.JSONDecodeError as fault:
        text = _(
            "This is not JSON: it stops making sense in line {line}, sign {sign}. In the map "
            "program, export as GeoJSON."
        )
        raise _Odd("not_json", text, line=fault.lineno, sign=fault.colno) from None
    except (RecursionError, ValueError):
        raise _Odd(
            "not_json",
            _("There are numbers or brackets in it that no map program writes. In the map program, export as GeoJSON."),
        ) from None


def _refuse_constant(name: str) -> float:
    raise ValueError(name)


def _features_of(collection: Any) -> Sequence[Any]:
    """Return the features. Sections 3.3 (FeatureCollection) and 4 (no other coordinate system)."""
    found = collection.get("type") if isinstance(collection, dict) else None
    if found != "FeatureCollection":
        text = _("It is of the type {found}. Expected is a FeatureCollection with one Feature for each region.")
        raise _Odd("not_a_collection", text, found=_shown(found))
    _refuse_other_systems(collection)
    features = collection.get("features")
    if not isinstance(features, list) or not features:
        raise _Odd(
            "no_features", _("It holds no region. Expected is a list of features with one Feature for each region.")
        )
    if len(features) > MOST_REGIONS:
        text = _("It holds {found} regions, and at most {most} fit. Join small ones.")
        raise _Odd("too_many_regions", text, found=len(features), most=MOST_REGIONS)
    return features


def _refuse_other_systems(collection: dict[str, Any]) -> None:
    system = collection.get("crs")
    named = json.dumps(system)[:200] if system else ""
    if named and not named.rstrip('"}').endswith(_WGS84_NAMES):
        text = _(
            "It says that it uses another coordinate system: {found}. GeoJSON is in WGS84 "
            "degrees. Export it as WGS84 (EPSG:4326)."
        )
        raise _Odd("other_system", text, found=named[:80])


def _take_feature(found: BoundariesRead, number: int, feature: Any) -> None:
    """Read one region; write its fault down and go on with the next."""
    name = ""
    try:
        if not isinstance(feature, dict) or feature.get("type") != "Feature":
            raise _Odd(
                "not_a_feature", _("Entry {number} of the file is no Feature. Expected is one Feature for each region.")
            )
        properties = feature.get("properties")
        properties = properties if isinstance(properties, dict) else {}
        name, code = _tidy(properties.get("name")), _tidy(properties.get("code"))
        geometry = _geometry_of(found, feature.get("geometry"))
    except _Odd as odd:
        found.tell(odd.code, odd.text, number=f"{number} ({name})" if name else str(number), **odd.values)
        return
    row = {"type": "Feature", "properties": {"code": code, "name": name}, "geometry": geometry}
    found.features.append(row)


def _tidy(value: Any) -> str:
    """Return a code or name as one short line of signs that can be seen."""
    text = str(value) if isinstance(value, str | int) and not isinstance(value, bool) else ""
    line = " ".join("".join(" " if has_unseen_signs(sign) or sign.isspace() else sign for sign in text[:400]).split())
    return line[:_WIDEST_NAME]


def _geometry_of(found: BoundariesRead, geometry: Any) -> dict[str, Any]:
    """Return a boundary: Polygon (3.1.6) or MultiPolygon (3.1.7), rings turned by the right-hand rule."""
    if not isinstance(geometry, dict):
        raise _Odd("no_geometry", _("Region {number} has no boundary. Draw it, or take it out."))
    kind, coordinates = geometry.get("type"), geometry.get("coordinates")
    if kind not in ("Polygon", "MultiPolygon"):
        text = _("Region {number} is a {found}. Expected is a Polygon or a MultiPolygon.")
        raise _Odd("not_a_polygon", text, found=_shown(kind))
    polygons = [coordinates] if kind == "Polygon" else coordinates
    if not isinstance(polygons, list) or not polygons:
        raise _Odd("no_geometry", _("Region {number} has no boundary. Draw it, or take it out."))
    read = [_polygon(found, polygon) for polygon in polygons]
    return {"type": kind, "coordinates": read[0] if kind == "Polygon" else read}


def _polygon(found: BoundariesRead, rings: Any) -> list[list[Position]]:
    if not isinstance(rings, list) or not rings:
        raise _Odd("no_geometry", _("Region {number} has no boundary. Draw it, or take it out."))
    read = [_ring(found, ring) for ring in rings]
    _refuse_wide(read[0])
    return [_turned(ring, outer=place == 0) for place, ring in enumerate(read)]


def _ring(found: BoundariesRead, ring: Any) -> list[Position]:
    """Return a linear ring: four positions or more, the last one equal to the first (3.1.6)."""
    if not isinstance(ring, list) or len(ring) < 4:
        raise _Odd(
            "ring_too_short",
            _(
                "Region {number} has a ring of {found} points. A closed ring has four or more, the "
                "first of them once more at its end."
            ),
            found=len(ring) if isinstance(ring, list) else 0,
        )
    found.points += len(ring)
    if found.points > MOST_POINTS:
        return [[0.0, 0.0]]  # too many in all: said once, for the whole file
    read = [_position(position) for position in ring]
    if read[0] != read[-1]:
        text = _(
            "Region {number} has a ring that is not closed: it begins at {first} and ends at "
            "{last}. The last point must equal the first."
        )
        raise _Odd("ring_not_closed", text, first=_pair(read[0]), last=_pair(read[-1]))
    return read


def _position(position: Any) -> Position:
    """Return longitude and latitude in degrees; a height is let go (3.1.1)."""
    numbers = position[:2] if isinstance(position, list) else []
    if len(numbers) < 2 or not all(type(number) in (int, float) and math.isfinite(number) for number in numbers):
        raise _Odd(
            "not_a_point",
            _("Region {number} has a point that is no pair of numbers: {found}. Expected is [longitude, latitude]."),
            found=_shown(position),
        )
    longitude, latitude = numbers
    if abs(longitude) <= 180 and abs(latitude) <= 90:
        return [longitude, latitude]
    if max(abs(longitude), abs(latitude)) > 360:
        raise _Odd(
            "not_degrees",
            _(
                "Region {number} has the point {found}. These look like metres of a map grid. Export "
                "it as WGS84 (EPSG:4326), in degrees."
            ),
            found=_pair(numbers),
        )
    if abs(longitude) <= 90 and abs(latitude) <= 180:
        raise _Odd(
            "swapped",
            _(
                "Region {number} has the point {found}: its latitude is beyond 90. Longitude and "
                "latitude may be swapped. Longitude comes first."
            ),
            found=_pair(numbers),
        )
    raise _Odd(
        "not_on_earth",
        _("Region {number} has the point {found}. Longitude runs from -180 to 180, latitude from -90 to 90."),
        found=_pair(numbers),
    )


def _refuse_wide(ring: list[Position]) -> None:
    """Refuse a ring that leaps over the antimeridian. Section 3.1.9: it is cut there, into a MultiPolygon."""
    longitudes = [position[0] for position in ring]
    if max(longitudes) - min(longitudes) > 180:
        raise _Odd(
            "antimeridian",
            _(
                "Region {number} reaches over the 180th meridian, or around half the Earth. Cut it "
                "at 180 degrees into the parts of a MultiPolygon."
            ),
        )


def _turned(ring: list[Position], *, outer: bool) -> list[Position]:
    """Return the ring by the right-hand rule: an outer ring runs against the clock, a hole with it (3.1.6)."""
    against_the_clock = math.fsum(a[0] * b[1] - b[0] * a[1] for a, b in pairwise(ring)) > 0
    return ring if against_the_clock == outer else ring[::-1]


def _pair(numbers: Sequence[float]) -> str:
    return f"[{numbers[0]:g}, {numbers[1]:g}]" if all(abs(one) < 1e15 for one in numbers) else "[?, ?]"


def _shown(value: Any) -> str:
    """Return a foreign value, short, to be quoted in a sentence."""
    return _tidy(value)[:40] or (type(value).__name__ if value is not None else "-")


def with_codes(features: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the regions with a code made from the name where none came with them."""
    taken = {feature["properties"]["code"] for feature in features} - {""}
    for feature in features:
        own = feature["properties"]
        if not own["code"] and own["name"]:
            own["code"] = code_from(own["name"], otherwise="region", taken=frozenset(taken))
            taken.add(own["code"])
    return list(features)
