"""A plan in which nothing is left to do, to be spoilt in one place at a time."""

from __future__ import annotations

from copy import deepcopy
from datetime import date
from typing import Any

from surveys.plans.checks import check_plan
from surveys.plans.records import Known, PlanDraft, PlanFault
from tests.factories import protocol, square

TODAY = date(2027, 1, 10)


def feature(code: str, name: str, geometry: dict[str, Any]) -> dict[str, Any]:
    """Return a region as a GeoJSON Feature."""
    return {"type": "Feature", "properties": {"code": code, "name": name}, "geometry": geometry}


def collection(*features: dict[str, Any]) -> dict[str, Any]:
    """Return regions as a GeoJSON FeatureCollection."""
    return {"type": "FeatureCollection", "features": list(features)}


def whole_plan() -> dict[str, Any]:
    """Return the mapping of a plan that can be opened."""
    return {
        "code": "merrow-2027", "title": "Merrow Night Count 2027", "organiser": "Merrow Field Office",
        "contact": "night-count@merrow-field-office.example", "opens_on": "2027-04-01", "closes_on": "2027-12-15",
        "time_zone": "Atlantic/Reykjavik", "licence": "CC-BY-4.0", "tray_photos": False, "review_budget": 0.05,
        "windows": [
            {"code": "spring", "name": "Spring", "first_day": "2027-04-18", "last_day": "2027-05-31"},
            {"code": "summer", "name": "Summer", "first_day": "2027-06-27", "last_day": "2027-08-09"},
        ],
        "groups": ["woodlice", "spiders"],
        "habitats": [{"code": "short_lawn", "weight": 0.6}, {"code": "hedge_base", "weight": 0.4}],
        "protocol": "1", "welcome": "Glad you are here.",
    }  # fmt: skip


def whole_boundaries() -> dict[str, Any]:
    """Return two square regions side by side."""
    return collection(
        feature("eastmark", "Eastmark", square(-18, 51)), feature("westmark", "Westmark", square(-19, 51))
    )


def known(**changes: Any) -> Known:
    """Return what a plan is held against: two groups, two habitats, one protocol version, no season yet."""
    fields: dict[str, Any] = {
        "today": TODAY,
        "groups": frozenset({"woodlice", "spiders", "ants"}),
        "habitats": frozenset({"short_lawn", "hedge_base", "other"}),
        "protocols": {"1": protocol()},
    }
    return Known(**fields | changes)


def new_limits(**changes: Any) -> dict[str, Any]:
    """Return protocol version 1 as the beginning of version 2, with the cup a little deeper."""
    limits = protocol() | {"based_on": "1", "version": "2", "agreed_on": "2027-01-05"} | changes
    limit(limits, "cup_depth")["bands"][2]["high"] = 160
    limit(limits, "cup_depth")["bands"][4]["low"] = 160
    return limits


def limit(limits: dict[str, Any], check: str) -> dict[str, Any]:
    """Return one check of a version."""
    return next(row for row in limits["checks"] if row["check"] == check)


def faults_of(
    *, boundaries: Any = None, limits: Any = None, beside: Known | None = None, **changes: Any
) -> list[PlanFault]:
    """Return what is still to do in a whole plan with some of its entries changed; None takes one out."""
    plan = {key: value for key, value in (deepcopy(whole_plan()) | changes).items() if value is not None}
    draft = PlanDraft(plan, whole_boundaries() if boundaries is None else boundaries, limits or {})
    return list(check_plan(draft, beside or known()))


def told(*faults: PlanFault) -> list[tuple[str, str, str]]:
    """Return section, code and field of faults."""
    return [(fault.section.value, fault.code, fault.target) for fault in faults]
