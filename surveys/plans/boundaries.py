"""What is still to do about a plan's regions: codes and names, shapes, and regions that earlier seasons use."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from surveys.plans.records import Known, PlanDraft, PlanFault, _
from surveys.plans.shapes import faults_of_shapes, looks_swapped, same_shape
from surveys.vocabulary import PlanSection

CODE = re.compile(r"^[a-z0-9]+(?:-[a-z0-9]+)*$")
LONGEST_CODE, LONGEST_NAME = 40, 80


def regions_of_draft(draft: PlanDraft) -> list[Mapping[str, Any]]:
    """Return the features of a draft, none before a file was sent."""
    features = draft.boundaries.get("features", ())
    return list(features)


def faults_of_regions(draft: PlanDraft, known: Known) -> Iterator[PlanFault]:
    """Yield what is still to do about the regions."""
    features = regions_of_draft(draft)
    if not features:
        yield _fault("no_regions", _("There are no regions yet. Send the GeoJSON file of their boundaries."), "file")
        return
    yield from _faults_of_names(features)
    yield from faults_of_shapes(named_shapes(features))
    yield from _faults_of_known(features, known)


def named_shapes(features: Sequence[Mapping[str, Any]]) -> list[tuple[str, Mapping[str, Any]]]:
    """Return each region's boundary under the name by which it is spoken of."""
    return [(_name_of(n, feature), feature["geometry"]) for n, feature in enumerate(features, start=1)]


def _name_of(number: int, feature: Mapping[str, Any]) -> str:
    own = feature["properties"]
    return str(own.get("name") or own.get("code") or number)


def _faults_of_names(features: Sequence[Mapping[str, Any]]) -> Iterator[PlanFault]:
    codes = Counter(feature["properties"].get("code") for feature in features)
    names = Counter(str(feature["properties"].get("name")).casefold() for feature in features)
    for n, feature in enumerate(features, start=1):
        code, name = (str(feature["properties"].get(key) or "") for key in ("code", "name"))
        if not name:
            yield _fault(
                "name_missing",
                _("Region {number} has no name. Write it beside its code."),
                f"region-{n}-name",
                number=n,
            )
        elif len(name) > LONGEST_NAME:
            yield _fault(
                "name_too_long",
                _("The name of region {number} has {found} signs. At most {most} fit."),
                f"region-{n}-name",
                number=n,
                found=len(name),
                most=LONGEST_NAME,
            )
        elif names[name.casefold()] > 1:
            yield _fault(
                "name_twice",
                _("More than one region has the name {name}. Give each its own."),
                f"region-{n}-name",
                name=name,
            )
        if not code:
            yield _fault(
                "code_missing",
                _("Region {number} has no code. Write a short one, such as cawder."),
                f"region-{n}-code",
                number=n,
            )
        elif not CODE.match(code) or len(code) > LONGEST_CODE:
            yield _fault(
                "code_odd",
                _(
                    "The code {code} cannot be used. Use small letters, digits and hyphens, at most 40, "
                    "such as cawder-2."
                ),
                f"region-{n}-code",
                code=code,
            )
        elif codes[code] > 1:
            yield _fault(
                "code_twice",
                _("More than one region has the code {code}. Give each its own."),
                f"region-{n}-code",
                code=code,
            )


def _faults_of_known(features: Sequence[Mapping[str, Any]], known: Known) -> Iterator[PlanFault]:
    """Yield regions that a season uses with another boundary, and coordinates that may be swapped."""
    for n, feature in enumerate(features, start=1):
        code = feature["properties"].get("code")
        before = known.regions.get(str(code))
        if before is not None and not same_shape(before, feature["geometry"]):
            text = _(
                "The region {code} is in use with another boundary. A change is a new version: give "
                "it a new code such as {fresh}."
            )
            yield _fault(
                "boundary_changed", text, f"region-{n}-code", code=str(code), fresh=_next_code(str(code), known)
            )
    if looks_swapped([feature["geometry"] for feature in features], list(known.regions.values())):
        text = _(
            "These regions lie far from all others so far, but near them with longitude and "
            "latitude swapped. Longitude comes first. If they are right as they are, leave it."
        )
        yield _fault("swapped", text, "file", blocks=False)


def _next_code(code: str, known: Known) -> str:
    stem = re.sub(r"-\d+$", "", code)
    return next(fresh for n in range(2, 1000) if (fresh := f"{stem}-{n}") not in known.regions)


def _fault(code: str, text: str, target: str, /, *, blocks: bool = True, **values: str | int) -> PlanFault:
    return PlanFault(PlanSection.REGIONS, code, text, values, target=target, blocks=blocks)
