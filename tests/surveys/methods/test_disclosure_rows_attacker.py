"""Somebody who knows the rules and every release goes through all worlds that fit them, and finds nobody's cell.

A world is: in which cell each site lies, and which sites have rows at each release. For small surveys all worlds are
tried; the attacker keeps those whose releases look as those that were published. Where one cell is left for a site that
went out without one, it is found. Written apart from the rules under test; k is 2 or 3 here so that worlds stay few.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from functools import cache
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from surveys.methods.disclosure_rows import Place, ShownPlace, SitePlace, plan_rows

REST = "rest"
Told = tuple[str | None, ...]  #: of each site by number: its cell, REST, or None where it is not in the release
Rule = Callable[[tuple[str, ...], Told, tuple[int, ...], str, int], Told]


def told_so_far(history: tuple[Told, ...], number: int) -> Told:
    """Return what all releases together tell of each site: a cell that was shown once stays known."""
    known: list[str | None] = [None] * number
    for release in history:
        known = [(new or old) if old in {None, REST} else old for old, new in zip(known, release, strict=True)]
    return tuple(known)


@cache
def under_test(cells: tuple[str, ...], known: Told, here: tuple[int, ...], candidates: str, k: int) -> Told:
    return _planned(cells, known, here, candidates, k, store=True, homes=1)


@cache
def forgetting(cells: tuple[str, ...], known: Told, here: tuple[int, ...], candidates: str, k: int) -> Told:
    """The same where the places of sites that have no rows any more are not stored."""
    return _planned(cells, known, here, candidates, k, store=False, homes=1)


@cache
def two_homes(cells: tuple[str, ...], known: Told, here: tuple[int, ...], candidates: str, k: int) -> Told:
    """The same where the first two sites are of one household."""
    return _planned(cells, known, here, candidates, k, store=True, homes=2)


def _planned(cells, known, here, candidates, k, *, store: bool, homes: int) -> Told:
    def site(at: int) -> SitePlace:
        return SitePlace(str(at), "north", cells[at], household=max(at, homes - 1))

    memory = {
        str(at): ShownPlace("north", None if what == REST else what)
        for at, what in enumerate(known)
        if what is not None
    }
    absent = [site(at) for at in range(len(cells)) if str(at) in memory and at not in here] if store else []
    found = plan_rows(
        [site(at) for at in here], known=memory, absent=absent, candidates={"north": candidates}, fewest=k
    )
    return tuple(_word(found.get(str(at))) for at in range(len(cells)))


def _word(place: Place | None) -> str | None:
    return None if place is None or place.reason is not None else place.cell or REST


@cache
def first_design(cells: tuple[str, ...], known: Told, here: tuple[int, ...], candidates: str, k: int) -> Told:
    """The plain rule that one would write first: k in a cell, k in the rest, a few newcomers wait. It leaks."""
    left = set(here)
    while True:
        by_cell: dict[str, list[int]] = defaultdict(list)
        for at in sorted(left):
            by_cell[cells[at]].append(at)
        shown = {cell: rows for cell, rows in by_cell.items() if len(rows) >= k}
        rest = [at for cell, rows in by_cell.items() if cell not in shown for at in rows]
        strata = [*shown.values(), *([rest] if len(rest) >= k else [])]
        new = [[at for at in rows if known[at] is None] for rows in strata]
        waiting = {at for rows, few in zip(strata, new, strict=True) if len(few) < min(k, len(rows)) for at in few}
        if not waiting:
            break
        left -= waiting
    told = {at: cell for cell, rows in shown.items() for at in rows}
    return tuple(told.get(at, REST if at in rest and len(rest) >= k else None) for at in range(len(cells)))


def worlds_by_releases(rule: Rule, *, sites: int, cells: str, k: int, releases: int) -> dict:
    """Return, for each series of releases that there can be, the worlds that give it."""
    subsets = [tuple(at for at in range(sites) if number >> at & 1) for number in range(2**sites)]
    found: dict[tuple[Told, ...], set[tuple[str, ...]]] = defaultdict(set)
    for world in product(cells, repeat=sites):
        histories: set[tuple[Told, ...]] = {()}
        for _ in range(releases):
            histories = {
                (*history, rule(world, told_so_far(history, sites), here, cells, k))
                for history in histories
                for here in subsets
            }
        for history in histories:
            found[history].add(world)
    return found


def victims(found: dict, cells: str) -> Iterator[tuple[str, set[str], set[str], list[str]]]:
    """Yield for each site without a shown cell in each world: its cell, the cells it may lie in, those never shown.

    Last come the true cells of all sites that went out without one and lie in never-shown cells, by site.
    """
    for history, worlds in found.items():
        known = told_so_far(history, len(history[0]))
        hidden = [at for at, what in enumerate(known) if what == REST]
        never_shown = set(cells) - {what for what in known if what}
        possible = {at: {world[at] for world in worlds} for at in hidden}
        for world in worlds:
            unseen = {at: world[at] for at in hidden if world[at] in never_shown}
            yield from ((cell, possible[at], never_shown, unseen) for at, cell in unseen.items())


SURVEYS = [
    {"sites": 4, "cells": "ab", "k": 2, "releases": 3},
    {"sites": 4, "cells": "abc", "k": 2, "releases": 2},
    {"sites": 5, "cells": "ab", "k": 2, "releases": 2},
    {"sites": 6, "cells": "ab", "k": 3, "releases": 2},
]
NAMES = ["-".join(str(value) for value in survey.values()) for survey in SURVEYS]


@pytest.mark.parametrize("survey", SURVEYS, ids=NAMES)
def test_nobody_without_a_shown_cell_is_found(survey: dict) -> None:
    seen = 0
    for cell, possible, never_shown, unseen in victims(worlds_by_releases(under_test, **survey), survey["cells"]):
        seen += 1
        assert len(possible) > 1
        assert possible >= never_shown
        assert sum(1 for other in unseen.values() if other in possible) >= survey["k"], cell
    assert seen > 100


@pytest.mark.parametrize("survey", [SURVEYS[0], SURVEYS[2], SURVEYS[3]], ids=[NAMES[0], NAMES[2], NAMES[3]])
def test_the_attacker_finds_somebody_under_the_first_design(survey: dict) -> None:
    found = victims(worlds_by_releases(first_design, **survey), survey["cells"])
    assert any(len(possible) == 1 for _, possible, _, _ in found)


def test_nobody_is_found_where_the_service_has_forgotten_places() -> None:
    for survey in SURVEYS[:2]:
        for _, possible, _, _ in victims(worlds_by_releases(forgetting, **survey), survey["cells"]):
            assert len(possible) > 1


def test_two_sites_of_one_household_do_not_hide_each_other() -> None:
    survey = SURVEYS[0]
    for _, possible, _, unseen in victims(worlds_by_releases(two_homes, **survey), survey["cells"]):
        assert len(possible) > 1
        assert len({max(at, 1) for at, cell in unseen.items() if cell in possible}) >= survey["k"]


# --- larger surveys, k = 5: the properties that the proof in the module leans on ---------------------------

K, CELLS = 5, "abcdef"
SITES = st.lists(st.tuples(st.sampled_from(CELLS), st.integers(0, 40)), min_size=1, max_size=45)
ROUNDS = st.lists(st.sets(st.integers(0, 44), max_size=45), min_size=2, max_size=4)


def series(gardens: list, rounds: list, names: str = CELLS) -> list[dict[str, str | None]]:
    """Return what each release of a random survey tells of each site; ``names`` renames the cells."""
    rows = [
        SitePlace(f"s{at:02}", "north", names[CELLS.index(cell)], household)
        for at, (cell, household) in enumerate(gardens)
    ]
    known: dict[str, ShownPlace] = {}
    told = []
    for chosen in rounds:
        here = [row for at, row in enumerate(rows) if at in chosen]
        absent = [row for row in rows if row.site in known and row not in here]
        found = plan_rows(here, known=known, absent=absent, candidates={"north": CELLS})
        told.append({site: _word(place) for site, place in found.items()})
        for site, word in told[-1].items():
            if word is not None and (site not in known or known[site].cell is None):
                known[site] = ShownPlace("north", None if word == REST else word)
    return told


@settings(max_examples=150, deadline=None)
@given(SITES, ROUNDS)
def test_every_shown_place_stands_for_five_gardens_of_those_it_could_be(gardens: list, rounds: list) -> None:
    of_site = {f"s{at:02}": garden for at, garden in enumerate(gardens)}
    public: set[str] = set()
    seen: dict[str, str] = {}
    for told in series(gardens, rounds):
        newcomers: dict[str, set[int]] = defaultdict(set)
        crowd: dict[str, set[int]] = defaultdict(set)
        for site, word in told.items():
            if word is not None:
                assert word in {of_site[site][0], REST}
                crowd[word].add(of_site[site][1])
                if site not in seen:
                    newcomers[word].add(of_site[site][1])
        assert all(len(gardens_in) >= K for gardens_in in [*crowd.values(), *newcomers.values()])
        public |= crowd.keys() - {REST}
        seen |= {site: word for site, word in told.items() if word and seen.get(site, REST) == REST}
        hidden = [of_site[site] for site, word in seen.items() if word == REST and of_site[site][0] not in public]
        assert not hidden or len({household for _, household in hidden}) >= K
        assert not hidden or len(set(CELLS) - public) > 1


@settings(max_examples=150, deadline=None)
@given(SITES, ROUNDS, st.permutations(CELLS))
def test_names_of_cells_play_no_part(gardens: list, rounds: list, names: list[str]) -> None:
    renamed = dict(zip(CELLS, names, strict=True)) | {REST: REST, None: None}
    expected = [{site: renamed[word] for site, word in told.items()} for told in series(gardens, rounds)]
    assert series(gardens, rounds, "".join(names)) == expected


@settings(max_examples=50, deadline=None)
@given(SITES, st.randoms(use_true_random=False))
def test_the_order_in_which_sites_come_plays_no_part(gardens: list, chance) -> None:
    rows = [SitePlace(f"s{at:02}", "north", cell, household) for at, (cell, household) in enumerate(gardens)]
    known = {row.site: ShownPlace("north", chance.choice([None, row.cell])) for row in rows if chance.random() < 0.5}
    shuffled = chance.sample(rows, len(rows))
    asked = [dict(plan_rows(one, known=known, candidates={"north": CELLS})) for one in (rows, shuffled)]
    assert asked[0] == asked[1]
