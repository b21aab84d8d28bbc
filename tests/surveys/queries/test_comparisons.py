"""The number that a return is compared by: the same for the same comparison, another for any other."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from surveys.queries.comparisons import OfSites, comparison_numbers, neighbourhood, steps_of_effort
from surveys.queries.usual import Baseline, Places

REGIONS, WINDOWS, HABITATS = 2, 2, 3
LISTS: Any = SimpleNamespace(groups=[SimpleNamespace(pk=1, ceiling=500)])  # of a season, all that is read here
#: Site, day, trap-nights, window, habitat, and what is its own: whether it has a note, and where its site is.
Listed = tuple[int, int, float, int, int, tuple[bool, float]]

rows = st.lists(
    st.tuples(
        st.integers(0, 2),  # site
        st.integers(0, 3),  # day
        st.sampled_from([0.0, 1.0, 2.5]),  # trap-nights, none where it is not usable
        st.integers(0, WINDOWS - 1),
        st.integers(0, HABITATS - 1),
        st.tuples(st.booleans(), st.sampled_from([51.5, 52.0])),  # a note; where its site is
    ),
    min_size=1,
    max_size=12,
)
sinces = st.lists(st.integers(0, 2), min_size=REGIONS * WINDOWS * HABITATS, max_size=REGIONS * WINDOWS * HABITATS).map(
    lambda found: np.array(found, dtype=np.int64).reshape(REGIONS, WINDOWS, HABITATS)
)


def usual_of(since: Any, nights: float = 100.0) -> Baseline:
    values = np.ones((*since.shape, 1))
    return Baseline(values, values, values, since, np.full(since.shape, nights))


def of_sites(listed: list[Listed], order: Any = None) -> OfSites:
    """Returns numbered from 1 on, as they came; ``order`` is how they are read."""
    order = np.arange(len(listed)) if order is None else np.asarray(order)
    *columns, own = zip(*listed, strict=True)
    site, day, nights, window, habitat = (np.array(column)[order] for column in columns)
    noted, latitude = (np.array(column)[order] for column in zip(*own, strict=True))
    places = Places(site % REGIONS, window, habitat)
    return OfSites(1 + order, site, day, nights, noted.astype(np.int64), latitude, np.full(len(order), np.nan), places)


def compared(listed: list[Listed], since: Any, at: int) -> tuple[Any, ...]:
    """Say what a return is compared with in plain sets, as the methods put it: the slow reference."""
    site, day, _, window, habitat, facts = listed[at]
    region = site % REGIONS
    before = frozenset(
        (n, *((told, there, growth) if night != day else ()))
        for n, (where, night, told, there, growth, _) in enumerate(listed)
        if where == site and n < at
    )
    later = frozenset(n for n, other in enumerate(listed) if other[0] == site and n > at and other[1] == day)
    own = (window, habitat, int(since[region, window, habitat]), facts)
    return region, before, later, own


@settings(max_examples=150, deadline=None)
@given(listed=rows, other=rows, since=sinces, moved=sinces)
def test_two_returns_have_one_number_exactly_where_they_are_compared_with_the_same(
    listed: list[Any], other: list[Any], since: Any, moved: Any
) -> None:
    told: dict[tuple[Any, ...], int] = {}
    numbers: dict[int, tuple[Any, ...]] = {}
    for world, usual in ((listed, since), (listed, moved), (other, since), (listed + other, since)):
        hashes = neighbourhood(of_sites(world), usual_of(usual), LISTS)
        for at, number in enumerate(hashes.tolist()):
            plain = compared(world, usual, at)
            assert told.setdefault(plain, number) == number
            assert numbers.setdefault(number, plain) == plain


@settings(max_examples=50, deadline=None)
@given(listed=rows, since=sinces, drawn=st.randoms(use_true_random=False))
def test_the_order_in_which_rows_are_read_is_no_matter(listed: list[Any], since: Any, drawn: Any) -> None:
    order = list(range(len(listed)))
    drawn.shuffle(order)
    straight = neighbourhood(of_sites(listed), usual_of(since), LISTS)
    assert neighbourhood(of_sites(listed, order), usual_of(since), LISTS).tolist() == straight[order].tolist()


def test_effort_matters_to_those_that_have_a_rank_and_only_by_steps() -> None:
    since = np.zeros((1, 1, 1), dtype=np.int64)
    alone = of_sites([(0, 0, 1.0, 0, 0, (False, 51.5))])
    hashes = neighbourhood(alone, usual_of(since), LISTS)

    def number(nights: float, *, ranked: bool) -> int:
        steps = steps_of_effort(usual_of(since, nights))[[0], [0]]
        return int(comparison_numbers(hashes, steps, np.array([ranked]))[0])

    assert number(100.0, ranked=False) == number(900.0, ranked=False)
    assert number(100.0, ranked=True) == number(100.5, ranked=True)
    assert number(100.0, ranked=True) != number(120.0, ranked=True)
    assert number(100.0, ranked=True) != number(100.0, ranked=False)


def test_what_a_cup_holds_is_a_matter_for_all() -> None:
    since = np.zeros((REGIONS, WINDOWS, HABITATS), dtype=np.int64)
    alone = of_sites([(0, 0, 1.0, 0, 0, (False, 51.5))])
    other: Any = SimpleNamespace(groups=[SimpleNamespace(pk=1, ceiling=900)])
    assert neighbourhood(alone, usual_of(since), LISTS) != neighbourhood(alone, usual_of(since), other)
