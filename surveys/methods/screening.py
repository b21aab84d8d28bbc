"""Which returns wait for a person, why, and how pressing each is.

One return and a whole night of them go through the same arithmetic: a return that arrives is a batch of one.

References: METHODS.md, section 7.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence

from surveys.methods.records import Neighbour, Report, Usual
from surveys.methods.screening_catch import Bounds, read_catches
from surveys.methods.screening_copies import check_copies
from surveys.methods.screening_dates import check_dates
from surveys.methods.screening_habitat import check_plants, weigh_habitats
from surveys.methods.screening_night import weigh_empty, weigh_pooled
from surveys.methods.screening_numbers import weigh_many, weigh_numbers
from surveys.methods.screening_place import check_place
from surveys.methods.screening_rank import choose_for_review, combine, hold_threshold
from surveys.methods.screening_records import (
    FloatArray,
    Hunch,
    PriorRates,
    RegionFrame,
    Screening,
    ScreeningCase,
    ScreeningSettings,
)
from surveys.methods.screening_rounding import check_round_numbers
from surveys.methods.screening_slips import check_impossible, check_lost_traps
from surveys.methods.screening_small import weigh_small
from surveys.methods.screening_surprise import weigh_look_alikes, weigh_row_slip
from surveys.methods.screening_weighing import Weighings
from surveys.methods.screening_words import check_words

__all__ = [
    "PriorRates",
    "RegionFrame",
    "Screening",
    "ScreeningCase",
    "ScreeningSettings",
    "choose_for_review",
    "hold_threshold",
    "screen_report",
    "screen_reports",
]

AT_ONCE = 250  # returns whose arrays are made together: they stay in the processor's cache


def screen_report(
    report: Report,
    *,
    neighbours: tuple[Neighbour, ...],
    usual: tuple[Usual, ...],
    region: RegionFrame,
    settings: ScreeningSettings,
    trap_nights: float,
    elsewhere: Mapping[str, FloatArray] | None = None,
    later: tuple[Neighbour, ...] = (),
) -> Screening:
    """Return what is suspicious about one return, at arrival and at night alike.

    Parameters: see :class:`ScreeningCase`. References: METHODS.md, section 7.
    """
    case = ScreeningCase(report, neighbours, usual, region, trap_nights, elsewhere or {}, later)
    return screen_reports([case], settings=settings)[0]


def screen_reports(cases: Sequence[ScreeningCase], *, settings: ScreeningSettings) -> list[Screening]:
    """Return what is suspicious about each of many returns, in their order: what each would get alone.

    References: METHODS.md, section 7.
    """
    forms: dict[tuple[str, ...], list[int]] = defaultdict(list)
    for at, case in enumerate(cases):
        forms[usual_groups(case)].append(at)
    found: dict[int, Screening] = {}
    for groups, places in forms.items():
        bounds = Bounds(groups)
        for start in range(0, len(places), AT_ONCE):
            part = places[start : start + AT_ONCE]
            found |= zip(part, _screen_together([cases[at] for at in part], bounds, settings), strict=True)
    return [found[at] for at in range(len(cases))]


def usual_groups(case: ScreeningCase) -> tuple[str, ...]:
    """Return the groups of the form that have a usual value, in the order of the form."""
    usual = {one.group for one in case.usual}
    return tuple(group for group in case.region.groups if group in usual)


def _screen_together(
    cases: Sequence[ScreeningCase], bounds: Bounds, settings: ScreeningSettings
) -> Iterator[Screening]:
    """Yield the screenings of returns that share a form."""
    weighings = Weighings(tuple(cases), read_catches(cases, bounds, settings), settings)
    hunches: dict[int, list[Hunch]] = defaultdict(list)
    for row, case in enumerate(cases):
        hunches[row].extend(check_report(case, settings))
    for row, hunch in check_counts(weighings):
        hunches[row].append(hunch)
    if bounds.groups:
        for row, hunch in weigh_rivals(weighings):
            hunches[row].append(hunch)
    for row, case in enumerate(cases):
        yield combine(tuple(hunches[row]), weighings.catches.one(row), case.region, settings, case.trap_nights)


def check_report(case: ScreeningCase, settings: ScreeningSettings) -> Iterator[Hunch]:
    """Yield what one return says of itself, with stated probabilities: dates, place, words, plants."""
    yield from check_dates(case.report, settings)
    yield from check_place(case.report, case.region, settings)
    yield from check_words(case.report)
    yield from check_plants(case.report)


def check_counts(weighings: Weighings) -> Iterator[tuple[int, Hunch]]:
    """Yield, with their rows, slips that do not add up."""
    yield from check_copies(weighings)
    yield from check_lost_traps(weighings)
    yield from check_impossible(weighings)
    yield from check_round_numbers(weighings)


def weigh_rivals(weighings: Weighings) -> Iterator[tuple[int, Hunch]]:
    """Yield, with their rows, the explanations that are weighed by likelihood ratio."""
    yield from weigh_numbers(weighings)
    yield from weigh_look_alikes(weighings)
    yield from weigh_row_slip(weighings)
    yield from weigh_empty(weighings)
    yield from weigh_pooled(weighings)
    yield from weigh_habitats(weighings)
    yield from weigh_small(weighings)
    yield from weigh_many(weighings)
