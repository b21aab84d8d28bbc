"""The index series that is shown, and the runs behind it."""

from __future__ import annotations

from django.db.models import QuerySet

from surveys.models import IndexValue, Run, Season, UsualCatch
from surveys.vocabulary import RunState


def published_run(season: Season) -> Run | None:
    """Return the run whose values are shown for a season. One query."""
    return Run.objects.filter(season=season, state=RunState.PUBLISHED).select_related("job").first()


def group_warnings(run: Run | None, group: str) -> list[str]:
    """Return the codes of what a reader must know of a group in a run, none where there is no run. No query."""
    components = run.parameters.get("components", {}) if run else {}
    warnings: list[str] = components.get(group, {}).get("warnings", [])
    return warnings


def index_values(season: Season, *, rim_exponent: int = 1) -> QuerySet[IndexValue]:
    """Return the shown index values of a season: region, then group, then window. One query."""
    return (
        IndexValue.objects.filter(run__season=season, run__state=RunState.PUBLISHED, rim_exponent=rim_exponent)
        .select_related("run", "region", "group", "window")
        .order_by("region__position", "group__position", "window__first_day", "id")
    )


def usual_generation(season: Season) -> int:
    """Return the number of the latest estimates of what is usual; 0 before there are any. One query."""
    latest = UsualCatch.objects.filter(season=season).order_by("-generation").values_list("generation", flat=True)
    return latest.first() or 0
