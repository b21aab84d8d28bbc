"""Where the next ten gardens help most, as a list in words with the reason for each."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from surveys.methods.design_gardens import NextGarden, PlanCell, place_gardens
from surveys.methods.design_records import DesignComponents
from surveys.methods.disclosure import FEWEST_SITES
from surveys.methods.level_records import LevelSettings


@dataclass(frozen=True, slots=True)
class Place:
    """One line of the list: how many of the next gardens, where, and why."""

    gardens: str
    where: str
    why: str


def next_gardens(
    cells: Sequence[PlanCell], components: DesignComponents, *, regions: Mapping[str, str], habitats: Mapping[str, str]
) -> list[Place]:
    """Return where the next ten gardens help most, the first place first. No query.

    ``regions`` and ``habitats`` give names by code. Gardens of one place stand together, where the first of them is.
    """
    placed = place_gardens(cells, components, LevelSettings())
    together: dict[tuple[str, str], list[NextGarden]] = {}
    for one in placed:
        together.setdefault((one.region, one.habitat), []).append(one)
    opened = {one.region for one in placed if one.code == "opens_gate"}
    so_far = {(cell.region, cell.habitat): cell.sites for cell in cells}
    return [
        Place(
            gardens=ngettext("{n} garden", "{n} gardens", len(found)).format(n=len(found)),
            where=f"{regions[region]}, {habitats[habitat]}",
            why=f"{_so_far(so_far[region, habitat])} {_why(found, regions[region], opens=region in opened)}",
        )
        for (region, habitat), found in together.items()
    ]


def _so_far(gardens: int) -> str:
    if gardens == 0:
        return _("No garden has a trap in this kind of place yet.")
    if gardens < FEWEST_SITES:
        return _("Fewer than {n} gardens have a trap in this kind of place.").format(n=FEWEST_SITES)
    return _("{n} gardens have a trap in this kind of place.").format(n=gardens)


def _why(found: Sequence[NextGarden], region: str, *, opens: bool) -> str:
    if found[0].code != "narrows":
        if opens:
            return _("{region} shows no figure yet. With these gardens it can show one.").format(region=region)
        return _("{region} shows no figure yet, and these ten are not enough. They bring it nearer.").format(
            region=region
        )
    narrower = 1.0 - math.sqrt(math.prod(one.variance_after / one.variance_before for one in found))
    return _("They make the range of the figure of {region} about {percent} % narrower.").format(
        region=region, percent=max(1, round(100 * narrower))
    )
