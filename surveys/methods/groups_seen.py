"""Groups seen: how many kinds of animal the traps of each region hold, on one list, at one effort and one coverage.

The unit is a site-night and only presence counts, so a hundred springtails weigh no more than one beetle. The list is
about 30 groups that people made: it fills up soon, and says nothing about species. It is called groups seen everywhere.
Two things are not corrected. More traps or wider cups on a night find more groups. And nights of one site are alike:
rarefaction reads them as if they were not, so that a region of few sites with many nights each looks a little poorer
than one of many sites with few nights.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from surveys.methods.groups_seen_coverage import coverage_at, effort_for_coverage
from surveys.methods.groups_seen_curves import asymptotic_hill
from surveys.methods.groups_seen_intervals import (
    ASYMPTOTIC,
    AT_COVERAGE,
    AT_EFFORT,
    COVERAGE,
    OBSERVED,
    TOTAL,
    SiteTable,
    site_figures,
    tabulate_sites,
)
from surveys.methods.groups_seen_records import (
    LABEL,
    Bools,
    Figure,
    GroupsSeen,
    GroupsSeenSettings,
    Incidence,
    RegionFigures,
    RegionGroupsSeen,
    SiteNights,
    Standardised,
)
from surveys.methods.groups_seen_richness import groups_seen_count
from surveys.methods.groups_seen_units import check_site_nights, compared_groups, complete_nights, sample_gardens
from surveys.vocabulary import IndexLabel


def groups_seen(record: SiteNights, settings: GroupsSeenSettings, rng: np.random.Generator) -> GroupsSeen:
    """Compare the groups seen in several regions at equal effort and at equal coverage.

    The base effort is the smallest of the regions' doubled numbers of site-nights, the base coverage the smallest
    coverage expected there, so no region is extrapolated beyond twice what it has. Only regions past the gate count.
    Parameters: ``record`` of n site-nights; ``settings``; ``rng`` for the bootstrap, of which each region gets its
    own branch. Returns: GroupsSeen, one RegionGroupsSeen per region in the order given; all figures finite.
    Raises: ValueError when the arrays do not belong together.
    References: Chao et al. 2014, Ecol. Monogr. 84: 45-67 (both standards and the factor two).
    """
    check_site_nights(record)
    record, sampled = sample_gardens(record, settings)
    kept = compared_groups(record, settings)
    complete = complete_nights(record, kept)
    tables = [region_table(record, kept, complete & (record.region == n)) for n in range(len(record.regions))]
    reasons = [reason_to_hide(table, settings) for table in tables]
    effort, coverage = base_of(
        [table.whole for table, reason in zip(tables, reasons, strict=True) if not reason], settings
    )
    found = []
    for number, (table, reason, branch) in enumerate(zip(tables, reasons, rng.spawn(len(tables)), strict=True)):
        figures = None if reason else region_figures(table, effort, coverage, settings, branch)
        region = describe_region(record, number, table, reason, figures)
        found.append(replace(region, codes=(*region.codes, "sample_of_gardens")) if sampled[number] else region)
    return GroupsSeen(
        label=LABEL,
        groups=names(record, kept),
        groups_left_out=names(record, ~kept),
        base_effort=effort or None,
        base_coverage=coverage if effort else None,
        regions=tuple(found),
    )


def names(record: SiteNights, chosen: Bools) -> tuple[str, ...]:
    """Return the names of the ``chosen`` groups (flags, (G,)) in the order of the list."""
    return tuple(name for name, is_chosen in zip(record.groups, chosen, strict=True) if is_chosen)


def region_table(record: SiteNights, kept: Bools, used: Bools) -> SiteTable:
    """Tabulate the ``used`` site-nights (flags, (n,)) on the ``kept`` groups (flags, (G,)) by site."""
    return tabulate_sites(record.site[used], record.answers[used][:, kept])


def reason_to_hide(table: SiteTable, settings: GroupsSeenSettings) -> str:
    """Return the code of what forbids to show a region, or an empty text. The gate reads the design only.

    A region that passed the gate without any animal has no shares and no coverage: nothing can be standardised.
    """
    sites, nights = table.nights.size, int(table.nights.sum())
    checks = (
        (nights > 0, "no_site_nights"),
        (table.sightings.shape[1] > 0, "no_common_groups"),
        (sites >= settings.gate_sites, "few_sites"),
        (nights >= settings.gate_site_nights, "few_site_nights"),
        (bool(table.sightings.any()), "nothing_seen"),
    )
    return next((code for passed, code in checks if not passed), "")


def base_of(samples: Sequence[Incidence], settings: GroupsSeenSettings) -> tuple[int, float]:
    """Return the effort (whole site-nights) and the coverage at which ``samples`` are compared; 0 without any.

    References: Chao et al. 2014: the smallest of the doubled sample sizes, and of the coverages expected there.
    """
    efforts = [math.floor(settings.farthest * sample.units) for sample in samples]
    covered = [coverage_at(sample, effort) for sample, effort in zip(samples, efforts, strict=True)]
    return min(efforts, default=0), min(covered, default=0.0)


def region_figures(
    table: SiteTable, effort: int, coverage: float, settings: GroupsSeenSettings, rng: np.random.Generator
) -> RegionFigures:
    """Estimate all figures of one region that passed the gate. Parameters and references: see groups_seen."""
    whole = table.whole
    figures = site_figures(table, effort, coverage, settings, rng)
    farthest = math.floor(settings.farthest * whole.units)  # where this region set the base, rounding may ask for more
    return RegionFigures(
        seen_once=whole.seen_on(1),
        seen_twice=whole.seen_on(2),
        coverage=figures[COVERAGE],
        chao2=figures[TOTAL],
        observed=triple(figures[OBSERVED]),
        asymptotic=triple(figures[ASYMPTOTIC]),
        at_effort=standardise(whole, effort, figures[AT_EFFORT]),
        at_coverage=standardise(whole, min(effort_for_coverage(whole, coverage), farthest), figures[AT_COVERAGE]),
    )


def triple(figures: Sequence[Figure]) -> tuple[Figure, Figure, Figure]:
    """Return three figures as a triple of known length."""
    zero, one, two = figures
    return zero, one, two


def standardise(whole: Incidence, effort: float, figures: Sequence[Figure]) -> Standardised:
    """Put the Hill ``figures`` together with the effort they are for and the coverage expected there."""
    beyond = effort > whole.units
    return Standardised(float(effort), coverage_at(whole, effort), triple(figures), extrapolated=beyond)


def describe_region(
    record: SiteNights, number: int, table: SiteTable, reason: str, figures: RegionFigures | None
) -> RegionGroupsSeen:
    """Say what a region rests on, whether it is shown, and what a reader must know about it."""
    nights = int(table.nights.sum())
    left_out = int(np.count_nonzero(record.region == number)) - nights
    notes = ((left_out > 0, "nights_left_out"), *(figure_notes(table.whole, figures) if figures else ()))
    codes = tuple(code for holds, code in notes if holds)
    return RegionGroupsSeen(
        region=record.regions[number],
        shown=IndexLabel.SHOWN if figures else IndexLabel.TOO_FEW,
        codes=(reason, *codes) if reason else codes,
        sites=table.nights.size,
        site_nights=nights,
        left_out=left_out,
        groups_seen=groups_seen_count(table.whole),
        figures=figures,
    )


def figure_notes(whole: Incidence, figures: RegionFigures) -> tuple[tuple[bool, str], ...]:
    """Return the codes of shown figures, each with whether it holds."""
    listed = whole.frequencies.size
    capped = max(asymptotic_hill(whole)) > listed
    return (
        (groups_seen_count(whole) == listed, "whole_list_seen"),
        (capped, "capped_at_list"),
        (figures.seen_once == 0, "none_seen_once"),
        (figures.at_effort.extrapolated, "effort_extrapolated"),
        (figures.at_coverage.extrapolated, "coverage_extrapolated"),
        (figures.at_coverage.effort <= 1.0, "one_night_enough"),
    )
