"""Where next: the chance to see a change with the gardens of now, and where the next ten gardens help most."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.utils.translation import gettext

from surveys.methods.design_records import MOST_BASE_SEASONS, MOST_NIGHTS
from surveys.permissions import Rule
from surveys.queries.figures import windows_with_figures
from surveys.queries.seasons import SeasonLists, current_season, lists_of
from surveys.queries.where_next import footing, plan_cells, regions_to_plan
from surveys.web.access import page
from surveys.web.moments import read_whole
from surveys.web.next_gardens import next_gardens
from surveys.web.power_shown import power_shown
from surveys.web.shown import Shown
from surveys.web.words import say

#: Losses that are offered, in percent.
LOSSES = (20, 30, 50)
#: Before anybody has sent anything: what the gate of the index counts with. METHODS.md, section 5.8.
USUAL_NIGHTS = 2


@dataclass(frozen=True, slots=True)
class Asked:
    """What is planned for: a group, a region, a window, a loss in percent, nights in each garden, base seasons."""

    group: Any
    region: Any
    window: Any
    loss: int
    nights: int
    base: int


@page(Rule.COORDINATOR)
def where_next(request: HttpRequest) -> HttpResponse:
    """Say how likely a change is to be seen, what it takes, and where the next gardens help most."""
    season = current_season()
    lists = lists_of(season) if season else None
    regions = regions_to_plan(request.user, lists) if lists else []
    if lists is None or not regions:
        return render(request, "desk/where_next.html", {"season": season, "regions": regions})
    faults: dict[str, str] = {}
    asked = _read(request.GET, lists, regions, faults)
    shown = {
        "season": season,
        "regions": regions,
        "typed": _typed(request.GET, asked),
        "choices": _choices(request.GET, asked, lists, regions),
        "most_nights": MOST_NIGHTS,
        "most_base": MOST_BASE_SEASONS,
        "faults": faults,
        "fault_list": [Shown(sentence, name) for name, sentence in faults.items()],
    }
    if not faults:
        shown |= _answers(asked, lists, regions)
    return render(request, "desk/where_next.html", shown, status=422 if faults else 200)


def _answers(asked: Asked, lists: SeasonLists, regions: Sequence[Any]) -> dict[str, Any]:
    """Return what the page answers. Six queries at most."""
    base = footing(lists.season, group=asked.group, region=asked.region, window=asked.window)
    cells = plan_cells(lists, group=asked.group, window=asked.window, regions=regions)
    names = {region.code: region.name for region in regions}
    labels = {habitat.code: say(habitat.label) for habitat in lists.habitats}
    return {
        "asked": asked,
        "group": say(asked.group.name),
        "power": power_shown(
            base, asked.region.name, losses=LOSSES, loss=asked.loss, nights=asked.nights, base_seasons=asked.base
        ),
        "gardens": next_gardens(cells, base.components, regions=names, habitats=labels),
    }


def _read(given: Mapping[str, str], lists: SeasonLists, regions: Sequence[Any], faults: dict[str, str]) -> Asked:
    """Read what was asked for; what was left out is chosen by us, and what cannot be read goes to ``faults``."""
    group = _listed("group", given, lists.groups, lists.groups[0], faults)
    region = _listed("region", given, regions, regions[0], faults)
    window = _listed("window", given, lists.windows, _latest_window(lists), faults)
    nights = _whole("nights", given, MOST_NIGHTS, faults)
    if nights is None:
        nights = _usual_nights(lists, group, region, window)
    loss = read_whole(given.get("loss", str(LOSSES[1])))
    if loss not in LOSSES:
        faults["loss"] = gettext("Choose one of the losses.")
    return Asked(
        group, region, window, loss or LOSSES[1], nights, _whole("base", given, MOST_BASE_SEASONS, faults) or 1
    )


def _latest_window(lists: SeasonLists) -> Any:
    known = windows_with_figures(lists.season)
    return next((window for window in reversed(lists.windows) if window.code in known), lists.windows[0])


def _usual_nights(lists: SeasonLists, group: Any, region: Any, window: Any) -> int:
    """Return how many nights a garden of the region has sent, rounded."""
    found = footing(lists.season, group=group, region=region, window=window)
    return min(max(round(found.site_nights / found.gardens), 1), MOST_NIGHTS) if found.gardens else USUAL_NIGHTS


def _listed(name: str, given: Mapping[str, str], listed: Sequence[Any], otherwise: Any, faults: dict[str, str]) -> Any:
    code = given.get(name)
    found = next((one for one in listed if one.code == code), None)
    if code is not None and found is None:
        faults[name] = gettext("This is not on the list. Choose one that is.")
    return found or otherwise


def _whole(name: str, given: Mapping[str, str], most: int, faults: dict[str, str]) -> int | None:
    typed = given.get(name)
    if typed is None:
        return None
    number = read_whole(typed)
    if number is None or not 1 <= number <= most:
        words = gettext("We read “%(typed)s”. Write a whole number from 1 to %(most)s.")
        faults[name] = words % {"typed": typed[:40], "most": most}
        return None
    return number


def _typed(given: Mapping[str, str], asked: Asked) -> dict[str, str]:
    """Return what stands in the boxes: what was typed, right or wrong."""
    return {name: given.get(name, str(getattr(asked, name))) for name in ("nights", "base")}


def _choices(
    given: Mapping[str, str], asked: Asked, lists: SeasonLists, regions: Sequence[Any]
) -> dict[str, list[tuple[str, str, bool]]]:
    return {
        "group": [(one.code, say(one.name), one == asked.group) for one in lists.groups],
        "region": [(one.code, one.name, one == asked.region) for one in regions],
        "window": [(one.code, say(one.name), one == asked.window) for one in lists.windows],
        "loss": [(str(one), str(one), str(one) == given.get("loss", str(asked.loss))) for one in LOSSES],
    }


urlpatterns = [path("desk/where-next/", where_next, name="where-next")]
