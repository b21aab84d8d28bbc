"""The shown index values of one group in one window: what the season page draws."""

from __future__ import annotations

from surveys.models import Group, IndexValue, Season, Window
from surveys.queries.indices import index_values


def index_figures(season: Season, *, group: Group, window: Window) -> list[IndexValue]:
    """Return one shown value for each region, in the season's order of regions. One query."""
    return list(index_values(season).filter(group=group, window=window))


def windows_with_figures(season: Season) -> set[int]:
    """Return the keys of the windows in which any region has a shown estimate. One query."""
    shown = index_values(season).filter(estimate__isnull=False).order_by()
    return set(shown.values_list("window_id", flat=True).distinct())
