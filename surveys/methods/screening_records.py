"""What screening takes and gives: the region it compares with, its planning values, its answer."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from surveys.methods.records import Answer, Counts, Neighbour, Report, Suspicion, Usual
from surveys.vocabulary import QueryKind, QueryReason

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

#: Look-alike pairs and how easily they are taken for each other: the closest pairs, then pairs that beginners mix up
#: (METHODS.md, section 7; common practice, no source). A season may set its own.
LOOK_ALIKES: tuple[tuple[str, str, float], ...] = (
    ("earwigs", "rove_beetles", 1.0),
    ("millipedes", "centipedes", 1.0),
    ("harvestmen", "spiders", 1.0),
    ("springtails", "mites", 1.0),
    ("flat_bugs", "other_beetles", 1.0),
    ("slugs", "land_flatworms", 1.0),
    ("ground_beetles", "other_beetles", 0.4),
    ("weevils", "other_beetles", 0.3),
    ("carrion_beetles", "ground_beetles", 0.3),
    ("woodlice", "landhoppers", 0.3),
    ("woodlice", "other_beetles", 0.2),
    ("springtails", "landhoppers", 0.2),
    ("spiders", "mites", 0.3),
    ("ants", "rove_beetles", 0.3),
    ("ants", "wasps_bees", 0.2),
    ("flies", "wasps_bees", 0.3),
    ("beetle_grubs", "caterpillars", 0.4),
    ("beetle_grubs", "fly_maggots", 0.4),
    ("fly_maggots", "earthworms", 0.2),
    ("slugs", "earthworms", 0.2),
    ("snails", "slugs", 0.2),
    ("bristletails", "earwigs", 0.2),
    ("centipedes", "earwigs", 0.2),
    ("crickets", "cockroaches", 0.2),
    ("aphids_hoppers", "springtails", 0.2),
)
#: Groups so small that somebody who looks for beetles misses them.
SMALL: tuple[str, ...] = ("springtails", "mites", "flies")


@dataclass(frozen=True, slots=True)
class PriorRates:
    """Share of returns in which each slip happens, before anything is seen.

    Rates are not known (METHODS.md, section 7): planning values, about 5 % of returns in all
    with the deterministic kinds, which carry stated probabilities of their own.
    """

    ten_times: float = 0.004
    doubled_digit: float = 0.003
    look_alikes: float = 0.004
    row_slip: float = 0.003
    traps_pooled: float = 0.003
    copied: float = 0.004
    copied_elsewhere: float = 0.0005
    lost_trap_zeros: float = 0.003
    wrong_habitat: float = 0.002
    small_missed: float = 0.003
    unexplained: float = 0.001
    # Not a slip: honest nights far outside the negative binomial (a nest, a swarm).
    true_extreme: float = 0.08
    # Nor is this: honest empty cups beyond what the negative binomial gives (a cold night, an odd corner).
    true_empty: float = 0.001


@dataclass(frozen=True, slots=True)
class ScreeningSettings:
    """Planning values of the screening; every one may be set by a season."""

    priors: PriorRates = field(default_factory=PriorRates)
    look_alikes: tuple[tuple[str, str, float], ...] = LOOK_ALIKES
    small: tuple[str, ...] = SMALL
    most_animals: int = 500  # METHODS.md, section 7: more than 500 macro-animals in a 75 mm cup
    border_slack_deg: float = 0.01  # about 1 km: outlines are simplified, gardens lie at shores
    # METHODS.md, section 7: hours = 24 +- 1 + 24 n; wider, as honest nights last 20 to 28 h (protocol v1).
    time_slack_h: float = 3.0
    surprising_tail: float = 0.001  # METHODS.md, section 7: tail p < 0.001
    mention_from: float = 0.1  # weaker suspicions are not listed
    queue_from: float = 0.4  # a budget is not filled with what is likely well: honest extremes lose most by that
    queue_plain_from: float = 0.2  # the same for reasons that no honest extreme gives rise to
    hold_from: float = 0.2  # before a season has ranks to cut: there is time to look, and little to compare with
    certain_from: float = 0.7  # a deterministic reason this strong goes before the statistical ones
    sibling_trust: float = 0.5  # a sibling may stand in another habitat: it counts half
    night_log_sd: float = 0.5  # nights differ by this much for all groups together (x 0.6 to x 1.65)


@dataclass(frozen=True, slots=True, eq=False)
class RegionFrame:
    """The region and period to which a return belongs.

    ``groups`` are the season's groups in the order of the form (G); ``expected_total`` (G,) is what
    the cell's usable returns were expected to catch in all; ``trap_nights`` is their effort.
    ``rings`` are closed or open rings of (longitude, latitude), each (n, 2), outer ones and holes in
    any order (a point is inside when an odd number of rings holds it); no rings: no check of the place.
    """

    groups: tuple[str, ...]
    expected_total: FloatArray
    trap_nights: float
    rings: tuple[FloatArray, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class ScreeningCase:
    """One return with all that screening compares it with.

    ``neighbours``: returns of the same site that came *before* this one (siblings of that night and earlier
    nights), so that the first of two equal returns is not blamed. ``later``: siblings of that night that came after
    it; they tell how rich the night was, and whether several traps were added up. ``strangers``: returns of other
    households that came before and have the same counts, or lie within 50 m on the same night. ``usual``: one per
    group, for the trap's habitat, season and region; the site's gamma without this return and without its siblings of
    that night.
    ``trap_nights``: effort of the return (1.0 where none can be stated). ``elsewhere``: for each other habitat how
    many times as much of each group of ``region`` it catches (G,); without it the catch says nothing of the habitat.
    ``counts``: the answers of ``report`` as bounds already, where its own are left out.
    """

    report: Report
    neighbours: tuple[Neighbour, ...]
    usual: tuple[Usual, ...]
    region: RegionFrame
    trap_nights: float
    elsewhere: Mapping[str, FloatArray] = field(default_factory=dict)
    later: tuple[Neighbour, ...] = ()
    strangers: tuple[Neighbour, ...] = ()
    counts: Counts | None = None

    @property
    def answers(self) -> tuple[Answer, ...] | Counts:
        """Return what was answered, in either form."""
        return self.report.answers if self.counts is None else self.counts


@dataclass(frozen=True, slots=True)
class Screening:
    """What screening says of one return.

    ``suspicions`` strongest first, one per reason; ``probability`` that something is wrong (0 to 1);
    ``damage``: how far that would move the region's indices, as a sum of relative shifts over groups;
    ``rank`` = probability x damage, zero below the settings' ``queue_from``; ``urgent``: safety or welfare,
    never cut by a budget; ``certain``: a deterministic reason is strong; ``holds``: the return waits where
    no threshold is known yet.
    """

    suspicions: tuple[Suspicion, ...]
    probability: float
    damage: float
    rank: float
    urgent: bool
    certain: bool
    holds: bool


@dataclass(frozen=True, slots=True)
class Told:
    """A suspicion in words: for the coordinator, for the sender, and as plain data for a page to draw."""

    sentence: str
    gentle_sentence: str
    evidence: dict[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class Hunch:
    """One explanation under weighing: a suspicion in the making.

    ``odds`` that this happened against "all is well"; ``corrected`` (G,) are the counts as they would
    have been, None when the whole return would fall.
    """

    kind: QueryKind
    reason: QueryReason
    odds: float
    tell: Callable[[], Told]  # only what is mentioned is put into words: most hunches are not
    stated: bool = False  # True: odds follow from a stated probability, not from a likelihood ratio
    corrected: FloatArray | None = None


def state_hunch(
    reason: QueryReason, probability: float, sentence: str, gentle_sentence: str, evidence: dict[str, Any]
) -> Hunch:
    """Return a deterministic hunch whose ``probability`` (0 to 1) is a stated planning value."""
    return Hunch(
        kind=QueryKind.DETERMINISTIC,
        reason=reason,
        odds=probability / (1.0 - probability),
        tell=lambda: Told(sentence, gentle_sentence, evidence),
        stated=True,
    )
