"""Figures of a release's index against arithmetic by hand and another library, in gardens made for it."""

from __future__ import annotations

import itertools
import random
import uuid
from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm

from surveys.release_files.facts import write_facts
from surveys.release_files.index_estimates import compute_index_series
from surveys.release_files.tables import (
    COUNTS,
    GROUPS,
    HABITATS,
    INDEX_CHANGE,
    INDEX_LEVEL,
    REGIONS,
    RETURNS,
    SEASONS,
    WINDOWS,
)
from tests.index_rows import named, rewrite
from tests.released import HABITAT_WEIGHTS, facts, write_table


def write_garden_release(
    folder: Path, catches: Sequence[Sequence[tuple[str, int, float]]], *, years: Sequence[int] = (2026,)
) -> None:
    """Write a release of one group: for each year a list of gardens with habitat, count and hours; all settled.

    Each garden catches its count on the night before the middle of the window and again on the night after it.
    """
    chance = random.Random(5)
    write_lists(folder, years)
    returns, counts = [], []
    for year, rows in zip(years, catches, strict=True):
        for (number, (habitat, count, hours)), day in itertools.product(enumerate(rows), (20, 22)):
            one = str(uuid.UUID(int=chance.getrandbits(128), version=4))
            returns.append({
                "return_id": one, "season": f"merrow-{year}", "region": "cawder", "trap_number": 1,
                "site_id": str(uuid.UUID(int=number + 1)), "habitat": habitat, "window": "spring",
                "night": date(year, 5, day), "set_at": datetime(year, 5, day, 17),
                "emptied_at": datetime(year, 5, day + 1, 17), "exposure_hours": hours, "traps_pooled": 1,
                "trap_nights": hours / 24, "fresh": False, "school": False, "first_return": False,
                "standing": "to_protocol", "state": "standing",
            })  # fmt: skip
            counts.append({
                "return_id": one, "group": "spiders", "answer": "number", "count_min": count, "count_max": count,
                "detected": count > 0, "corrected": False,
            })  # fmt: skip
    write_table(folder, RETURNS, returns)
    write_table(folder, COUNTS, counts)
    write_facts(facts(season=f"merrow-{years[-1]}"), folder)


def write_lists(folder: Path, years: Sequence[int]) -> None:
    """Write the lists of seasons with one region, one group, three habitats and one window from 1 May to 10 June."""
    lists = {
        REGIONS: [{"region": "cawder", "name": "Cawder"}],
        GROUPS: [{"group": "spiders", "name": "Spiders", "scientific_name": "Araneae", "taxon_rank": "order"}],
        HABITATS: [{"habitat": code, "label": label, "weight": weight} for code, label, weight in HABITAT_WEIGHTS],
        WINDOWS: [{"window": "spring", "name": "Spring"}],
    }
    for table, rows in lists.items():
        write_table(folder, table, [
            {"season": f"merrow-{year}", "position": at, "first_day": date(year, 5, 1), "last_day": date(year, 6, 10), **row}
            for year in years for at, row in enumerate(rows, start=1)
        ])  # fmt: skip
    write_table(folder, SEASONS, [
        {"season": f"merrow-{year}", "title": "Merrow", "organiser": "Merrow Field Office", "protocol": "1",
         "opens_on": date(year, 4, 1), "closes_on": date(year, 9, 30), "time_zone": "Atlantic/Reykjavik",
         "licence": "CC-BY-4.0", "invented": True} for year in years
    ])  # fmt: skip


CAUGHT = (0, 1, 1, 2, 3, 3, 4, 5, 7, 9, 12, 13)  # invented; 60 in twelve gardens


def test_a_level_without_effects_is_animals_over_trap_nights(tmp_path: Path) -> None:
    """Twelve gardens, one habitat, two nights of 18 hours each: 120 animals in 18 trap-nights, by hand.

    To 1e-6: habitats that nobody used are read as one with the others, and no other effect can be told.
    """
    write_garden_release(tmp_path, [[("short_lawn", count, 18.0) for count in CAUGHT]])
    (figure,) = [row for row in named(compute_index_series(tmp_path), INDEX_LEVEL).values() if row["rim_exponent"] == 1]
    assert figure["estimate"] == pytest.approx(120 / 18, rel=1e-6)
    assert (figure["sites"], figure["trap_nights"]) == (12, pytest.approx(18))
    assert 0 < figure["low"] < 120 / 18 < figure["high"]


def test_a_level_with_habitats_weighs_the_rates_that_a_poisson_regression_finds(tmp_path: Path) -> None:
    """Against ``statsmodels`` (GLM, Poisson, log link): its rates in three habitats, with the released weights.

    Where every return has the same effort both fit the mean of each habitat. Within half a per cent: the ridge of
    METHODS.md, section 5.2, pulls each effect a little towards none.
    """
    rows = [(habitat, (3 + at) * count, 24.0) for at, (habitat, *_) in enumerate(HABITAT_WEIGHTS) for count in CAUGHT]
    write_garden_release(tmp_path, [rows])
    figure = next(iter(named(compute_index_series(tmp_path), INDEX_LEVEL).values()))
    design = np.array([[row[0] == habitat for habitat, *_ in HABITAT_WEIGHTS] for row in rows], dtype=float)
    fitted = sm.GLM([row[1] for row in rows], design, family=sm.families.Poisson()).fit()
    expected = float(np.exp(fitted.params) @ [weight for *_, weight in HABITAT_WEIGHTS])
    assert figure["estimate"] == pytest.approx(expected, rel=0.005)


def test_a_change_in_which_every_garden_doubles_is_a_doubling(tmp_path: Path) -> None:
    """Within 5 %: the fixed working variance of nights pulls a little (METHODS.md, section 6.1)."""
    years = [[("short_lawn", factor * count, 24.0) for count in CAUGHT] for factor in (1, 2)]
    write_garden_release(tmp_path, years, years=(2025, 2026))
    raw, adjusted = named(compute_index_series(tmp_path), INDEX_CHANGE).values()
    assert (raw["adjusted"], adjusted["adjusted"], raw["base"]) == (False, True, "merrow-2025")
    assert raw["ratio"] == pytest.approx(2.0, rel=0.05)
    assert (raw["code"], raw["revisited_sites"]) == ("shown", 12)
    assert raw["p_adjusted"] == raw["p_value"]  # one change is shown, so one test is made


def test_traps_of_one_garden_on_one_night_are_one_site_night(tmp_path: Path) -> None:
    write_garden_release(tmp_path, [[("short_lawn", count, 24.0) for count in CAUGHT]])
    first = str(uuid.UUID(int=1))
    one_garden = {str(uuid.UUID(int=number)) for number in range(1, 6)}
    rewrite(
        tmp_path,
        RETURNS,
        lambda rows: [row.update(site_id=first) for row in rows if row["site_id"] in one_garden],
    )
    figure = next(iter(named(compute_index_series(tmp_path), INDEX_LEVEL).values()))
    assert (figure["sites"], figure["site_nights"], figure["returns"]) == (8, 16, 24)
