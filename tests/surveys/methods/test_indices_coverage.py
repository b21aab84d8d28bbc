"""Coverage of the nominal 95 % interval in drawn worlds: seeded, small, to catch gross errors."""

from __future__ import annotations

import numpy as np
import pytest

from surveys.methods.indices import estimate_level
from surveys.methods.level_records import LevelSettings
from tests.reference.level_worlds import draw_world


def shares(sets: int, **world: object) -> tuple[float, float, float]:
    """Return the share of true rates inside their interval, the mean of estimate over truth, and the mean log width."""
    inside, ratios, widths = [], [], []
    for seed in range(sets):
        rows, truth = draw_world(np.random.default_rng(1000 + seed), **world)
        for cell, rate in zip(estimate_level(rows, LevelSettings()).cells, truth, strict=True):
            assert cell.estimate is not None
            assert cell.low is not None
            assert cell.high is not None
            inside.append(cell.low <= rate <= cell.high)
            ratios.append(cell.estimate / rate)
            if cell.low > 0:
                widths.append(np.log(cell.high / cell.low))
    return float(np.mean(inside)), float(np.mean(ratios)), float(np.mean(widths))


# Method study 3 (its own simulation): 94.3 to 97.9 % at 8 to 20 sites; log width 1.80 at 10 sites, mean 3, 1/1.
# 300 cells leave a standard error of 1.3 %: 92 to 98 % catches gross errors only.
@pytest.mark.parametrize(
    "world",
    [
        {"mean": 2.0, "site_variance": 1.0, "night_variance": 1.0},
        {"mean": 0.3, "site_variance": 0.3, "night_variance": 2.5},
        {"mean": 10.0, "site_variance": 2.5, "night_variance": 0.5, "share_classed": 0.6},
        {"mean": 2.0, "site_variance": 1.0, "night_variance": 1.0, "with_effects": True, "share_classed": 0.6},
    ],
)
def test_intervals_hold_the_true_rate_about_as_often_as_they_say(world: dict[str, object]) -> None:
    coverage, ratio, _ = shares(15, cells=20, sites=12, **world)
    assert 0.92 <= coverage <= 0.98
    assert 0.88 <= ratio <= 1.12


def test_intervals_are_about_as_wide_as_the_study_found() -> None:
    _, _, width = shares(8, cells=20, sites=10, mean=3.0, site_variance=1.0, night_variance=1.0)
    assert width == pytest.approx(1.80, rel=0.1)  # method study 3, second table
