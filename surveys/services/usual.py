"""Learning what is usual, once a night, and keeping it where there is no news."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
from django.db import transaction

from surveys.methods.usual import estimate_usual, is_news, total_size_of
from surveys.models import Season, UsualCatch
from surveys.queries.indices import usual_generation
from surveys.queries.season_returns import catch_frame
from surveys.queries.seasons import SeasonLists, lists_of
from surveys.queries.usual import Baseline, Floats, baseline
from surveys.services.events import write_event


def learn_what_is_usual(*, season: Season, generation: int) -> dict[str, Any]:
    """Estimate what is usual from the usable returns, once per generation.

    A stratum in which no group has news keeps what was usual, so that its returns need not be screened again. Returns
    the generation, and in how many of how many strata there was news.
    """
    lists = lists_of(season)
    if not UsualCatch.objects.filter(season=season, generation=generation).exists():
        learned, returns = _learned(lists, generation)
        usual = _without_what_is_no_news(learned, baseline(lists, usual_generation(season)), returns)
        with transaction.atomic(durable=True):
            UsualCatch.objects.bulk_create(_rows(lists, generation, usual, returns), batch_size=2000)
            UsualCatch.objects.filter(season=season, generation__lt=generation).delete()
            write_event(by=None, verb="usual catch learned", subject=season, details={"generation": generation})
    since = baseline(lists, generation).since
    return {"generation": generation, "strata": since.size, "news": int((since == generation).sum())}


def _learned(lists: SeasonLists, generation: int) -> tuple[Baseline, Floats]:
    """Return what is usual by the returns alone, and how many speak of each group (R, W, H, G)."""
    frame = catch_frame(lists)
    cells = (len(lists.regions), len(lists.windows), len(lists.habitats))
    stratum = np.ravel_multi_index((frame.region, frame.window, frame.habitat), cells)
    strata, groups = int(np.prod(cells)), len(lists.groups)
    mean, size, shape, returns = (np.empty((strata, groups)) for _ in range(4))
    for position, group in enumerate(lists.groups):
        known = frame.known(position)
        low, high = frame.low[position][known], frame.high[position][known]
        learned = estimate_usual(
            low=low.astype(np.float64),
            high=np.where(high < 0, np.inf, high).astype(np.float64),
            effort=frame.trap_nights[known],
            stratum=stratum[known],
            strata=strata,
            planning_typical=group.planning_typical,
            planning_high=group.planning_high,
        )
        mean[:, position], size[:, position] = learned.mean, learned.size
        shape[:, position], returns[:, position] = learned.site_shape, learned.returns
    found = Baseline(
        mean=mean.reshape(*cells, groups),
        size=size.reshape(*cells, groups),
        site_shape=shape.reshape(*cells, groups),
        since=np.full(cells, generation, dtype=np.int64),
        nights=np.bincount(stratum, weights=frame.trap_nights, minlength=strata).astype(np.float64).reshape(cells),
    )
    return found, returns.reshape(*cells, groups)


def _without_what_is_no_news(learned: Baseline, before: Baseline, returns: Floats) -> Baseline:
    """Put what was usual before back in the place of what says nothing new of any group of a stratum."""
    of_groups = is_news(
        old=before.mean,
        new=learned.mean,
        old_size=total_size_of(before.size, before.site_shape),
        new_size=total_size_of(learned.size, learned.site_shape),
        returns=returns,
    )
    news = np.asarray(of_groups.any(axis=3))
    each = news[..., None]
    return replace(
        learned,
        mean=np.where(each, learned.mean, before.mean),
        size=np.where(each, learned.size, before.size),
        site_shape=np.where(each, learned.site_shape, before.site_shape),
        since=np.where(news, learned.since, before.since),
    )


def _rows(lists: SeasonLists, generation: int, usual: Baseline, returns: Floats) -> Iterator[UsualCatch]:
    for (region, window, habitat), since in np.ndenumerate(usual.since):
        for position, group in enumerate(lists.groups):
            at = (region, window, habitat, position)
            yield UsualCatch(
                season=lists.season,
                generation=generation,
                region=lists.regions[region],
                window=lists.windows[window],
                habitat=lists.habitats[habitat],
                group=group,
                mean=float(usual.mean[at]),
                size=float(usual.size[at]),
                site_shape=float(usual.site_shape[at]),
                returns=int(returns[at]),
                since=int(since),
                trap_nights=float(usual.nights[region, window, habitat]),
            )
