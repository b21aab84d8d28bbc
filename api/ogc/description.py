"""The OpenAPI 3.0 description of the open collections, made from the list of them."""

from __future__ import annotations

from typing import Any

from api.errors import MEDIA_TYPE
from api.ogc.asked import HIGHEST_LIMIT, USUAL_LIMIT
from api.ogc.base import GEOJSON, JSON
from api.ogc.collections import COLLECTIONS, Collection

_NUMBERS = {"type": "array", "minItems": 4, "maxItems": 6, "items": {"type": "number"}}
_COMMON: tuple[dict[str, Any], ...] = (
    {
        "name": "limit",
        "description": "Features on a page. More than the highest number count as the highest.",
        "schema": {"type": "integer", "minimum": 1, "maximum": HIGHEST_LIMIT, "default": USUAL_LIMIT},
    },
    {
        "name": "bbox",
        "description": "Features that touch this box: west,south,east,north in degrees (WGS 84), or six numbers with "
        "heights. A western edge beyond the eastern one means across the 180th meridian.",
        "schema": _NUMBERS,
    },
    {
        "name": "datetime",
        "description": "Features whose time touches this instant, day or interval (RFC 3339); .. for an open end.",
        "schema": {"type": "string"},
    },
    {"name": "after", "description": "Stands in the link to the next page.", "schema": {"type": "string"}},
)

_REFUSALS = {
    "400": "A parameter fits nothing",
    "404": "There is nothing here",
    "429": "Too many requests",
    "503": "The service is not ready",
}


def described(home: str) -> dict[str, Any]:
    """Return the description of the addresses below ``home``."""
    paths = {
        "/": _reading("landing", "The front door", JSON),
        "/conformance": _reading("conformance", "What these addresses keep to", JSON),
        "/collections": _reading("collections", "All collections", JSON),
    }
    for one in COLLECTIONS:
        own, name = f"/collections/{one.id}", one.id.replace("-", "_")
        paths[own] = _reading(name, one.title, JSON)
        paths[f"{own}/items"] = _reading(f"{name}_items", f"{one.title}: features", GEOJSON, _parameters(one))
        fid = {"name": "fid", "in": "path", "required": True, "schema": {"type": "string"}}
        paths[f"{own}/items/{{fid}}"] = _reading(f"{name}_item", f"{one.title}: one feature", GEOJSON, [fid])
    return {
        "openapi": "3.0.3",
        "info": {
            "title": "Trapnight: open collections",
            "version": "1.0.0",
            "description": "OGC API - Features, Part 1: Core, version 1.0.1. Read only.",
        },
        "servers": [{"url": home}],
        "paths": paths,
    }


def _parameters(one: Collection) -> list[dict[str, Any]]:
    own = [{"name": name, "description": told, "schema": {"type": "string"}} for name, told in one.codes.items()]
    form = {"in": "query", "required": False, "style": "form", "explode": False}
    return [{**form, **parameter} for parameter in (*_COMMON, *own)]


def _reading(
    name: str, summary: str, form: str, parameters: list[dict[str, Any]] | None = None
) -> dict[str, dict[str, Any]]:
    answers = {"200": {"description": summary, "content": {form: {"schema": {"type": "object"}}}}}
    for status, told in _REFUSALS.items():
        answers[status] = {"description": told, "content": {MEDIA_TYPE: {"schema": {"type": "object"}}}}
    operation: dict[str, Any] = {"operationId": name, "summary": summary, "responses": answers}
    if parameters:
        operation["parameters"] = parameters
    return {"get": operation}
