"""Where the next gardens help most: gates first, then the widest index; against trying every placement."""

from __future__ import annotations

from itertools import combinations_with_replacement

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from surveys.methods.design_gardens import (
    LEANING_VARIANCE,
    Aim,
    PlanCell,
    Yardstick,
    one_more,
    place_gardens,
    region_variance,
    usual_garden,
)
from surveys.methods.design_records import DesignComponents
from surveys.methods.level_records import LevelSettings

PARTS = DesignComponents(1.0, 1.0)
LEVEL = LevelSettings()
SHOWN = (
    PlanCell("alder", "lawn", 12, 36, 0.5, 2.0),
    PlanCell("alder", "hedge", 6, 18, 0.5, 2.0),
    PlanCell("cawder", "lawn", 10, 30, 0.5, 2.0),
    PlanCell("cawder", "hedge", 0, 0, 0.5, 2.0),
)


def yardstick(cells: tuple[PlanCell, ...], aim: Aim = Aim.SUM) -> Yardstick:
    usual = usual_garden(cells)
    return Yardstick(PARTS, usual.site_nights / usual.sites, usual, LEVEL, aim)


def test_the_planning_variance_of_a_region_is_arithmetic() -> None:
    # one garden's variance with 3 nights at 2: 1/6 + 1 + 2/3 = 11/6; shares of the index 1/2 each; by hand
    information = 12 * 6 / 11 + 1 / LEANING_VARIANCE, 6 * 6 / 11 + 1 / LEANING_VARIANCE
    expected = 0.25 / information[0] + 0.25 / information[1]
    assert region_variance(SHOWN[:2], yardstick(SHOWN)) == pytest.approx(expected)


def test_the_first_garden_goes_to_the_habitat_without_any() -> None:
    first = place_gardens(SHOWN, PARTS, LEVEL, gardens=1)[0]
    assert (first.region, first.habitat, first.code, first.order) == ("cawder", "hedge", "narrows", 1)
    assert first.gain == pytest.approx(first.variance_before - first.variance_after)
    assert first.gain > 0


def test_gardens_placed_one_by_one_are_as_good_as_the_best_of_all_placements() -> None:
    gardens, ruler = 5, yardstick(SHOWN)

    def total(cells: list[PlanCell]) -> float:
        return sum(region_variance([c for c in cells if c.region == name], ruler) for name in ("alder", "cawder"))

    best = min(
        total(_with(SHOWN, chosen, ruler)) for chosen in combinations_with_replacement(range(len(SHOWN)), gardens)
    )
    placed = place_gardens(SHOWN, PARTS, LEVEL, gardens=gardens)
    names = [(c.region, c.habitat) for c in SHOWN]
    assert total(_with(SHOWN, [names.index((g.region, g.habitat)) for g in placed], ruler)) == pytest.approx(best)


def _with(cells: tuple[PlanCell, ...], chosen, ruler: Yardstick) -> list[PlanCell]:
    grown = list(cells)
    for at in chosen:
        grown[at] = one_more(grown[at], ruler.nights_each)
    return grown


def test_gardens_open_the_gate_that_needs_fewest_before_anything_else() -> None:
    cells = (
        *SHOWN,
        PlanCell("larkfell", "lawn", 5, 15, 1.0, 2.0),  # 5 more for the gate
        PlanCell("thornmere", "lawn", 7, 21, 1.0, 2.0),  # 3 more
    )
    placed = place_gardens(cells, PARTS, LEVEL)
    assert [garden.region for garden in placed[:8]] == ["thornmere"] * 3 + ["larkfell"] * 5
    codes = [garden.code for garden in placed]
    assert codes == [
        "toward_gate",
        "toward_gate",
        "opens_gate",
        *["toward_gate"] * 4,
        "opens_gate",
        "narrows",
        "narrows",
    ]
    assert [garden.still_missing for garden in placed[:3]] == [2, 1, 0]


def test_a_gate_out_of_reach_gets_nothing_while_others_are_shown() -> None:
    cells = (*SHOWN, PlanCell("westerhay", "lawn", 0, 0, 1.0, 2.0))
    assert all(garden.region != "westerhay" for garden in place_gardens(cells, PARTS, LEVEL, gardens=4))


def test_where_nothing_is_shown_gardens_go_where_they_narrow_most() -> None:
    cells = (PlanCell("alder", "lawn", 0, 0, 1.0, 2.0), PlanCell("cawder", "lawn", 1, 2, 1.0, 2.0))
    placed = place_gardens(cells, PARTS, LEVEL, gardens=2)
    assert [garden.code for garden in placed] == ["toward_gate", "toward_gate"]
    assert placed[0].region == "alder"


def test_the_worst_index_is_narrowed_first_when_that_is_the_aim() -> None:
    placed = place_gardens(SHOWN, PARTS, LEVEL, gardens=3, aim=Aim.WORST)
    before = {
        name: region_variance([c for c in SHOWN if c.region == name], yardstick(SHOWN)) for name in ("alder", "cawder")
    }
    assert placed[0].region == max(before, key=lambda name: before[name])
    assert all(garden.gain >= 0 for garden in placed)


def test_ties_go_to_the_cell_that_is_listed_first() -> None:
    twins = tuple(PlanCell(name, "lawn", 12, 36, 1.0, 2.0) for name in ("brindle", "alder"))
    assert [garden.region for garden in place_gardens(twins, PARTS, LEVEL, gardens=4)] == ["brindle", "alder"] * 2


def test_gains_of_one_aim_never_rise() -> None:
    gains = [garden.gain for garden in place_gardens(SHOWN, PARTS, LEVEL)]
    assert gains == sorted(gains, reverse=True)


def test_nothing_to_place_or_nowhere_to_place_it() -> None:
    assert place_gardens((), PARTS, LEVEL) == ()
    assert place_gardens(SHOWN, PARTS, LEVEL, gardens=0) == ()


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        (PlanCell("alder", "lawn", 1, 2, 1.0, 0.0), "a rate above 0"),
        (PlanCell("alder", "lawn", 1, 2, -1.0, 1.0), "a weight of 0 or more"),
        (PlanCell("alder", "lawn", 3, 2, 1.0, 1.0), "a night or more each"),
        (PlanCell("alder", "lawn", -1, 2, 1.0, 1.0), "0 or more"),
        (PlanCell("alder", "lawn", 1, 2, 0.0, 1.0), "all weights are 0"),
    ],
)
def test_cells_that_cannot_be_planned_with_are_refused(cell: PlanCell, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        place_gardens((cell,), PARTS, LEVEL)


def test_a_cell_that_is_there_twice_is_refused() -> None:
    with pytest.raises(ValueError, match="twice"):
        place_gardens((SHOWN[0], SHOWN[0]), PARTS, LEVEL)


CELLS = st.lists(
    st.tuples(st.sampled_from("abc"), st.sampled_from("xy"), st.integers(0, 25), st.floats(0.05, 20)),
    min_size=1, max_size=6, unique_by=lambda row: row[:2],
)  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(CELLS, st.sampled_from(list(Aim)))
def test_every_garden_is_placed_once_and_no_index_gets_wider(rows, aim: Aim) -> None:
    cells = tuple(PlanCell(region, habitat, sites, 2 * sites, 0.5, rate) for region, habitat, sites, rate in rows)
    placed = place_gardens(cells, PARTS, LEVEL, aim=aim)
    assert [garden.order for garden in placed] == list(range(1, 11))
    assert all(garden.variance_after <= garden.variance_before + 1e-12 for garden in placed)
    assert placed == place_gardens(cells, PARTS, LEVEL, aim=aim)
