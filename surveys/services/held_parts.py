"""What all cells of a group share, kept from a night that learned it for the nights on which little changes.

Learning it means fitting every return again; with a million of them that is most of a night's work, and a hundredth
of them changing moves it by far less than its own error. So a large season holds it for some nights: the cells are
computed from all returns all the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any, TypeVar

import numpy as np
from django.db.models import Model

from surveys.methods import METHOD_VERSION
from surveys.methods.level_records import SharedParts
from surveys.models import Return, Run, Season
from surveys.queries.indices import published_run
from surveys.queries.night import NightInput
from surveys.queries.seasons import SeasonLists

Row = TypeVar("Row", bound=Model)

#: Smaller seasons learn it every night. METHODS.md, section 14.
FEWEST_RETURNS = 100_000
#: It is learned anew once so large a share of the returns has come or changed since, or after so many days.
MOST_CHANGED = 0.02
LONGEST = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class Held:
    """Shared parts by group code and rim exponent, the night that learned them and the run that has them.

    Empty to learn them now.
    """

    parts: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    night: date | None = None
    run: Run | None = None


def parts_to_hold(*, season: Season, night: date, code_version: str, given: NightInput) -> Held:
    """Return what the shown run knows of the shared parts, where it may be held. Two queries."""
    run = published_run(season)
    if run is None or given.snapshot.returns < FEWEST_RETURNS or not _fits(run, given.lists, code_version):
        return Held()
    learned = date.fromisoformat(run.shared["night"])
    if not timedelta(0) <= night - learned < LONGEST or _changed_share(season, learned, given) > MOST_CHANGED:
        return Held()
    return Held(run.shared["parts"], learned, run)


def _fits(run: Run, lists: SeasonLists, code_version: str) -> bool:
    """Say whether a run was computed by the same method and code over the same lists."""
    same_code = run.method_version == METHOD_VERSION and run.code_version == code_version
    return same_code and bool(run.shared) and run.shared.get("lists") == list_codes(lists)


def _changed_share(season: Season, learned: date, given: NightInput) -> float:
    """Return the share of returns that came or changed since a night learned the shared parts. Two queries."""
    first = Run.objects.filter(season=season, night=learned).order_by("started_at").values_list("started_at").first()
    if first is None:
        return 1.0
    return Return.objects.filter(season=season, moved_at__gte=first[0]).count() / given.snapshot.returns


def unstored(rows: Iterable[Row]) -> list[Row]:
    """Return the rows of an earlier run as rows that have not been stored, to be stored again under another."""
    found = list(rows)
    for row in found:
        row.pk = None
    return found


def list_codes(lists: SeasonLists) -> dict[str, list[str]]:
    """Return the codes of groups, habitats, regions and windows in their order: what a fit belongs to."""
    return {
        "groups": [row.code for row in lists.groups],
        "habitats": [row.code for row in lists.habitats],
        "regions": [row.code for row in lists.regions],
        "windows": [row.code for row in lists.windows],
    }


def write_shared(shared: SharedParts | None) -> dict[str, Any] | None:
    """Return shared parts as plain values; every number comes back to the last digit."""
    if shared is None:
        return None
    plain = {name: getattr(shared, name) for name in SharedParts.__slots__}
    return {**plain, "beta": shared.beta.tolist(), "covariance": shared.covariance.tolist()}


def read_shared(plain: Mapping[str, Any] | None) -> SharedParts | None:
    """Return what :func:`write_shared` wrote as shared parts."""
    if plain is None:
        return None
    arrays = {"beta": np.array(plain["beta"]), "covariance": np.array(plain["covariance"])}
    return SharedParts(**{**plain, **arrays, "merged_habitats": tuple(plain["merged_habitats"])})
