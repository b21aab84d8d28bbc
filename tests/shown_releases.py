"""A release that its pages can show: files made from a small random release, and its rows written by hand."""

from __future__ import annotations

import hashlib
import json
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from django.conf import settings

from surveys.models import Region, Release, ReleasedCell, Season
from tests.factories import make_season, square
from tests.made_release import make_release, rows_of
from tests.published import PUBLISHED

#: The regions of the small release and their names.
REGIONS = (("alder-quay", "Alder Quay"), ("cawder", "Cawder"))


def put_release(version: str = "1.0.0", *, seed: int = 1, published_at: datetime = PUBLISHED, **facts: Any) -> Release:
    """Make the files of a small release under a number and write down what the service would write."""
    folder = Path(settings.RELEASES_FOLDER) / version
    shutil.rmtree(folder, ignore_errors=True)
    frozen_at = f"{published_at:%Y-%m-%dT%H:%M:%SZ}"
    made = make_release(folder, seed=seed, **{"version": version, "frozen_at": frozen_at, **facts})
    season = _season(made.season, made.invented)
    text = (folder / "manifest.json").read_bytes()
    manifest = json.loads(text)
    rows = {Path(file["path"]).stem: file["rows"] for file in manifest["files"] if file["path"].endswith(".csv")}
    major, minor, patch = (int(part) for part in version.split("."))
    release = Release.objects.create(
        season=season, version=version, number=(major * 10_000 + minor) * 10_000 + patch, because=made.because,
        manifest=manifest, sha256=hashlib.sha256(text).hexdigest(), frozen_at=published_at, published_at=published_at,
        summary={
            "rows": rows, "sites": len({row["site_id"] for row in rows_of(folder, "returns")}),
            "changes": dict(made.changes),
        },
        replaces=Release.objects.filter(version=made.replaces).first(),
    )  # fmt: skip
    _put_cells(release, folder)
    return release


def _season(code: str, invented: bool) -> Season:
    year = int(code.rpartition("-")[2])
    return Season.objects.filter(code=code).first() or make_season(
        code=code, year=year, title=f"Merrow Night Count {year}", organiser="Merrow Field Office",
        contact="field-office@merrow.example", invented=invented,
    )  # fmt: skip


def _put_cells(release: Release, folder: Path) -> None:
    regions = {
        code: Region.objects.get_or_create(
            code=code,
            defaults={
                "name": name,
                "boundary": square(-18, 51),
                "position": position,
            },
        )[0]
        for position, (code, name) in enumerate(REGIONS, start=10)
    }
    for row in rows_of(folder, "cells"):
        season = _season(row["season"], release.season.invented)
        ReleasedCell.objects.create(
            release=release, season=season, region=regions[row["region"]], cell_code=row["cell"],
            cell_latitude=float(row["cell_latitude"]), cell_longitude=float(row["cell_longitude"]),
            cell_uncertainty_m=int(row["cell_uncertainty_m"]), sites=max(int(row["sites"]), 5),
            returns=int(row["returns"]), trap_nights=float(row["trap_nights"]),
        )  # fmt: skip


def withdraw(release: Release, because: str = "The count of a garden was sent twice.") -> None:
    """Withdraw a release, as the service does."""
    release.state, release.withdrawn_because = "withdrawn", because
    release.withdrawn_at = datetime(2026, 8, 3, 9, 0, tzinfo=UTC)
    release.save(update_fields=["state", "withdrawn_at", "withdrawn_because"])
