"""The simulator: the same every time, true to its own equations, with every kind of slip."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from surveys.methods.geography import region_holds
from surveys.methods.simulation import Simulated, World, simulate_season, true_rate, world_from_mappings
from surveys.methods.simulation_slips import SLIPS
from surveys.vocabulary import REPORTED_MEASURES, REPORTED_WORDS

FIXTURES = Path(__file__).resolve().parents[3] / "fixtures"
AS_OF = datetime(2026, 11, 1, tzinfo=UTC)


def read(name: str) -> Any:
    return json.loads((FIXTURES / name).read_text())


@pytest.fixture(scope="module")
def world() -> World:
    return world_from_mappings(
        read("reference/groups.json"),
        read("reference/habitats.json"),
        read("demo/season.json"),
        read("demo/merrow.geojson"),
    )


@pytest.fixture(scope="module")
def season(world: World) -> Simulated:
    return simulate_season(world, rng=np.random.default_rng(3), households=240, schools=6, as_of=AS_OF)


def test_the_same_seed_gives_the_same_season(world: World) -> None:
    first, second = (
        simulate_season(world, rng=np.random.default_rng(9), households=12, schools=1, as_of=AS_OF) for _ in range(2)
    )
    assert first == second


def test_gardens_lie_in_their_regions_and_nights_in_the_season(world: World, season: Simulated) -> None:
    for garden in season.gardens:
        assert region_holds(json.loads(world.boundaries[garden.region]), garden.latitude, garden.longitude)
    honest = [one for one in season.returns if one.slip is None]
    assert all(one.set_at < one.emptied_at <= AS_OF for one in honest)


def test_every_word_and_measure_is_one_that_the_service_takes(season: Simulated) -> None:
    for one in season.returns[:400]:
        for name, value in one.fields:
            if name in REPORTED_WORDS:
                assert value in REPORTED_WORDS[name].values(), (name, value)
            elif name in REPORTED_MEASURES:
                low, high = REPORTED_MEASURES[name]
                assert low <= value <= high, (name, value)


def test_about_one_return_in_twenty_carries_one_of_fifteen_slips(season: Simulated) -> None:
    """Methods page, section 5: fifteen error kinds in 5 % of returns."""
    kinds = Counter(one.slip for one in season.returns if one.slip)
    assert len(SLIPS) == 15
    assert set(kinds) == set(SLIPS)
    assert 0.04 < sum(kinds.values()) / len(season.returns) < 0.065


def test_about_one_return_in_a_hundred_is_an_honest_extreme(season: Simulated) -> None:
    assert 0.005 < sum(one.extreme for one in season.returns) / len(season.returns) < 0.016


def test_plain_averages_come_back_to_the_truth(world: World) -> None:
    """Arithmetic: one habitat, no slips, no extremes: the mean catch per unit of effort meets the stated rate.

    The world is made flat (no fresh, season or habitat effect), so that the stated mean is the whole truth;
    the tolerance is four standard errors by the spread of the garden means themselves.
    """
    flat = replace(
        world,
        habitat_effect=np.ones_like(world.habitat_effect), fresh_effect=np.ones_like(world.fresh_effect),
        season_slope=np.zeros_like(world.season_slope), season_curve=np.zeros_like(world.season_curve),
        rate=np.ones_like(world.rate) * 2.0,
    )  # fmt: skip
    made = simulate_season(flat, rng=np.random.default_rng(5), households=500, schools=0, as_of=AS_OF, slip_share=0.0)
    spiders = world.groups.index("spiders")
    caught: dict[int, list[float]] = {}
    for one in made.returns:
        answer = one.answers[spiders]
        if one.extreme or answer.low is None or answer.high is None:
            continue
        mouth = dict(one.fields)["mouth_mm"]
        effort = (one.emptied_at - one.set_at).total_seconds() / 86_400 * mouth / 75
        caught.setdefault(one.garden, []).append((answer.low + answer.high) / 2 / effort)
    means = np.array([np.mean(values) for values in caught.values()])
    assert abs(means.mean() - 2.0) < 4 * means.std(ddof=1) / np.sqrt(len(means)) + 0.02


def test_the_truth_is_the_weighted_mean_over_habitats(world: World) -> None:
    by_hand = [
        sum(world.rate[2, 1, 4] * world.habitat_effect[h, 4] * world.weights[h] for h in range(len(world.habitats)))
    ]
    assert true_rate(world)[2, 1, 4] == pytest.approx(by_hand[0], rel=1e-12)


def test_a_season_that_asks_for_an_unknown_habitat_is_refused() -> None:
    plan = read("demo/season.json")
    plan["habitats"].append({"code": "moon", "weight": 0.0})
    with pytest.raises(ValueError, match="moon"):
        world_from_mappings(
            read("reference/groups.json"), read("reference/habitats.json"), plan, read("demo/merrow.geojson")
        )
