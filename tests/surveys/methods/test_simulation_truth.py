"""What the simulator was told can be found again by plain arithmetic; honest gardens behave."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from astral import Observer
from astral.sun import sunset
from scipy import integrate, stats

from surveys.methods.simulation import simulate_season, true_rate
from surveys.methods.simulation_records import WindowPlan
from surveys.methods.simulation_truth import draw_site_factors, warmth
from surveys.vocabulary import CLASS_BOUNDS, AnswerKind
from tests.surveys.methods.merrow import AS_OF, merrow_season, merrow_world


@pytest.fixture(scope="module")
def world():
    return merrow_world()


@pytest.fixture(scope="module")
def season():
    return merrow_season()


def small(world, *, rate, habitat_effect, weights, site_variance, night_variance):
    """Return a world of one region, one window, one group and a few habitats, with a plain truth."""
    habitats = len(weights)
    return replace(
        world,
        groups=world.groups[:1], ceilings=(10**6,), look_alikes=(), habitats=world.habitats[:habitats],
        weights=np.array(weights), regions=world.regions[:1], boundaries=world.boundaries[:1],
        windows=(WindowPlan("summer", date(2026, 6, 27), date(2026, 8, 9)),),
        rate=np.full((1, 1, 1), rate), habitat_effect=np.array(habitat_effect).reshape(habitats, 1),
        fresh_effect=np.array([1.3]), season_slope=np.array([0.4]), season_curve=np.array([-0.3]),
        site_variance=np.array([site_variance]), night_variance=np.array([night_variance]),
        habitat_mix=np.full((1, habitats), 1 / habitats), warmth_per_c=np.array([0.05]),
    )  # fmt: skip


def expected_without_rate(one, window):
    """Return, by the arithmetic of the module's page, what a return catches for a rate of one."""
    fields = dict(one.fields)
    first, last = window.first_day, window.last_day
    x = 2 * (one.set_at.date() - first).days / (last - first).days - 1
    hours = (one.emptied_at - one.set_at) / timedelta(hours=1)
    fresh = 1.3 if fields["settled_h"] < 48 else 1.0
    return fresh * np.exp(0.4 * x - 0.3 * x * x) * hours / 24 * fields["mouth_mm"] / 75


def slip_free(world, seed, households, monkeypatch):
    """Return a big season with exact counts only: no class hides a number, no slip changes one."""
    monkeypatch.setattr("surveys.methods.simulation.CLASS_SHARE", 0.0)
    rng = np.random.default_rng(seed)
    season = simulate_season(world, rng=rng, households=households, schools=0, as_of=AS_OF, slip_share=0.0)
    return [one for one in season.returns if not one.extreme and one.answers[0].low is not None]


def test_averages_over_unequal_habitats_find_the_true_rate_again(world, monkeypatch):
    plain = small(
        world, rate=10.0, habitat_effect=[1.0, 2.0], weights=[0.25, 0.75], site_variance=0.05, night_variance=0.05
    )
    assert true_rate(plain) == pytest.approx(17.5)  # arithmetic by hand: 10 x (0.25 x 1 + 0.75 x 2)
    caught, effort = np.zeros((900, 2)), np.zeros((900, 2))
    for one in slip_free(plain, 3, 900, monkeypatch):
        place = one.garden, plain.habitats.index(one.habitat)
        caught[place] += one.answers[0].low
        effort[place] += expected_without_rate(one, plain.windows[0])
    rates = caught.sum(axis=0) / effort.sum(axis=0)
    # Error of a ratio of sums over independent gardens: Cochran (1977), Sampling Techniques, 2.11 (from memory).
    errors = np.sqrt(((caught - rates * effort) ** 2).sum(axis=0)) / effort.sum(axis=0)
    assert np.all(errors < 0.015 * rates), "the sample is too small to say anything"
    assert np.all(np.abs(rates - [10.0, 20.0]) < 4 * errors)
    assert abs(rates @ [0.25, 0.75] - 17.5) < 4 * np.hypot(*(errors * [0.25, 0.75]))


def test_gardens_and_nights_vary_as_the_world_says(world, monkeypatch):
    plain = small(world, rate=10.0, habitat_effect=[1.0], weights=[1.0], site_variance=0.3, night_variance=0.2)
    plain = replace(plain, warmth_per_c=np.array([1e-9]))
    by_garden = [[] for _ in range(800)]
    for one in slip_free(plain, 11, 800, monkeypatch):
        by_garden[one.garden].append((one.answers[0].low, 10.0 * expected_without_rate(one, plain.windows[0])))
    squares = [[y * (y - 1) / m**2 for y, m in rows] for rows in by_garden]
    products = [[a * b / (m * n) for k, (a, m) in enumerate(rows) for b, n in rows[k + 1 :]] for rows in by_garden]

    def mean_and_error(values):
        means = np.array([np.mean(one) for one in values if one])
        return means.mean(), means.std(ddof=1) / np.sqrt(means.size)

    # Factorial moments of a mixed Poisson count: E y(y-1) = m^2 E u^2 E v^2; two traps: E y z = m n E u^2.
    product, product_error = mean_and_error(products)
    square, square_error = mean_and_error(squares)
    assert abs(product - 1.3) < 4 * product_error < 0.4
    assert abs(square - 1.3 * 1.2) < 4 * square_error < 0.5
    # The night's own share: the ratio is free of most of the gardens' chance.
    assert square / product == pytest.approx(1.2, abs=0.05)


def test_a_garden_good_for_one_group_is_good_for_others_as_far_as_the_world_says(world):
    rng = np.random.default_rng(17)
    drawn = np.array([draw_site_factors(world, rng) for _ in range(3000)])
    # The marginal law by scipy: a gamma of mean 1 and the stated variance. With 21 groups a p-value of
    # 0.001 / 21 would come up by chance once in a thousand seeds (Bonferroni).
    for factors, variance in zip(drawn.T, world.site_variance, strict=True):
        assert stats.kstest(factors, stats.gamma(1 / variance, scale=variance).cdf).pvalue > 0.001 / 21
    # Rank correlation of two normals, kept by any rising function: 6 / pi arcsin(r / 2), Kruskal (1958), from memory.
    ranks = stats.spearmanr(drawn).statistic
    expected = 6 / np.pi * np.arcsin(0.3 / 2)
    between = ranks[~np.eye(len(world.groups), dtype=bool)]
    assert between.mean() == pytest.approx(expected, abs=0.02)
    assert np.all(np.abs(between - expected) < 5 / np.sqrt(3000))


def test_common_groups_and_rare_ones_lie_where_families_can_count_them(world):
    # Bounds agreed for the isles by hand: 1 to 8 a night for common groups, 0.05 to 0.5 for the rarest.
    mean = dict(zip(world.groups, true_rate(world).mean(axis=(0, 1)), strict=True))
    assert all(
        1 <= mean[code] <= 8 for code in ("woodlice", "springtails", "ants", "spiders", "ground_beetles", "slugs")
    )
    assert all(0.05 <= mean[code] <= 0.5 for code in ("land_flatworms", "landhoppers", "weevils", "flat_bugs"))


def test_warmth_has_a_mean_of_one_over_nights(world):
    # Numerical integration by scipy over the weather that the module states: minimum ~ N(9, 2), plus 4 to 10.
    def weighted(spread, low):
        density = np.exp(-(((low - 9) / 2) ** 2) / 2) / (2 * np.sqrt(2 * np.pi)) / 6
        return float(warmth(world, low + spread)[0] * density)

    mean, _ = integrate.dblquad(weighted, -11, 29, 4, 10)
    assert mean == pytest.approx(1.0, abs=1e-6)


def test_every_region_and_window_passes_the_gate_of_sites_and_nights(world, season):
    # Method study: at least 10 sites and 20 site-nights.
    nights = {(one.garden, one.set_at.date()) for one in season.returns if one.slip is None}
    for region in range(6):
        for plan in world.windows:
            there = [
                (garden, day)
                for garden, day in nights
                if season.gardens[garden].region == region and plan.first_day <= day <= plan.last_day
            ]
            assert len(there) >= 20
            assert len({garden for garden, _ in there}) >= 10


def test_answers_state_their_bounds_as_their_kind_demands(world, season):
    seen = Counter()
    for one in season.returns:
        assert tuple(answer.group for answer in one.answers) == world.groups
        for answer in one.answers:
            seen[answer.kind] += 1
            bounds = (answer.low, answer.high)
            if answer.kind == AnswerKind.NUMBER:
                assert answer.low == answer.high > 0
            elif answer.kind == AnswerKind.CLASS:
                assert bounds in CLASS_BOUNDS.values()
            else:
                assert bounds == ((0, 0) if answer.kind == AnswerKind.NONE_SEEN else (None, None))
    assert set(seen) == set(AnswerKind)


def test_an_honest_garden_sets_its_traps_before_sunset_and_leaves_them_for_the_night(season):
    # Sunset by astral. Set at most about 3.5 h before sunset, a trap open for 20 h holds the longest
    # night of the windows (late October at 51.5 N: about 14 h, common almanac knowledge).
    for one in season.returns:
        if one.slip is None:
            garden = season.gardens[one.garden]
            dusk = sunset(Observer(garden.latitude, garden.longitude), one.set_at.date(), tzinfo=UTC)
            assert one.set_at < dusk
            assert one.emptied_at - one.set_at >= timedelta(hours=20)


def test_nothing_ends_after_the_instant_that_was_given_not_even_by_a_slip(world):
    as_of = datetime(2026, 7, 20, 12, tzinfo=UTC)
    season = simulate_season(world, rng=np.random.default_rng(5), households=40, schools=2, as_of=as_of, slip_share=0.5)
    assert season.returns
    assert max(max(one.set_at, one.emptied_at) for one in season.returns) <= as_of
    assert min(min(one.set_at, one.emptied_at) for one in season.returns) >= datetime(2026, 1, 1, tzinfo=UTC)


def test_families_depart_from_the_protocol_now_and_then_and_mostly_keep_to_it(season):
    # The departures that the simulator promises, written out by hand; a quarter is far above their stated chances.
    promised = {
        "trap_state": {"cover_lost", "water_in", "tilted", "soil_in", "kicked"}, "liquid": {"standing_water"},
        "disturbance": {"trampled", "mown", "watered"}, "looks": {"no_look", "dusk_only"}, "cover": {"absent"},
        "rim": {"above", "slightly_above"}, "release": {"later"}, "closing": {"left_open"}, "counted_in": {"the_cup"},
    }  # fmt: skip
    honest = [dict(one.fields) for one in season.returns if one.slip is None]
    for column, words in promised.items():
        seen = Counter(fields[column] for fields in honest)
        assert words <= set(seen), column
        assert sum(seen[word] for word in words) < len(honest) / 4
    assert {fields["mouth_mm"] for fields in honest} >= {60.0, 75.0, 95.0}


def test_only_rain_takes_a_cover_and_only_one_that_was_there(season):
    lost = [dict(one.fields) for one in season.returns if dict(one.fields)["trap_state"] == "cover_lost"]
    assert lost
    assert all(fields["cover"] == "present" and fields["rain"] in ("light", "heavy") for fields in lost)


def test_ids_are_random_uuids_and_unique(season):
    assert len({one.uuid for one in season.returns}) == len(season.returns)
    assert {one.uuid.version for one in season.returns} == {4}
