"""Groups seen: site-nights of a season as the comparison reads them, and the comparison that a run made of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surveys.methods.groups_seen_records import (
    LABEL,
    NOT_KNOWN,
    NOT_SEEN,
    SEEN,
    Figure,
    GroupsSeen,
    GroupsSeenSettings,
    RegionFigures,
    RegionGroupsSeen,
    SiteNights,
    Standardised,
)
from surveys.methods.groups_seen_units import pool_traps
from surveys.methods.groups_seen_words import caution, region_sentences
from surveys.methods.season_frame import CatchFrame, SeasonList
from surveys.models import GroupsSeenValue, Run
from surveys.queries.seasons import SeasonLists
from surveys.vocabulary import IndexLabel


def site_nights(frame: CatchFrame, lists: SeasonLists) -> SiteNights:
    """Return the site-nights of a season with what their traps held together. No query."""
    return pooled_site_nights(frame, lists.by_code, zip(frame.low, frame.high, strict=True))


def pooled_site_nights(
    frame: CatchFrame, lists: SeasonList, bounds: Iterable[tuple[NDArray[np.int32], NDArray[np.int32]]]
) -> SiteNights:
    """Return the site-nights of a season; ``bounds`` (n,) of each group come one after the other. No query.

    A trap saw a group when it held one at least, did not when it held none, and does not tell when the group was not
    answered or its class begins at none; how traps of a night are read together, ``pool_traps`` says.
    """
    numbers, first, unit = np.unique(frame.site_night, return_index=True, return_inverse=True)
    # One byte each: a million returns of thirty groups are read at once.
    answers: NDArray[Any] = np.full((len(frame), len(lists.groups)), NOT_KNOWN, dtype=np.int8)
    for group, (low, high) in enumerate(bounds):
        answers[low > 0, group] = SEEN
        answers[(low == 0) & (high == 0), group] = NOT_SEEN
    pooled = pool_traps(unit.reshape(-1), answers)
    return SiteNights(
        regions=lists.regions,
        groups=lists.groups,
        region=frame.region[first],
        site=frame.site[first],
        answers=pooled.reshape(numbers.size, len(lists.groups)),
    )


@dataclass(frozen=True, slots=True)
class ShownGroupsSeen:
    """The comparison of a season as the method gave it, with a caution and the sentences of each region."""

    found: GroupsSeen
    caution: str
    sentences: tuple[tuple[str, ...], ...]


def shown_groups_seen(run: Run) -> ShownGroupsSeen | None:
    """Return the comparison that a run made, None when it made none. One query."""
    described = run.parameters.get("groups_seen")
    if not described:
        return None
    chosen = GroupsSeenSettings(**described["settings"])
    values = GroupsSeenValue.objects.filter(run=run).select_related("region").order_by("region__position", "id")
    found = GroupsSeen(
        label=LABEL,
        groups=tuple(described["groups"]),
        groups_left_out=tuple(described["groups_left_out"]),
        base_effort=described["base_effort"],
        base_coverage=described["base_coverage"],
        regions=tuple(_region(value) for value in values),
    )
    return ShownGroupsSeen(
        found=found,
        caution=caution(found),
        sentences=tuple(region_sentences(region, found, chosen) for region in found.regions),
    )


def _region(value: GroupsSeenValue) -> RegionGroupsSeen:
    return RegionGroupsSeen(
        region=value.region.code,
        shown=IndexLabel(value.label),
        codes=tuple(value.codes),
        sites=value.sites,
        site_nights=value.site_nights,
        left_out=value.left_out,
        groups_seen=value.groups_seen,
        figures=_figures(value.figures) if value.figures else None,
    )


def _figures(plain: Mapping[str, Any]) -> RegionFigures:
    """Return what ``dataclasses.asdict`` made of the figures as figures again."""
    return RegionFigures(
        seen_once=plain["seen_once"],
        seen_twice=plain["seen_twice"],
        coverage=Figure(**plain["coverage"]),
        chao2=Figure(**plain["chao2"]),
        observed=_triple(plain["observed"]),
        asymptotic=_triple(plain["asymptotic"]),
        at_effort=_standardised(plain["at_effort"]),
        at_coverage=_standardised(plain["at_coverage"]),
    )


def _triple(plain: Sequence[Mapping[str, float]]) -> tuple[Figure, Figure, Figure]:
    zero, one, two = (Figure(**each) for each in plain)
    return zero, one, two


def _standardised(plain: Mapping[str, Any]) -> Standardised:
    return Standardised(**{**plain, "hill": _triple(plain["hill"])})
