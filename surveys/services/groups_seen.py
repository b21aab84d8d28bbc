"""Groups seen in each region over a season: part of a night's run, computed beside the indices."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from surveys.models import GroupsSeenValue, Region, Run
from surveys.queries.night import NightInput
from surveys.services.held_parts import unstored
from surveys.services.part_doers import DoParts, here
from surveys.vocabulary import PartKind


@dataclass(frozen=True, slots=True)
class SeenGroups:
    """The groups seen of a run, not stored yet, and what its parameters say of them."""

    values: list[GroupsSeenValue]
    described: dict[str, Any]


def kept_groups_seen(run: Run) -> SeenGroups:
    """Return what an earlier run said, to be shown again on a night that holds its shared parts. One query."""
    return SeenGroups(unstored(GroupsSeenValue.objects.filter(run=run)), run.parameters.get("groups_seen", {}))


def compute_groups_seen(
    *, given: NightInput, seed: int, still_ours: Callable[[], None] = lambda: None, do: DoParts | None = None
) -> SeenGroups:
    """Compare the groups seen in the regions of a season. The same input and seed give the same, to the last digit.

    ``still_ours`` is called every 20 seconds; it may raise to stop. ``do`` does it, this process where it is None.
    """
    [found] = (do or here(given))(PartKind.GROUPS_SEEN, [{"seed": seed}], still_ours)
    values = [_value(region, one) for region, one in zip(given.lists.regions, found["regions"], strict=True)]
    return SeenGroups(values, found["described"])


def _value(region: Region, found: Mapping[str, Any]) -> GroupsSeenValue:
    return GroupsSeenValue(
        region=region,
        label=found["shown"],
        codes=found["codes"],
        sites=found["sites"],
        site_nights=found["site_nights"],
        left_out=found["left_out"],
        groups_seen=found["groups_seen"],
        figures=found["figures"],
    )
