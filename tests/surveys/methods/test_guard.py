"""The guard widens only where sites scatter more than the gamma model says."""

from __future__ import annotations

import numpy as np
import pytest

from surveys.methods.cell_rates import Components
from surveys.methods.guard import draw_counts, estimate_guard, excess_scatter
from surveys.methods.level_layout import Layout, arrange_rows
from surveys.methods.level_records import LevelSettings
from surveys.methods.site_lattice import Imputation
from tests.reference.level_worlds import draw_world, make_rows


def drawn_layout(site: float, seed: int = 5) -> Layout:
    world = {"cells": 6, "sites": 60, "mean": 4.0, "site_variance": site, "night_variance": 0.5}
    return arrange_rows(draw_world(np.random.default_rng(seed), **world)[0])


def guard_of(layout: Layout, counts: np.ndarray, components: Components) -> tuple[float, bool]:
    imputed = Imputation(counts, np.zeros_like(counts))
    return estimate_guard(layout, imputed, layout.effort, components, LevelSettings())


def excess_by_loops(layout: Layout, counts: np.ndarray, components: Components) -> float:
    """Method study 1.7 for one cell after another, with sums written out."""
    between, marginal = components.site, components.night * (1 + components.site)
    seen = expected = 0.0
    for c in range(layout.cells.size):
        rows = np.flatnonzero(layout.row_cell == c)
        m, y, plot = layout.effort[rows], counts[rows], layout.row_plot[rows]
        rate = y.sum() / m.sum()
        for _ in range(4):
            q = 1 / (1 + marginal * m * rate)
            d = {p: 1 / (1 + between * (q * m * rate)[plot == p].sum()) for p in set(plot)}
            w = q * np.array([d[p] for p in plot])
            last, rate = rate, (w * y).sum() / (w * m).sum()
        rate = last
        total = (w * m).sum()
        counting = {p: rate * (w**2 * m)[plot == p].sum() for p in d}
        clumping = {p: between * (w * m)[plot == p].sum() ** 2 + marginal * ((w * m)[plot == p] ** 2).sum() for p in d}
        cv2 = (w**2 * m).sum() / (rate * total**2) + sum(clumping.values()) / total**2
        clumping = {p: value * rate**2 / (1 + cv2) for p, value in clumping.items()}
        for p in d:
            h = (w * m)[plot == p].sum() / total
            residual = (w * (y - rate * m))[plot == p].sum()
            seen += residual**2 - (1 - 2 * h) * counting[p] - h**2 * sum(counting.values())
            expected += (1 - 2 * h) * clumping[p] + h**2 * sum(clumping.values())
    return seen / expected


def test_the_excess_equals_the_same_sums_written_as_loops() -> None:
    layout, components = drawn_layout(1.0), Components(1.2, 0.7)
    counts = layout.low.astype(float)
    found = excess_scatter(layout, counts, np.zeros_like(counts), layout.effort, components)
    assert float(found) == pytest.approx(excess_by_loops(layout, counts, components), rel=1e-9)


def test_under_its_own_model_the_excess_is_near_one() -> None:
    layout, components = drawn_layout(1.0), Components(1.0, 0.5)
    mu = 4.0 * layout.effort
    drawn = draw_counts(layout, mu, components, 40, np.random.default_rng(2))
    ratios = excess_scatter(layout, drawn, np.zeros_like(drawn), layout.effort, components)
    # expectation 1 by construction; 40 draws of 360 sites leave a standard error near 0.02
    assert float(ratios.mean()) == pytest.approx(1.0, abs=0.1)


def test_sites_that_scatter_more_than_assumed_widen_the_interval() -> None:
    layout = drawn_layout(2.5)
    counts = layout.low.astype(float)
    right, _ = guard_of(layout, counts, Components(2.5, 0.5))
    wrong, steady = guard_of(layout, counts, Components(0.8, 0.5))
    assert steady
    assert 1.0 <= right < 1.3
    assert right + 0.2 < wrong <= 3.0


def test_sites_that_scatter_less_never_narrow_it() -> None:
    layout = drawn_layout(0.3)
    assert guard_of(layout, layout.low.astype(float), Components(2.0, 1.0))[0] == 1.0


def test_few_animals_leave_the_guard_unused() -> None:
    layout = arrange_rows(make_rows(cell=[0] * 12, low=[0] * 11 + [1]))
    assert guard_of(layout, layout.low.astype(float), Components(1.0, 1.0)) == (1.0, False)


def test_the_same_seed_gives_the_same_guard() -> None:
    layout = drawn_layout(2.5)
    counts = layout.low.astype(float)
    assert guard_of(layout, counts, Components(1.0, 0.5)) == guard_of(layout, counts, Components(1.0, 0.5))


def test_fewer_than_two_draws_switch_the_guard_off() -> None:
    layout = drawn_layout(2.5)
    counts = layout.low.astype(float)
    settings = LevelSettings(guard_draws=1)
    found = estimate_guard(layout, Imputation(counts, 0 * counts), layout.effort, Components(0.5, 0.5), settings)
    assert found == (1.0, False)


def test_the_power_lifts_a_ratio_above_one_and_leaves_one_alone() -> None:
    components = Components(1.5, 0.5)
    layout = drawn_layout(2.5)
    imputed = Imputation(layout.low.astype(float), np.zeros(layout.low.size))
    plain, raised = (
        estimate_guard(layout, imputed, layout.effort, components, LevelSettings(guard_power=power))[0]
        for power in (1.0, 2.0)
    )
    assert 1.0 < plain < 1.7
    assert raised == pytest.approx(plain**2)  # arithmetic by hand
