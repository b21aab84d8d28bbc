"""Which gardens enter the rows of a release, and with which place: each rule by a case that was counted by hand."""

from __future__ import annotations

from collections import defaultdict

import pytest

from surveys.methods.disclosure import FEWEST_SITES
from surveys.methods.disclosure_rows import Place, ShownPlace, SitePlace, candidate_cells, plan_rows

K = FEWEST_SITES
CELLS = {"north": ["a", "b", "c", "d"]}


def sites(cell: str, number: int, *, first: int = 0, region: str = "north") -> list[SitePlace]:
    return [SitePlace(f"{cell}{at}", region, cell) for at in range(first, first + number)]


class Survey:
    """Releases one after the other: what they told is remembered as a service would."""

    def __init__(self, candidates: dict | None = None) -> None:
        self.candidates = CELLS if candidates is None else candidates
        self.known: dict[str, ShownPlace] = {}
        self.ever: dict[str, SitePlace] = {}

    def release(self, *rows: list[SitePlace]) -> dict[str, str]:
        """Make the next release; return cell, "rest" or the reason of each site."""
        here = [row for part in rows for row in part]
        self.ever |= {row.site: row for row in here}
        names = {row.site for row in here}
        absent = [self.ever[site] for site in self.known if site not in names]
        found = plan_rows(here, known=self.known, absent=absent, candidates=self.candidates)
        for site, place in found.items():
            before = self.known.get(site)
            if place.reason is None and (before is None or before.cell is None):
                self.known[site] = ShownPlace(place.region, place.cell)
        return {site: place.reason.value if place.reason else place.cell or "rest" for site, place in found.items()}


def told(found: dict[str, str]) -> dict[str, int]:
    """Count sites as 'cell of the site: what was told', to compare with a count by hand."""
    numbers: dict[str, int] = defaultdict(int)
    for site, what in found.items():
        numbers[f"{site[0]}: {what}"] += 1
    return dict(numbers)


# --- one release ------------------------------------------------------------------------------------


def test_a_cell_with_five_gardens_is_shown_and_the_others_go_without_cell() -> None:
    found = Survey().release(sites("a", 5), sites("b", 4), sites("c", 1))
    assert told(found) == {"a: a": 5, "b: rest": 4, "c: rest": 1}


def test_a_rest_of_four_gardens_is_kept_back() -> None:
    found = Survey().release(sites("a", 9), sites("b", 3), sites("c", 1))
    assert told(found) == {"a: a": 9, "b: few_sites": 3, "c: few_sites": 1}


def test_regions_do_not_help_each_other() -> None:
    rows = [*sites("b", 3), *sites("c", 3, region="south")]
    found = Survey({"north": ["a", "b"], "south": ["c", "d"]}).release(rows)
    assert told(found) == {"b: few_sites": 3, "c: few_sites": 3}


def test_a_place_names_region_and_cell() -> None:
    found = plan_rows(sites("a", 5), candidates=CELLS)
    assert found["a0"] == Place("north", "a")


def test_several_sites_of_one_household_are_one_garden() -> None:
    school = [SitePlace(f"s{at}", "north", "a", household="school") for at in range(5)]
    assert set(Survey().release(school, sites("a", 3)).values()) == {"few_sites"}
    assert set(Survey().release(school, sites("a", 4)).values()) == {"a"}


def test_without_a_list_of_candidates_only_cells_with_sites_are_thought_of() -> None:
    # b and c could be the only ones left: that is two, enough. With all in b and a shown, b would be the only one.
    rows = [*sites("a", 5), *sites("b", 4), *sites("c", 1)]
    assert plan_rows(rows)["b0"] == Place("north", None)


def test_a_region_whose_only_other_cell_is_a_sliver_hides_nobody() -> None:
    # b and x hold five together, but x is no candidate: whoever goes out without a cell would be looked for in b.
    found = Survey({"north": ["a", "b"]}).release(sites("a", 7), sites("b", 4), sites("x", 1))
    assert told(found) == {"a: a": 7, "b: few_sites": 4, "x: few_sites": 1}


# --- who joins later ---------------------------------------------------------------------------------


def test_fewer_than_five_newcomers_wait_beside_a_shown_cell() -> None:
    survey = Survey()
    survey.release(sites("a", 6))
    assert told(survey.release(sites("a", 10))) == {"a: a": 6, "a: new_site": 4}
    assert told(survey.release(sites("a", 11))) == {"a: a": 11}


def test_newcomers_of_the_rest_wait_as_well() -> None:
    survey = Survey()
    survey.release(sites("b", 3), sites("c", 3))
    found = survey.release(sites("b", 4), sites("c", 4))
    assert told(found) == {"b: rest": 3, "c: rest": 3, "b: new_site": 1, "c: new_site": 1}
    found = survey.release(sites("b", 4), sites("c", 4), sites("d", 3))  # 1 + 1 + 3 are five
    assert told(found) == {"b: rest": 4, "c: rest": 4, "d: rest": 3}


def test_a_cell_that_only_newcomers_would_lift_to_five_is_not_shown_yet() -> None:
    survey = Survey()
    survey.release(sites("b", 4), sites("c", 3))
    assert told(survey.release(sites("b", 6), sites("c", 3))) == {"b: rest": 4, "b: new_site": 2, "c: rest": 3}


def test_a_new_cell_of_five_newcomers_is_shown_at_once() -> None:
    survey = Survey()
    survey.release(sites("a", 5))
    assert told(survey.release(sites("a", 5), sites("b", 5))) == {"a: a": 5, "b: b": 5}


# --- who leaves --------------------------------------------------------------------------------------


def test_a_cell_that_has_fallen_below_five_is_not_shown_any_more() -> None:
    survey = Survey()
    survey.release(sites("a", 6), sites("b", 4), sites("c", 4))
    found = survey.release(sites("a", 3), sites("b", 4), sites("c", 4))
    assert told(found) == {"a: rest": 3, "b: rest": 4, "c: rest": 4}


def test_those_whose_cell_is_known_hide_nobody_else() -> None:
    # Four of a are known to be there. The one of b would be the only garden that can be anywhere else.
    survey = Survey()
    survey.release(sites("a", 5))
    assert told(survey.release(sites("a", 4), sites("b", 1))) == {"a: few_sites": 4, "b: few_sites": 1}


def test_newcomers_to_a_cell_that_has_fallen_wait_until_it_is_shown_again() -> None:
    survey = Survey()
    survey.release(sites("a", 5), sites("b", 4), sites("c", 4))
    found = survey.release(sites("a", 2, first=5), sites("b", 4), sites("c", 4), sites("d", 4))
    assert told(found) == {"a: new_site": 2, "b: rest": 4, "c: rest": 4, "d: new_site": 4}


def test_a_rest_of_five_that_one_leaves_is_kept_back() -> None:
    survey = Survey()
    survey.release(sites("b", 3), sites("c", 2))
    assert told(survey.release(sites("b", 2), sites("c", 2))) == {"b: few_sites": 2, "c: few_sites": 2}


# --- cells that would give others away ---------------------------------------------------------------


def test_a_cell_is_not_shown_when_that_leaves_one_cell_for_the_others() -> None:
    # First design: with a shown, whoever went out without a cell and is not in a can only be in b, which has four.
    survey = Survey({"north": ["a", "b"]})
    assert told(survey.release(sites("a", 4), sites("b", 4))) == {"a: rest": 4, "b: rest": 4}
    assert told(survey.release(sites("a", 9), sites("b", 4))) == {"a: rest": 9, "b: rest": 4}


def test_both_last_cells_are_shown_together() -> None:
    survey = Survey({"north": ["a", "b"]})
    survey.release(sites("a", 4), sites("b", 4))
    assert told(survey.release(sites("a", 9), sites("b", 9))) == {"a: a": 9, "b: b": 9}


def test_a_cell_is_not_shown_when_that_leaves_fewer_than_five_gardens_behind() -> None:
    survey = Survey()
    survey.release(sites("a", 4), sites("b", 1))
    assert told(survey.release(sites("a", 9), sites("b", 1))) == {"a: rest": 9, "b: rest": 1}
    found = survey.release(sites("a", 9), sites("b", 1), sites("c", 4), sites("d", 1))  # now six stay behind
    assert told(found) == {"a: a": 9, "b: rest": 1, "c: rest": 4, "d: rest": 1}


def test_those_who_have_left_since_are_not_given_away_either() -> None:
    survey = Survey()
    survey.release(sites("a", 4), sites("b", 1))
    assert told(survey.release(sites("a", 9))) == {"a: rest": 9}


def test_of_two_new_cells_the_one_with_fewer_gardens_protects_the_others() -> None:
    survey = Survey()
    survey.release(sites("a", 4), sites("b", 4), sites("c", 1))
    found = survey.release(sites("a", 12), sites("b", 9), sites("c", 1))
    assert told(found) == {"a: a": 12, "b: rest": 9, "c: rest": 1}


def test_a_rest_that_was_never_shown_needs_no_protection() -> None:
    survey = Survey({"north": ["a", "b"]})
    survey.release(sites("a", 5), sites("b", 4))  # b was kept back
    assert told(survey.release(sites("a", 5), sites("b", 9))) == {"a: a": 5, "b: b": 9}


def test_where_the_place_of_one_who_left_is_not_stored_two_cells_stay_unshown() -> None:
    known = {row.site: ShownPlace("north", None) for row in [*sites("a", 4), *sites("b", 1)]}
    rows = sites("a", 9)  # b0 is stored no more: it could be anywhere
    two = plan_rows(rows, known=known, candidates={"north": ["a", "b"]})
    assert {place.cell for place in two.values()} == {None}
    three = plan_rows(rows, known=known, candidates={"north": ["a", "b", "c"]})
    assert {place.cell for place in three.values()} == {"a"}


def test_slivers_after_a_change_of_the_boundary_keep_every_new_cell_unshown() -> None:
    known = {row.site: ShownPlace("north", None) for row in [*sites("a", 4), *sites("b", 4)]}
    found = plan_rows([*sites("a", 9), *sites("b", 4)], known=known, candidates={"north": ["a"]})
    assert told({site: place.reason.value if place.reason else "out" for site, place in found.items()}) == {
        "a: few_sites": 9, "b: few_sites": 4
    }  # fmt: skip


# --- input -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rows", "absent", "fewest", "words"),
    [
        ([*sites("a", 1), *sites("a", 1)], [], 5, "Found the site a0 twice"),
        (sites("a", 1), sites("a", 1), 5, "Found the site a0 twice"),
        (sites("a", 1), [], 1, "found 1, expected 2 or more"),
    ],
)
def test_input_that_does_not_fit_is_refused(rows: list, absent: list, fewest: int, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        plan_rows(rows, absent=absent, fewest=fewest)


def test_no_site_gives_no_place() -> None:
    assert dict(plan_rows([])) == {}


@pytest.mark.parametrize(("north", "third"), [(51.504, False), (51.506, True)])
def test_a_sliver_of_a_cell_is_no_candidate(north: float, third: bool) -> None:
    # 51.3 to 51.5 north are two whole cells of 0.1 degrees; 0.004 of the third is 4 % of it, 0.006 is 6 %.
    ring = [[-18.2, 51.3], [-18.1, 51.3], [-18.1, north], [-18.2, north], [-18.2, 51.3]]
    found = candidate_cells({"type": "Polygon", "coordinates": [ring]})
    assert found == {"n51.30w18.20", "n51.40w18.20", *(["n51.50w18.20"] if third else [])}
