"""The invented truth behind simulated returns: rates, effects, and the estimand of the level index."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from json import dumps
from typing import Any

import numpy as np
from scipy.special import gammaincinv, ndtr

from .simulation_records import Floats, WindowPlan, World

#: Seed of the truth itself, apart from that of a sample: the isles are always the same.
TRUTH_SEED = 1851
#: Mean catch of a group in one settled trap-night, chosen by hand: the planning medians of the group list,
#: section 3, are 0 for most groups and state no mean. Common practice, no source.
COMMON_RATES = {
    "woodlice": 5.0, "springtails": 6.5, "ants": 5.0, "spiders": 2.2, "ground_beetles": 1.6, "slugs": 1.8, "mites": 3.0,
    "flies": 1.2, "rove_beetles": 1.0, "earwigs": 0.9, "millipedes": 1.1, "snails": 0.7, "earthworms": 0.5,
}  # fmt: skip
RARE_RATE = 0.25
#: Correlation of the normal scores of a garden's factors for two groups. Common practice, no source.
SITE_SHARING = 0.3
#: Weather of the isles, degrees Celsius: daily minimum ~ Normal, maximum = minimum + Uniform. Invented.
MIN_MEAN_C, MIN_SD_C = 9.0, 2.0
MAX_LESS_MIN_C = (4.0, 10.0)
#: Groups that are rarer than others.
RARE_RATES = {"land_flatworms": 0.1, "weevils": 0.3, "harvestmen": 0.5, "centipedes": 0.35, "landhoppers": 0.3}


def world_from_mappings(
    groups: Sequence[Mapping[str, Any]],
    habitats: Sequence[Mapping[str, Any]],
    season: Mapping[str, Any],
    regions: Mapping[str, Any],
) -> World:
    """Return the world of a season description and a GeoJSON FeatureCollection, all parsed already.

    ``habitats`` is there so that an unknown habitat is refused. Raises ValueError for it.
    """
    known = {row["code"]: row for row in groups}
    listed = tuple(season["groups"])
    unknown = [row["code"] for row in season["habitats"] if row["code"] not in {one["code"] for one in habitats}]
    if unknown:
        raise ValueError(f"The season asks for habitats that are not described: {', '.join(unknown)}.")
    pairs = [
        (listed.index(code), listed.index(other))
        for code in listed
        for other in known[code]["look_alikes"]
        if other in listed
    ]
    weights = np.array([row["weight"] for row in season["habitats"]], dtype=np.float64)
    features = regions["features"]
    windows = tuple(
        WindowPlan(row["code"], date.fromisoformat(row["first_day"]), date.fromisoformat(row["last_day"]))
        for row in season["windows"]
    )
    return World(
        groups=listed,
        ceilings=tuple(int(known[code]["ceiling"]) for code in listed),
        look_alikes=tuple(dict.fromkeys((min(a, b), max(a, b)) for a, b in pairs)),
        habitats=tuple(row["code"] for row in season["habitats"]),
        weights=weights / weights.sum(),
        regions=tuple(feature["properties"]["code"] for feature in features),
        boundaries=tuple(dumps(feature["geometry"]) for feature in features),
        windows=windows,
        site_sharing=SITE_SHARING,
        **_draw_truth(listed, len(features), len(windows), len(weights)),
    )


def _draw_truth(groups: Sequence[str], regions: int, windows: int, habitats: int) -> dict[str, Floats]:
    """Draw every rate and effect once, from the truth's own seed.

    log rate = log(mean of the group) + N(0, 0.35) for the region + N(0, 0.25) for the window + N(0, 0.15).
    """
    rng = np.random.default_rng(TRUTH_SEED)
    means = np.array([COMMON_RATES.get(code, RARE_RATES.get(code, RARE_RATE)) for code in groups])
    n = len(groups)
    log_rate = (
        np.log(means)
        + rng.normal(0, 0.35, (regions, 1, n))
        + rng.normal(0, 0.25, (1, windows, n))
        + rng.normal(0, 0.15, (regions, windows, n))
    )
    habitat = rng.normal(0, 0.4, (habitats, n))
    habitat[0] = 0.0
    mix = rng.dirichlet(np.full(habitats, 2.0), regions)
    return {
        "rate": np.exp(log_rate),
        "habitat_effect": np.exp(habitat),
        "fresh_effect": np.exp(rng.normal(0.1, 0.15, n)),
        "season_slope": rng.normal(0, 0.2, n),
        "season_curve": rng.normal(-0.1, 0.15, n),
        "site_variance": np.exp(rng.normal(np.log(0.8), 0.3, n)),
        "night_variance": np.exp(rng.normal(np.log(0.8), 0.3, n)),
        "habitat_mix": mix,
        "warmth_per_c": rng.normal(0.04, 0.02, n),  # about half of the 0.0863 of Saska et al. (2013): farmland beetles
    }


def true_rate(world: World) -> Floats:
    """Return the estimand (R, W, G): what the level index estimates.

    Animals per trap-night of a settled 75 mm trap at mid-window, mean over gardens, averaged over
    habitats with the season's published weights.
    """
    averaged: Floats = np.einsum("rwg,hg,h->rwg", world.rate, world.habitat_effect, world.weights)
    return averaged


def season_factor(world: World, x: float) -> Floats:
    """Return the factor (G,) of a day at ``x`` within its window (-1 first day, 0 middle, 1 last)."""
    factor: Floats = np.exp(world.season_slope * x + world.season_curve * x * x)
    return factor


def warmth(world: World, high_c: float) -> Floats:
    """Return the factor (G,) of a night with a daily maximum of ``high_c`` degrees; its mean over nights is 1.

    Equation: exp(b d) / E exp(b d), d the deviation from the mean maximum. d is the sum of a normal of
    standard deviation s and a uniform on -h to h, so E exp(b d) = exp(b^2 s^2 / 2) sinh(b h) / (b h).
    """
    b = world.warmth_per_c
    middle = MIN_MEAN_C + sum(MAX_LESS_MIN_C) / 2
    half = (MAX_LESS_MIN_C[1] - MAX_LESS_MIN_C[0]) / 2
    mean = np.exp(b * b * MIN_SD_C**2 / 2) * np.sinh(b * half) / (b * half)
    factor: Floats = np.exp(b * (high_c - middle)) / mean
    return factor


def draw_site_factors(world: World, rng: np.random.Generator) -> Floats:
    """Return the factors (G,) of one garden: each gamma with mean 1 and variance ``site_variance``, partly shared.

    Equation: u_g = F_g^-1(Phi(sqrt(s) z + sqrt(1 - s) z_g)), F_g the gamma distribution of shape 1 / V_g and
    scale V_g, z and z_g standard normal, s = ``site_sharing``. Reference: Gaussian copula, Nelsen (2006), 2.3,
    from memory.
    """
    shared, own = rng.standard_normal(), rng.standard_normal(len(world.groups))
    scores = np.sqrt(world.site_sharing) * shared + np.sqrt(1.0 - world.site_sharing) * own
    factors: Floats = gammaincinv(1.0 / world.site_variance, ndtr(scores)) * world.site_variance
    return factors
