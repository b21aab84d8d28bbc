"""Groups seen in each region over a season: part of a night's run, computed beside the indices."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from surveys.methods.groups_seen import groups_seen
from surveys.methods.groups_seen_records import GroupsSeenSettings, RegionGroupsSeen
from surveys.models import GroupsSeenValue, Region, Run
from surveys.queries.groups_seen import site_nights
from surveys.queries.night import NightInput
from surveys.services.held_parts import unstored


@dataclass(frozen=True, slots=True)
class SeenGroups:
    """The groups seen of a run, not stored yet, and what its parameters say of them."""

    values: list[GroupsSeenValue]
    described: dict[str, Any]


def kept_groups_seen(run: Run) -> SeenGroups:
    """Return what an earlier run said, to be shown again on a night that holds its shared parts. One query."""
    return SeenGroups(unstored(GroupsSeenValue.objects.filter(run=run)), run.parameters.get("groups_seen", {}))


def compute_groups_seen(*, given: NightInput, seed: int) -> SeenGroups:
    """Compare the groups seen in the regions of a season. The same input and seed give the same, to the last digit."""
    chosen = GroupsSeenSettings()
    found = groups_seen(site_nights(given.frame, given.lists), chosen, np.random.default_rng(seed))
    values = [_value(region, one) for region, one in zip(given.lists.regions, found.regions, strict=True)]
    return SeenGroups(
        values,
        {
            "settings": asdict(chosen),
            "groups": list(found.groups),
            "groups_left_out": list(found.groups_left_out),
            "base_effort": found.base_effort,
            "base_coverage": found.base_coverage,
        },
    )


def _value(region: Region, found: RegionGroupsSeen) -> GroupsSeenValue:
    return GroupsSeenValue(
        region=region,
        label=found.shown,
        codes=list(found.codes),
        sites=found.sites,
        site_nights=found.site_nights,
        left_out=found.left_out,
        groups_seen=found.groups_seen,
        figures=asdict(found.figures) if found.figures else None,
    )
