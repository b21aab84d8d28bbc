"""A plan as its pages show it: what is still to do in words, values as they stand in boxes, regions as a map."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import shapely
from django.utils.translation import gettext
from shapely.geometry import MultiPolygon, mapping, shape

from surveys.plans.boundaries import named_shapes
from surveys.plans.records import SECTION_KEYS, PlanDraft, PlanFault
from surveys.plans.shapes import faults_of_shapes, polygons_of
from surveys.vocabulary import PlanSection
from surveys.web.maps import RegionMap, draw_regions
from surveys.web.shown import Shown
from surveys.web.words import say


@dataclass(frozen=True, slots=True)
class SectionShown:
    """One section on the page of a plan: its word, whether anything was saved in it, and what is still to do."""

    word: PlanSection
    begun: bool
    to_do: tuple[Shown, ...]
    to_look_at: tuple[Shown, ...]


def fault_in_words(fault: PlanFault) -> str:
    """Return a fault's sentence in the language of the page."""
    words = {key: say(text) for key, text in fault.words.items()}
    return gettext(fault.text).format(**fault.values, **words)


def faults_shown(faults: Iterable[PlanFault]) -> list[Shown]:
    """Return faults with the ids of their fields."""
    return [Shown(fault_in_words(fault), fault.target) for fault in faults]


def sections_shown(draft: PlanDraft, faults: Sequence[PlanFault]) -> list[SectionShown]:
    """Return every section with what is still to do in it."""
    return [
        SectionShown(
            section,
            is_begun(draft, section),
            tuple(faults_shown(one for one in faults if one.section == section and one.blocks)),
            tuple(faults_shown(one for one in faults if one.section == section and not one.blocks)),
        )
        for section in PlanSection
    ]


def is_begun(draft: PlanDraft, section: PlanSection) -> bool:
    """Say whether somebody has saved the section: before that, nobody is told what is missing in it."""
    if section == PlanSection.REGIONS:
        return bool(draft.boundaries.get("features"))
    if section == PlanSection.PROTOCOL and draft.limits:
        return True
    return section == PlanSection.TEXTS or SECTION_KEYS[section][0] in draft.plan


def number_in_box(value: Any, *, times: float = 1) -> str:
    """Return a number as it stands in a box; what could not be read stands there as it was typed."""
    if value is None or isinstance(value, bool):
        return ""
    return f"{value * times:.10g}" if isinstance(value, int | float) else str(value)


def map_of(features: Sequence[Mapping[str, Any]]) -> tuple[RegionMap | None, list[tuple[str, Any]]]:
    """Return the map of a plan's regions, and each region's name with its outline; none of tangled boundaries."""
    named = named_shapes(features)
    if any(fault.code == "tangled" for fault in faults_of_shapes(named)):
        return None, []
    drawn = [(name, sound) for name, geometry in named if (sound := _sound(geometry))]
    found = draw_regions([(str(n), geometry) for n, (_, geometry) in enumerate(_side_by_side(drawn))])
    return found, [(name, one) for (name, _), one in zip(drawn, found.outlines if found else (), strict=False)]


def _sound(geometry: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """Return a geometry that can be drawn, None where nothing of it has an area.

    Crossed lines are drawn as the hull around them: to sort them out may take minutes.
    """
    place = shape(geometry)
    parts = [part for part in polygons_of(place if place.is_valid else place.convex_hull) if part.area > 0]
    found: Mapping[str, Any] = mapping(MultiPolygon(parts))
    return found if parts else None


def _side_by_side(drawn: list[tuple[str, Any]]) -> list[tuple[str, Any]]:
    """Put what lies on both sides of the 180th meridian side by side."""
    if not drawn:
        return []
    west, _, east, _ = shapely.total_bounds([shape(geometry) for _, geometry in drawn])
    if east - west <= 180:
        return drawn
    return [(name, mapping(shapely.transform(shape(geometry), _from_zero))) for name, geometry in drawn]


def _from_zero(points: Any) -> Any:
    moved = points.copy()
    moved[:, 0] %= 360
    return moved
