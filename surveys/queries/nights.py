"""The nights of one's seasons: what ran and how it went, and what a night moved against the one before."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from django.db.models import Q, QuerySet

from surveys.errors import NotFound
from surveys.models import IndexValue, Job, Region, Run, Season
from surveys.permissions import Visitor, regions_of
from surveys.queries.overview import seasons_in_care
from surveys.vocabulary import JobKind, RunState

#: So many nights are listed.
MOST_NIGHTS = 60


@dataclass(frozen=True, slots=True)
class Night:
    """One night of a season: its job, and the run that it made if it made one."""

    season: Season
    job: Job
    run: Run | None

    @property
    def date(self) -> date:
        """The night it is about."""
        return date.fromisoformat(self.job.parameters["night"])


@dataclass(frozen=True, slots=True)
class Figures:
    """One activity index in two runs; None where a run does not show it."""

    region: Region
    group: str
    group_name: str
    window: str
    window_name: str
    before: float | None
    now: float | None


def nights_of(visitor: Visitor, *, most: int = MOST_NIGHTS) -> list[Night]:
    """Return the latest nights of the seasons in the visitor's care, the latest first. Four queries."""
    own = {season.code: season for season in seasons_in_care(visitor)}
    wanted = Q(pk__in=[])
    for code in own:
        wanted |= Q(key__startswith=f"{code}/")
    jobs = list(Job.objects.filter(wanted, kind=JobKind.NIGHT).order_by("-created_at", "-id")[:most])
    runs = {run.job_id: run for run in _runs().filter(job__in=jobs).order_by("id")}
    known = [job for job in jobs if "night" in job.parameters and job.parameters.get("season") in own]
    return [Night(own[job.parameters["season"]], job, runs.get(job.pk)) for job in known]


def run_in_care(visitor: Visitor, number: int) -> Run:
    """Return a run that was shown of a season in the visitor's care. Two queries."""
    seasons = [season.pk for season in seasons_in_care(visitor)]
    run = _runs().filter(pk=number, season__in=seasons).select_related("season", "job").first()
    if run is None:
        raise NotFound("There is no such night of a season in your regions.")
    return run


def run_before(run: Run) -> Run | None:
    """Return the run that was shown before this one, if there is one. One query."""
    earlier = _runs().filter(season=run.season_id, pk__lt=run.pk)
    return earlier.order_by("-id").first()


def figures_of(visitor: Visitor, run: Run, before: Run) -> list[Figures]:
    """Return every index of the visitor's regions in a run beside that of the one before. Three queries.

    Runs keep their values, so a night can be read long after it.
    """
    own = {region.pk: region for region in regions_of(visitor)}
    earlier = {(row[0], row[1], row[3]): row[5] for row in _values(before, list(own))}
    return [
        Figures(own[region], group, group_name, window, window_name, earlier.get((region, group, window)), now)
        for region, group, group_name, window, window_name, now in _values(run, list(own))
    ]


def _runs() -> QuerySet[Run]:
    return Run.objects.exclude(state=RunState.COMPUTING)


def _values(run: Run, regions: list[int]) -> QuerySet[IndexValue, tuple[int, str, str, str, str, float | None]]:
    return (
        IndexValue.objects.filter(run=run, region__in=regions, rim_exponent=1)
        .order_by("region__position", "group__position", "window__first_day", "id")
        .values_list("region_id", "group__code", "group__name", "window__code", "window__name", "estimate")
    )
