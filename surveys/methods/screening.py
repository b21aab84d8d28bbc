"""Which returns wait for a person, why, and how pressing each is.

References: methods page, section 5; domain notes, section 5.
"""

from __future__ import annotations

from collections.abc import Iterator

from surveys.methods.records import Neighbour, Report, Usual
from surveys.methods.screening_chances import Catch, read_catch
from surveys.methods.screening_dates import check_dates
from surveys.methods.screening_place import check_place
from surveys.methods.screening_rank import choose_for_review, combine, hold_threshold
from surveys.methods.screening_records import Hunch, PriorRates, RegionFrame, Screening, ScreeningSettings
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
) -> Screening:
    """Return what is suspicious about one return, at arrival and at night alike.

    ``neighbours``: returns of the same site that came *before* this one (siblings of that night and earlier
    nights), so that the first of two equal returns is not blamed. ``usual``: one per group, for the
    trap's habitat, season and region; the site's gamma without this return and without its siblings of
    that night. ``trap_nights``: effort of the return (1.0 where none can be stated).
    References: methods page, section 5.
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
        *weigh_rivals(report, catch, neighbours, settings),
    )
    return combine(hunches, catch, region, settings, trap_nights)


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
    yield from check_sent_twice(catch, neighbours)
    yield from check_lost_trap(report, catch)
    yield from check_impossible(catch, settings)


def weigh_rivals(
    report: Report, catch: Catch, neighbours: tuple[Neighbour, ...], settings: ScreeningSettings
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
    yield from weigh_many(weighing)
