"""What stands beside a waiting return: the other traps of its site, the site's earlier nights, comparable traps."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
from django.db.models import Prefetch

from surveys.models import Catch, Return
from surveys.queries.feedback import counts_of, others_of_the_season
from surveys.queries.returns import with_corrections
from surveys.queries.seasons import SeasonLists
from surveys.vocabulary import ReturnState

#: Returns of a site that are read beside one: its latest ones. Twelve traps on four nights and more. Own choice.
MOST_OF_A_SITE = 60


@dataclass(frozen=True, slots=True)
class OfSite:
    """Another return of the same site with its counts: lowest and highest by group, -1 for open above."""

    report: Return
    counts: dict[str, tuple[int, int]]

    def of(self, group: str) -> tuple[int, int | None] | None:
        """Return lowest and highest count of a group, None for open above; None where it was not answered."""
        found = self.counts.get(group)
        return None if found is None else (found[0], None if found[1] < 0 else found[1])


def returns_of_site(report: Return) -> list[OfSite]:
    """Return what the same site sent in this season, this return with it, the latest nights first. Three queries.

    What was taken back or set aside is left out. The return comes with its trap.
    """
    rows = (
        Return.objects.filter(trap__site=report.trap.site_id, season=report.season_id, night__lte=report.night)
        .exclude(state__in=[ReturnState.WITHDRAWN, ReturnState.DISCOUNTED])
        .select_related("trap", "habitat")
        .prefetch_related(Prefetch("catches", Catch.objects.select_related("group")), with_corrections())
        .order_by("-night", "trap__number", "-id")
    )
    return [OfSite(row, counts_of(row)) for row in rows[:MOST_OF_A_SITE]]


def comparable_counts(report: Return, lists: SeasonLists, groups: list[str]) -> dict[str, dict[int, int]]:
    """Return how many comparable traps of other households had which count, by group. Four queries at most.

    Comparable: the same weeks and habitat, settled or fresh alike, brought to the effort of this return. A class stands
    under its lowest count. Empty where the habitat or the effort is not known.
    """
    if not report.habitat_id or not report.trap_nights:
        return {}
    others = others_of_the_season(report, lists)
    alike = others.habitat == report.habitat_id
    if report.fresh is not None:
        alike &= others.fresh == int(report.fresh)
    effort = report.trap_nights * (report.rim_ratio or 1.0)
    found = {}
    for group in groups:
        if group not in others.groups:
            continue
        low = others.low[others.groups.index(group)]
        here = alike & (low >= 0)
        scaled = np.rint(low[here] * effort / others.effort[here]).astype(int)
        found[group] = dict(Counter(scaled.tolist()))
    return found
