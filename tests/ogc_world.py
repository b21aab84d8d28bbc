"""Two seasons with index values and a release with grid cells, put into the tables by hand."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

from django.utils import timezone

from surveys.models import Group, IndexValue, Job, Region, Release, ReleasedCell, Run, Season, Window
from surveys.release_files.tables import INDEX_LEVEL, REGIONS, WINDOWS
from surveys.vocabulary import JobKind, JobState, RunState
from tests.factories import make_season
from tests.published import publish
from tests.released import write_small_release, write_table

#: Two regions x three windows x six groups, in each of two seasons.
VALUES = 72
CELLS = 250


def make_features(folder: Path) -> Release:
    """Open the seasons of 2025 and 2026, show a run of each, and publish a release of 2026 with 250 cells."""
    seasons = [make_season(code=f"merrow-{year}", year=year) for year in (2025, 2026)]
    for season in seasons:
        show_run(season)
    release = publish(_files(folder), season=seasons[1])
    _add_cells(release, seasons)
    return release


def show_run(season: Season, *, factor: float = 1.0) -> Run:
    """Show a run of a season whose figures follow from its place in the lists; every sixth has too few returns."""
    number = Run.objects.filter(season=season).count() + 1
    Run.objects.filter(season=season, state=RunState.PUBLISHED).update(state=RunState.SUPERSEDED)
    job = Job.objects.create(
        kind=JobKind.NIGHT, key=f"{season.code}/{number}", state=JobState.DONE, started_at=timezone.now(),
        finished_at=timezone.now(),
    )  # fmt: skip
    run = Run.objects.create(
        season=season, job=job, fence=1, night=date(season.opens_on.year, 6, 1), state=RunState.PUBLISHED,
        method_version="1", protocol_version="1", code_version="test", seed=1, snapshot_event=1,
        snapshot_hash="0" * 64, published_at=datetime(2026, 6, 2, tzinfo=UTC),
    )  # fmt: skip
    rows = []
    for region in Region.objects.order_by("pk"):
        for window in Window.objects.filter(season=season).order_by("pk"):
            for group in Group.objects.order_by("pk"):
                place = len(rows) // 2 + 1
                few = place % 6 == 0
                rows.append(IndexValue(
                    run=run, region=region, window=window, group=group, label="too_few" if few else "shown",
                    estimate=None if few else place * factor, low=None if few else place * factor / 2,
                    high=None if few else place * factor * 2, sites=5 + place, site_nights=9 + place,
                    returns=20 + place, trap_nights=20.5 + place, more_sites_needed=3 if few else 0,
                ))  # fmt: skip
                # The sensitivity run stands beside it and is no feature.
                rows.append(IndexValue(
                    run=run, region=region, window=window, group=group, rim_exponent=0, label="shown", estimate=1,
                    low=1, high=1, sites=5, site_nights=5, returns=5, trap_nights=5,
                ))  # fmt: skip
    IndexValue.objects.bulk_create(rows)
    return run


def _files(folder: Path) -> dict[str, bytes]:
    """Return the tables of a release of Eastmark and Westmark: woodlice of the spring in Eastmark have an index."""
    made = folder / "made"
    made.mkdir(parents=True)
    write_small_release(made, version="1.0.0")
    write_table(made, REGIONS, [
        {"season": "merrow-2026", "position": at, "region": code, "name": code.title()}
        for at, code in enumerate(("eastmark", "westmark"), start=1)
    ])  # fmt: skip
    write_table(made, WINDOWS, [
        {"season": "merrow-2026", "position": 1, "window": "spring", "name": "Spring",
         "first_day": date(2026, 4, 1), "last_day": date(2026, 5, 31)}
    ])  # fmt: skip
    counted = {"sites": 9, "site_nights": 20, "returns": 30, "trap_nights": 30.5, "rim_exponent": 1}
    write_table(made, INDEX_LEVEL, [
        {"season": "merrow-2026", "region": "eastmark", "window": "spring", "group": "woodlice", "label": "shown",
         "estimate": 1.25, "low": 0.5, "high": 2.5, "more_sites_needed": 0, **counted},
        {"season": "merrow-2026", "region": "westmark", "window": "spring", "group": "woodlice", "label": "too_few",
         "more_sites_needed": 2, **counted},
    ])  # fmt: skip
    return {path.name: path.read_bytes() for path in made.iterdir()}


def _add_cells(release: Release, seasons: list[Season]) -> None:
    """Add cells, ten in a row: 50 in each region of 2025 and in Westmark of 2026, all 100 of Eastmark in 2026."""
    regions = {one.code: one for one in Region.objects.all()}
    places = [(seasons[0], "eastmark", 50), (seasons[0], "westmark", 50), (seasons[1], "westmark", 50),
              (seasons[1], "eastmark", 100)]  # fmt: skip
    rows = []
    for season, code, number in places:
        for at in range(number):
            west, south = (
                round((-18.0 if code == "eastmark" else -19.0) + at % 10 / 10, 2),
                round(51 + at // 10 / 10, 2),
            )
            rows.append(ReleasedCell(
                release=release, season=season, region=regions[code], cell_code=f"n{south:.2f}w{-west:.2f}",
                cell_latitude=round(south + 0.05, 6), cell_longitude=round(west + 0.05, 6), cell_uncertainty_m=6572,
                sites=5 + at, returns=10 + at, trap_nights=10.5 + at,
            ))  # fmt: skip
    ReleasedCell.objects.bulk_create(rows)
