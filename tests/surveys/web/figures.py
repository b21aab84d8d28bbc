"""Index values for page tests: written straight into the tables, because pages only show them."""

from __future__ import annotations

from datetime import date

from django.utils import timezone

from surveys.models import Group, IndexValue, Job, Region, Run, Season, Window
from surveys.vocabulary import JobKind, JobState, RunState

#: Region, label, estimate, low, high, sites, more sites needed. Invented.
WOODLICE = (
    ("eastmark", "shown", 4.25, 3.1, 5.6, 24, 0),
    ("westmark", "too_few", None, None, None, 6, 4),
)


def make_run(season: Season) -> Run:
    """Publish a run without values."""
    job = Job.objects.create(kind=JobKind.NIGHT, key=f"{season.code}/2026-05-04", state=JobState.DONE)
    return Run.objects.create(
        season=season, job=job, fence=1, night=date(2026, 5, 4), state=RunState.PUBLISHED, method_version="1",
        protocol_version="1", code_version="c0de", seed=20260504, snapshot_event=77, snapshot_hash="5na9" * 16,
        counts={"returns": 31}, published_at=timezone.now(),
    )  # fmt: skip


def make_values(run: Run, *, group: str, window: str, rows: tuple[tuple[object, ...], ...] = WOODLICE) -> None:
    """Add values of one group in one window to a run."""
    for region, label, estimate, low, high, sites, more in rows:
        IndexValue.objects.create(
            run=run, region=Region.objects.get(code=region), group=Group.objects.get(code=group),
            window=Window.objects.get(season=run.season, code=window), label=label, estimate=estimate, low=low,
            high=high, sites=sites, site_nights=30, returns=90, trap_nights=91.5, more_sites_needed=more,
        )  # fmt: skip
