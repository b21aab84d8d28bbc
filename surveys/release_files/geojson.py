"""GeoJSON as RFC 7946 has it: outer rings against the clock, six decimals at most, a box, ids, and no ``crs``."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely.geometry import mapping, shape
from shapely.geometry.base import BaseGeometry

from surveys.release_files.facts import Facts, read_facts
from surveys.release_files.reading import read_table
from surveys.release_files.tables import REGIONS
from surveys.release_files.writing import write_text

#: A tenth of a metre; RFC 7946, section 11.2, warns of more.
DECIMALS = 6


def write_regions_geojson(folder: Path) -> None:
    """Write ``regions.geojson``: each region of ``regions.csv`` once, with its name and its newest season.

    A region whose boundary is not among the facts stands there without a place (RFC 7946, section 3.2).
    """
    facts = read_facts(folder)
    rows = sorted(read_table(folder, REGIONS).to_pylist(), key=lambda row: _age(row, facts), reverse=True)
    regions: dict[str, dict[str, Any]] = {}
    for row in rows:
        regions.setdefault(row["region"], {name: row[name] for name in ("region", "name", "season")})
    write_features(
        folder / "regions.geojson",
        [feature(code, _boundary(facts, code), regions[code]) for code in sorted(regions)],
    )


def _age(row: Mapping[str, Any], facts: Facts) -> tuple[bool, str]:
    return row["season"] == facts.season, row["season"]


def _boundary(facts: Facts, region: str) -> BaseGeometry | None:
    found = facts.boundaries.get(region)
    return None if found is None else shape(found)


def feature(identifier: str, place: BaseGeometry | None, properties: Mapping[str, Any]) -> dict[str, Any]:
    """Return one feature with its id; the right-hand rule holds for its rings (RFC 7946, section 3.1.6)."""
    geometry = None if place is None else mapping(right_handed(place))
    return {"type": "Feature", "id": identifier, "geometry": geometry, "properties": dict(properties)}


def right_handed(place: BaseGeometry) -> BaseGeometry:
    """Return a place with six decimals, its outer rings against the clock and its holes with it."""
    rounded = shapely.transform(shapely.force_2d(place), lambda points: np.round(points, DECIMALS))
    return shapely.orient_polygons(rounded, exterior_cw=False)


def write_features(path: Path, features: Sequence[Mapping[str, Any]]) -> None:
    """Write features as one collection, a line for each, with its bounding box west, south, east, north.

    The box is left out where no feature has a place.
    """
    places = [shape(one["geometry"]) for one in features if one["geometry"] is not None]
    box = f'"bbox": {_json([float(edge) for edge in shapely.total_bounds(places)])},\n' if places else ""
    lines = ",\n".join(_json(one) for one in features)
    write_text(path, f'{{"type": "FeatureCollection",\n{box}"features": [\n{lines}\n]}}')


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)
