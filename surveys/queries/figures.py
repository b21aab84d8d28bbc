"""The shown index values of one group in one window: what the season page draws."""

from __future__ import annotations

from dataclasses import dataclass

from surveys.models import IndexValue, Season
from surveys.queries.indices import index_values
from surveys.vocabulary import IndexLabel


@dataclass(frozen=True, slots=True)
class Figure:
    """One region's index as a page shows it; ``estimate``, ``low`` and ``high`` in animals per trap-night."""

    region: str
    label: IndexLabel
    estimate: float | None
    low: float | None
    high: float | None
    sites: int
    returns: int
    trap_nights: float
    more_sites_needed: int


def no_figure(region: str) -> Figure:
    """Return what stands where the run has no value: a region that the season gained after that night."""
    return Figure(region, IndexLabel.TOO_FEW, None, None, None, 0, 0, 0.0, 0)


def index_figures(season: Season, *, group: str, window: str) -> list[Figure]:
    """Return one figure for each region that has a value, in the season's order of regions. One query."""
    return [_figure(value) for value in index_values(season).filter(group__code=group, window__code=window)]


def _figure(value: IndexValue) -> Figure:
    return Figure(
        region=value.region.code,
        label=IndexLabel(value.label),
        estimate=value.estimate,
        low=value.low,
        high=value.high,
        sites=value.sites,
        returns=value.returns,
        trap_nights=value.trap_nights,
        more_sites_needed=value.more_sites_needed,
    )


def windows_with_figures(season: Season) -> set[str]:
    """Return the codes of the windows in which any region has a shown estimate. One query."""
    shown = index_values(season).filter(estimate__isnull=False).order_by()
    return set(shown.values_list("window__code", flat=True).distinct())
