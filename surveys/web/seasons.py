"""The page of a season: activity indices by region for one group and one window, with the run behind them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any, Protocol, TypeVar

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from surveys.errors import NotFound
from surveys.methods.level_words import sentences_for
from surveys.permissions import Rule
from surveys.queries.figures import Figure, index_figures, no_figure, windows_with_figures
from surveys.queries.indices import group_warnings, published_run
from surveys.queries.replica import may_lag
from surveys.queries.seasons import SeasonLists, lists_of, season_by_code
from surveys.vocabulary import LICENCE_URLS, IndexLabel, Licence
from surveys.web.access import page
from surveys.web.changes import changes_shown
from surveys.web.charts import SHADES, Interval, draw_intervals, scale_ticks, shade_of, words_of
from surveys.web.groups_seen import groups_seen_shown
from surveys.web.maps import draw_regions
from surveys.web.readings import read_aloud


class Named(Protocol):
    """Something on one of a season's lists."""

    @property
    def code(self) -> str: ...
    @property
    def name(self) -> str: ...


Listed = TypeVar("Listed", bound=Named)

#: Stands beside every figure. METHODS.md, section 5.8.
STATEMENT = (
    "Activity-density: what a standard trap catches in one day and night. Each figure is a mean over gardens. "
    "The gardens are those of volunteers, who choose themselves; the interval does not cover that."
)


@page(Rule.ANYONE)
def season(request: HttpRequest, code: str) -> HttpResponse:
    """Show the indices of a season."""
    return render(request, "season.html", _computed(request, lists_of(season_by_code(code))))


@may_lag
def _computed(request: HttpRequest, lists: SeasonLists) -> dict[str, Any]:
    """Return what a night has computed of a season: it changes once a night, so a moment's lag is nothing."""
    context = {**_season(lists), **_choice(request, lists), "run": published_run(lists.season)}
    context |= figures(lists, context["group"], context["window"])
    context["notes"] = sentences_for(group_warnings(context["run"], context["group"].code))
    return context | _since_and_seen(lists, context)


def figures(lists: SeasonLists, group: Named, window: Named) -> dict[str, Any]:
    """Return what the page draws of one group in one window. One query."""
    found = {each.region: each for each in index_figures(lists.season, group=group.code, window=window.code)}
    rows = [figure_row(region.name, found.get(region.code, no_figure(region.code))) for region in lists.regions]
    drawn = draw_figures(rows, [(region.code, region.boundary) for region in lists.regions])
    return {**drawn, "reading": read_aloud(rows, group=group.name, window=window.name)}


def draw_figures(rows: list[dict[str, Any]], boundaries: Sequence[tuple[str, Mapping[str, Any]]]) -> dict[str, Any]:
    """Return map, key and chart of one figure for each region; ``boundaries`` has the regions in the same order."""
    top = scale_ticks(max((row["estimate"] or 0.0 for row in rows), default=0.0))[-1]
    shape = draw_regions(boundaries)
    for row, outline in zip(rows, shape.outlines if shape else (), strict=False):
        row["outline"] = outline
        row["shade"] = shade_of(row["estimate"], top) if row["shown"] else 0
    return {
        "rows": rows,
        "any_shown": any(row["shown"] for row in rows),
        "map": shape,
        "key": _key(top),
        "chart": draw_intervals([Interval(row["name"], row["estimate"], row["low"], row["high"]) for row in rows]),
    }


def _since_and_seen(lists: SeasonLists, context: dict[str, Any]) -> dict[str, Any]:
    """Return what the page says of change and of groups seen; nothing before the first night. Two queries."""
    if context["run"] is None:
        return {}
    return {
        "change": changes_shown(context["run"], group=context["group"].code, window=context["window"].code),
        "seen": groups_seen_shown(context["run"], {region.code: region.name for region in lists.regions}),
    }


def _season(lists: SeasonLists) -> dict[str, Any]:
    licence = Licence(lists.season.licence)
    return {
        "season": lists.season,
        "lists": lists,
        "statement": STATEMENT,
        "licence": licence,
        "licence_address": LICENCE_URLS[licence],
    }


def _choice(request: HttpRequest, lists: SeasonLists) -> dict[str, Any]:
    """Return the chosen group and window: those asked for, or the first group and the latest window with figures."""
    known = windows_with_figures(lists.season)
    windows = [window for window in lists.windows if window.code in known] or lists.windows[:1]
    return {
        "group": _chosen(lists.groups, request.GET.get("group"), lists.groups[:1]),
        "window": _chosen(lists.windows, request.GET.get("window"), windows[-1:]),
    }


def _chosen(listed: tuple[Listed, ...], code: str | None, otherwise: Any) -> Listed:
    found = [each for each in listed if each.code == code] if code else list(otherwise)
    if not found:
        raise NotFound(f"This season has nothing with the code {code!r}. Its page lists its groups and windows.")
    return found[0]


def figure_row(name: str, figure: Figure) -> dict[str, Any]:
    """Return one region's figure as map, chart and table show it."""
    return {
        "name": name,
        "figure": figure,
        "shown": figure.estimate is not None,
        "wide": figure.label == IndexLabel.WIDE,
        "estimate": figure.estimate,
        "low": figure.low,
        "high": figure.high,
        "words": words_of(figure.estimate) if figure.estimate is not None else "",
    }


def _key(top: float) -> list[dict[str, Any]]:
    """Return the shades of the map with the range that each stands for."""
    edges = [top * step / SHADES for step in range(SHADES + 1)]
    return [
        {"shade": number, "low": f"{low:g}", "high": f"{high:g}"}
        for number, (low, high) in enumerate(pairwise(edges), start=1)
    ]
