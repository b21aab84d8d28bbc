"""Which returns wait for a person, why, and how pressing each is.

References: METHODS.md, section 7.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from surveys.methods.records import Neighbour, Report, Usual
from surveys.methods.screening_chances import Catch, read_catch
from surveys.methods.screening_dates import check_dates
from surveys.methods.screening_habitat import check_plants, weigh_habitats
from surveys.methods.screening_place import check_place
from surveys.methods.screening_rank import choose_for_review, combine, hold_threshold
from surveys.methods.screening_records import FloatArray, Hunch, PriorRates, RegionFrame, Screening, ScreeningSettings
from surveys.methods.screening_rounding import check_round_numbers
from surveys.methods.screening_slips import (
    check_impossible,
    check_lost_trap,
    check_sent_twice,
    choose_pool_sizes,
    weigh_copies,
)
from surveys.methods.screening_surprise import weigh_look_alikes, weigh_many, weigh_night, weigh_numbers, weigh_row_slip
from surveys.methods.screening_weighing import Weighing
from surveys.methods.screening_words import check_words

__all__ = [
    "PriorRates",
    "RegionFrame",
    "Screening",
    "ScreeningSettings",
    "choose_for_review",
    "hold_threshold",
    "screen_report",
]


def screen_report(
    report: Report,
    *,
    neighbours: tuple[Neighbour, ...],
    usual: tuple[Usual, ...],
    region: RegionFrame,
    settings: ScreeningSettings,
    trap_nights: float,
    elsewhere: Mapping[str, FloatArray] | None = None,
) -> Screening:
    """Return what is suspicious about one return, at arrival and at night alike.

    ``neighbours``: returns of the same site that came *before* this one (siblings of that night and earlier
    nights), so that the first of two equal returns is not blamed. ``usual``: one per group, for the
    trap's habitat, season and region; the site's gamma without this return and without its siblings of
    that night. ``trap_nights``: effort of the return (1.0 where none can be stated). ``elsewhere``: for each other
    habitat how many times as much of each group of ``region`` it catches (G,); without it the catch says nothing
    of the habitat.
    References: METHODS.md, section 7.
    """
    siblings = tuple(one for one in neighbours if one.same_night and not one.same_trap)
    catch = read_catch(
        report.answers,
        siblings=siblings,
        usual=usual,
        region=region,
        settings=settings,
        trap_nights=trap_nights,
    )
    hunches = (
        *check_slips(report, catch, neighbours, region, settings),
        *weigh_rivals(report, catch, neighbours, settings, of_catch(elsewhere or {}, catch, region)),
    )
    return combine(hunches, catch, region, settings, trap_nights)


def of_catch(elsewhere: Mapping[str, FloatArray], catch: Catch, region: RegionFrame) -> dict[str, FloatArray]:
    """Put the ratios of other habitats into the order of the catch's groups."""
    place = {group: at for at, group in enumerate(region.groups)}
    chosen = np.array([place[group] for group in catch.groups], dtype=np.int64)
    return {habitat: ratio[chosen] for habitat, ratio in elsewhere.items()}


def check_slips(
    report: Report,
    catch: Catch,
    neighbours: tuple[Neighbour, ...],
    region: RegionFrame,
    settings: ScreeningSettings,
) -> Iterator[Hunch]:
    """Yield the hunches whose probability is a stated planning value."""
    yield from check_dates(report, settings)
    yield from check_place(report, region.rings, settings)
    yield from check_words(report)
    yield from check_plants(report)
    yield from check_round_numbers(report, neighbours)
    yield from check_sent_twice(catch, neighbours)
    yield from check_lost_trap(report, catch)
    yield from check_impossible(catch, settings)


def weigh_rivals(
    report: Report,
    catch: Catch,
    neighbours: tuple[Neighbour, ...],
    settings: ScreeningSettings,
    elsewhere: Mapping[str, FloatArray],
) -> Iterator[Hunch]:
    """Yield the hunches that are weighed by likelihood ratio; nothing without a usual value."""
    if not catch.groups:
        return
    weighing = Weighing(catch, settings)
    traps, pooled_prior = choose_pool_sizes(report, neighbours, settings)
    yield from weigh_copies(weighing, neighbours)
    yield from weigh_numbers(weighing)
    yield from weigh_look_alikes(weighing)
    yield from weigh_row_slip(weighing)
    yield from weigh_night(weighing, traps=traps, pooled_prior=pooled_prior)
    yield from weigh_habitats(weighing, report, elsewhere)
    yield from weigh_many(weighing)
