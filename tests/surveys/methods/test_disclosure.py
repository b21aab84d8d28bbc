"""No published total, and no two releases together, show fewer than k gardens: rules one by one, then attackers."""

from __future__ import annotations

from fractions import Fraction
from itertools import combinations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from surveys.methods.disclosure import (
    FEWEST_SITES,
    GOES_OUT,
    Choice,
    Published,
    ReleasePlan,
    StratumRows,
    Total,
    compare_versions,
    margins,
    plan_release,
)

K = FEWEST_SITES


def stratum(key, sites: int, *, first: int = 0, returns: int = 1, version: int = 1) -> StratumRows:
    names = [f"{key}-{number}" for number in range(first, first + sites)]
    return StratumRows(key, dict.fromkeys(names, version), dict.fromkeys(names, returns))


def chosen(plan: ReleasePlan) -> dict:
    return dict(plan.strata)


def test_the_smallest_published_stratum_has_five_gardens() -> None:
    assert FEWEST_SITES == 5  # the rule of the project; METHODS.md, section Disclosure
    plan = plan_release([stratum("a", 4), stratum("b", 5), stratum("c", 0)], [])
    assert chosen(plan) == {"a": Choice.FEW_SITES, "b": Choice.PUBLISHED, "c": Choice.NO_RETURNS}
    assert plan.published.shown == {"b"}


def test_many_returns_of_few_gardens_are_still_few() -> None:
    assert chosen(plan_release([stratum("a", 4, returns=50)], []))["a"] == Choice.FEW_SITES


def test_a_lone_withheld_stratum_takes_the_smallest_other_with_it() -> None:
    rows = [stratum("a", 3), stratum("b", 12), stratum("c", 7), stratum("d", 9)]
    plan = plan_release(rows, [Total("all", ("a", "b", "c", "d"))])
    # all - b - c - d would give a; with c withheld too only a + c (10 gardens) follows
    assert chosen(plan) == {
        "a": Choice.FEW_SITES,
        "b": Choice.PUBLISHED,
        "c": Choice.PROTECTS_OTHERS,
        "d": Choice.PUBLISHED,
    }
    assert plan.totals["all"] == Choice.PUBLISHED


def test_without_a_total_nothing_needs_protecting() -> None:
    rows = [stratum("a", 3), stratum("b", 12), stratum("c", 7)]
    assert list(chosen(plan_release(rows, [])).values()) == [Choice.FEW_SITES, Choice.PUBLISHED, Choice.PUBLISHED]


def test_two_withheld_strata_with_few_gardens_together_are_not_enough() -> None:
    plan = plan_release([stratum("a", 2), stratum("b", 2), stratum("c", 9)], [Total("all", ("a", "b", "c"))])
    assert chosen(plan)["c"] == Choice.PROTECTS_OTHERS  # all - c would be a sum over 4 gardens


def test_two_withheld_strata_of_the_same_gardens_count_those_gardens_once() -> None:
    names = ["g1", "g2", "g3"]
    twin = [StratumRows(key, dict.fromkeys(names, key), dict.fromkeys(names, 1)) for key in ("lawn", "hedge")]
    plan = plan_release([*twin, stratum("c", 9)], [Total("all", ("lawn", "hedge", "c"))])
    assert chosen(plan)["c"] == Choice.PROTECTS_OTHERS


def test_a_total_of_few_gardens_is_withheld() -> None:
    plan = plan_release([stratum("a", 2), stratum("b", 2)], [Total("all", ("a", "b"))])
    assert plan.totals["all"] == Choice.PROTECTS_OTHERS


def test_a_withheld_corner_of_a_table_withholds_a_rectangle() -> None:
    sizes = {("n", "x"): 2, ("n", "y"): 9, ("s", "x"): 9, ("s", "y"): 9, ("w", "x"): 20, ("w", "y"): 20}
    rows = [stratum(key, number) for key, number in sizes.items()]
    plan = plan_release(rows, margins(list(sizes)))
    withheld = {key for key, choice in plan.strata.items() if choice not in GOES_OUT}
    # one more in its row and one more in its column are not enough: the fourth corner would give them away
    assert withheld == {("n", "x"), ("n", "y"), ("s", "x"), ("s", "y")}
    assert set(plan.totals.values()) == {Choice.PUBLISHED}


def test_margins_are_all_sums_over_words() -> None:
    names = {total.name: set(total.members) for total in margins([("n", "x"), ("n", "y"), ("s", "x")])}
    assert names == {
        ("*", "*"): {("n", "x"), ("n", "y"), ("s", "x")},
        ("n", "*"): {("n", "x"), ("n", "y")},
        ("*", "x"): {("n", "x"), ("s", "x")},
    }
    assert margins([]) == ()


def test_counts_that_cannot_be_negative_pin_strata_although_no_sum_does() -> None:
    # With x returns more in a there are x fewer in b and c, 2x more in d and 2x fewer in e: all five hold one return, so
    # x can only be 0. No stratum is a linear combination of the totals.
    rows = [stratum(key, 1) for key in "abcde"]
    totals = [Total("ab", ("a", "b")), Total("ac", ("a", "c")), Total("bcd", ("b", "c", "d")), Total("de", ("d", "e"))]
    lines = [[1, 1, 0, 0, 0], [1, 0, 1, 0, 0], [0, 1, 1, 1, 0], [0, 0, 0, 1, 1]]
    assert not any(is_combination(lines, [int(at == one) for at in range(5)]) for one in range(5))
    plan = plan_release(rows, totals, k=2)
    assert Choice.PROTECTS_OTHERS in plan.totals.values()
    assert all(len(fitting) > 1 for fitting in ways(plan).values())


def test_an_earlier_mistake_does_not_end_the_search() -> None:
    rows = [stratum("a", 3), stratum("b", 12), stratum("c", 7), stratum("z", 2)]
    mistake = Published({"z": stratum("z", 2)}, frozenset({"z"}), ())  # a stratum of two gardens went out
    plan = plan_release(rows, [Total("all", ("a", "b", "c"))], [mistake])
    assert plan.strata["c"] == Choice.PROTECTS_OTHERS


def test_versions_are_compared_site_by_site() -> None:
    assert compare_versions({"a": 1, "b": 1, "c": 1}, {"b": 1, "c": 2, "d": 1}) == (2, 1)  # c changed, d came, a left


@pytest.mark.parametrize(
    ("came", "choice"),
    [
        (0, Choice.PUBLISHED),
        (1, Choice.AS_BEFORE),
        (K - 1, Choice.AS_BEFORE),
        (K, Choice.PUBLISHED),
        (K + 7, Choice.PUBLISHED),
    ],
)
def test_a_few_newcomers_wait_for_others(came: int, choice: Choice) -> None:
    first = plan_release([stratum("a", 8)], [])
    second = plan_release([stratum("a", 8 + came)], [], [first.published])
    assert chosen(second) == {"a": choice}
    assert len(second.published.strata["a"].versions) == (8 if choice == Choice.AS_BEFORE else 8 + came)


@pytest.mark.parametrize(("left", "choice"), [(1, Choice.FEW_LEFT), (K - 1, Choice.FEW_LEFT), (K, Choice.PUBLISHED)])
def test_a_stratum_that_a_few_have_left_is_withheld(left: int, choice: Choice) -> None:
    first = plan_release([stratum("a", 20)], [])
    second = plan_release([stratum("a", 20 - left, first=left)], [], [first.published])
    assert chosen(second) == {"a": choice}


def test_those_who_come_do_not_hide_those_who_leave() -> None:
    first = plan_release([stratum("a", 20)], [])
    second = plan_release([stratum("a", 20 + 6, first=2)], [], [first.published])  # 2 left, 8 came
    assert chosen(second) == {"a": Choice.FEW_LEFT}


def test_a_few_gardens_with_new_nights_wait_as_well() -> None:
    first = plan_release([stratum("a", 8)], [])
    versions = {**first.published.strata["a"].versions, "a-0": 2}
    second = plan_release([StratumRows("a", versions, dict.fromkeys(versions, 1))], [], [first.published])
    assert chosen(second) == {"a": Choice.AS_BEFORE}


def test_a_stratum_that_was_withheld_in_between_is_compared_with_its_last_publication() -> None:
    first = plan_release([stratum("a", 20)], [])
    second = plan_release([stratum("a", 19, first=1)], [], [first.published])
    assert second.strata["a"] == Choice.FEW_LEFT
    third = plan_release([stratum("a", 19, first=1)], [], [first.published, second.published])
    assert third.strata["a"] == Choice.FEW_LEFT  # the first release is still there to subtract from


def test_newcomers_add_up_over_releases_until_they_are_enough() -> None:
    plans = [plan_release([stratum("a", 8)], [])]
    seen = []
    for size in (10, 12, 13, 14):  # 2, 4, 5 newcomers since the last publication, then 1
        plans.append(plan_release([stratum("a", size)], [], [plan.published for plan in plans]))
        seen.append((plans[-1].strata["a"], len(plans[-1].published.strata["a"].versions)))
    assert seen == [(Choice.AS_BEFORE, 8), (Choice.AS_BEFORE, 8), (Choice.PUBLISHED, 13), (Choice.AS_BEFORE, 13)]


def test_a_newcomer_to_a_withheld_stratum_does_not_show_in_the_total() -> None:
    totals = [Total("all", ("a", "b", "c"))]
    first = plan_release([stratum("a", 3), stratum("b", 6), stratum("c", 9)], totals)
    second = plan_release([stratum("a", 4), stratum("b", 6), stratum("c", 9)], totals, [first.published])
    assert second.totals["all"] == Choice.PUBLISHED
    assert len(second.published.strata["a"].versions) == 3


def test_a_total_is_withheld_when_a_garden_has_left_a_withheld_stratum() -> None:
    totals = [Total("all", ("a", "b", "c"))]
    first = plan_release([stratum("a", 3), stratum("b", 6), stratum("c", 9)], totals)
    second = plan_release([stratum("a", 2, first=1), stratum("b", 6), stratum("c", 9)], totals, [first.published])
    assert second.totals["all"] == Choice.PROTECTS_OTHERS
    assert second.strata["c"] == Choice.PUBLISHED


def test_a_stratum_that_grows_past_the_limit_does_not_give_its_past_away() -> None:
    totals = [Total("all", ("a", "b", "c"))]
    first = plan_release([stratum("a", 4), stratum("b", 6), stratum("c", 9)], totals)
    assert first.strata["b"] == Choice.PROTECTS_OTHERS
    second = plan_release([stratum("a", 6), stratum("b", 6), stratum("c", 9)], totals, [first.published])
    assert not leaks(second, [first.published])


@pytest.mark.parametrize(
    ("rows", "totals", "k", "words"),
    [
        ([stratum("a", 5), stratum("a", 6)], [], 5, "twice"),
        ([stratum("a", 5)], [Total("t", ("a", "b"))], 5, "not there"),
        ([stratum("a", 5)], [], 1, "expected 2 or more"),
        ([StratumRows("a", {"s": 1}, {})], [], 5, "the same sites in both"),
        ([StratumRows("a", {"s": 1}, {"s": 0})], [], 5, "a return or more"),
    ],
)
def test_strata_that_do_not_fit_together_are_refused(rows, totals, k: int, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        plan_release(rows, totals, k=k)


# --- attackers, written apart from the code under test -------------------------------------------


def is_combination(rows: list[list[int]], wanted: list[int]) -> bool:
    """Say by exact elimination whether ``wanted`` is a linear combination of ``rows``."""
    basis: list[list[Fraction]] = []

    def reduce(row: list[Fraction]) -> list[Fraction]:
        for one in basis:
            lead = next(at for at, value in enumerate(one) if value)
            row = [a - row[lead] / one[lead] * b for a, b in zip(row, one, strict=True)]
        return row

    for row in rows:
        left = reduce([Fraction(value) for value in row])
        if any(left):
            basis.append(left)
    return not any(reduce([Fraction(value) for value in wanted]))


def published_sets(book: Published) -> list[set]:
    """List everything that went out as sets of (stratum, site, version)."""
    atoms = {key: {(key, site, version) for site, version in row.versions.items()} for key, row in book.strata.items()}
    sums = [set().union(*(atoms[key] for key in total.members)) for total in book.totals]
    return [atoms[key] for key in book.shown] + sums


def leaks(plan: ReleasePlan, earlier: list[Published]) -> list:
    """Return the groups of returns of fewer than K gardens whose sum an attacker can work out."""
    books = [plan.published, *earlier]
    sets = [one for book in books for one in published_sets(book)]
    everything = sorted(set().union(*sets, *(
        {(key, site, v) for site, v in row.versions.items()} for book in books for key, row in book.strata.items()
    )), key=str)  # fmt: skip
    rows = [[int(atom in one) for atom in everything] for one in sets]
    pieces: dict = {}
    for at, atom in enumerate(everything):
        pieces.setdefault((atom[0], tuple(row[at] for row in rows)), set()).add(atom)
    small = [piece for piece in pieces.values() if len({atom[1] for atom in piece}) < K]
    found = []
    for size in (1, 2, 3):
        for group in combinations(small, size):
            together = set().union(*group)
            if len({atom[1] for atom in together}) < K and is_combination(
                rows, [int(a in together) for a in everything]
            ):
                found.append(together)
    return found


def ways(plan: ReleasePlan) -> dict:
    """Return, for each withheld stratum with few gardens, the numbers of returns that fit all published totals."""
    hidden = [key for key, row in plan.published.strata.items() if key not in plan.published.shown and row.versions]
    known = {key: sum(row.returns.values()) for key, row in plan.published.strata.items()}
    lines = [
        ([key for key in total.members if key in hidden], sum(known[key] for key in total.members if key in hidden))
        for total in plan.published.totals
    ]
    fits: dict = {key: set() for key in hidden}

    def fill(at: int, values: dict) -> None:
        if at == len(hidden):
            for key, value in values.items():
                fits[key].add(value)
            return
        key = hidden[at]
        room = [left - sum(values.get(one, 0) for one in keys) for keys, left in lines if key in keys]
        for value in range(min(room, default=1) + 1):
            trial = {**values, key: value}
            sums = [
                (sum(trial.get(one, 0) for one in keys), left, all(one in trial for one in keys))
                for keys, left in lines
            ]
            if all(total <= left and (total == left or not full) for total, left, full in sums):
                fill(at + 1, trial)

    fill(0, {})
    return {key: fits[key] for key in hidden if len(plan.published.strata[key].versions) < K}


KEYS = [(region, habitat) for region in "nsw" for habitat in "xy"]
SIZES = st.lists(st.sampled_from([0, 1, 2, 3, 4, 5, 6, 9]), min_size=6, max_size=6)


@settings(max_examples=40, deadline=None)
@given(SIZES)
def test_nobody_can_work_out_a_stratum_of_few_gardens_from_one_release(sizes: list[int]) -> None:
    plan = plan_release([stratum(key, size) for key, size in zip(KEYS, sizes, strict=True)], margins(KEYS))
    assert not leaks(plan, [])
    assert all(len(plan.published.strata[key].versions) >= K for key in plan.published.shown)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.sampled_from([0, 1, 2, 3, 5, 6]), min_size=4, max_size=4))
def test_counts_that_cannot_be_negative_pin_no_stratum_of_few_gardens(sizes: list[int]) -> None:
    plan = plan_release([stratum(key, size) for key, size in zip(KEYS[:4], sizes, strict=True)], margins(KEYS[:4]))
    assert all(len(fitting) > 1 for fitting in ways(plan).values())


FOUR = KEYS[:4]


@settings(max_examples=15, deadline=None)
@given(st.lists(st.sampled_from([0, 1, 3, 4, 5, 6, 9]), min_size=4, max_size=4), st.data())
def test_nobody_can_work_out_few_gardens_from_three_releases(sizes: list[int], data: st.DataObject) -> None:
    first, books = [0] * 4, []
    for _ in range(3):
        rows = [stratum(key, size, first=at) for key, size, at in zip(FOUR, sizes, first, strict=True)]
        plan = plan_release(rows, margins(FOUR), books)
        assert not leaks(plan, books)
        books.append(plan.published)
        gone = [min(size, data.draw(st.sampled_from([0, 0, 0, 1, 5]))) for size in sizes]
        first = [at + left for at, left in zip(first, gone, strict=True)]
        sizes = [
            size - left + data.draw(st.sampled_from([0, 0, 1, 2, 5])) for size, left in zip(sizes, gone, strict=True)
        ]


@settings(max_examples=25, deadline=None)
@given(st.lists(st.sets(st.integers(0, 9), max_size=8), min_size=6, max_size=6))
def test_gardens_with_traps_in_several_strata_are_counted_once(sites: list[set[int]]) -> None:
    rows = [
        StratumRows(key, {f"g{n}": 1 for n in own}, {f"g{n}": 1 for n in own})
        for key, own in zip(KEYS, sites, strict=True)
    ]
    assert not leaks(plan_release(rows, margins(KEYS)), [])


def test_another_question_about_the_same_data_is_answered_anew() -> None:
    rows = [stratum(key, 9) for key in KEYS]
    without = plan_release(rows, [])
    assert set(plan_release(rows, margins(KEYS), [without.published]).totals.values()) == {Choice.PUBLISHED}


@settings(max_examples=20, deadline=None)
@given(SIZES)
@example([6, 1, 5, 0, 5, 4])  # what is told again was withheld in the place of what gave a garden away
def test_the_same_data_give_the_same_plan_and_nothing_changes_on_the_second_time(sizes: list[int]) -> None:
    rows = [stratum(key, size) for key, size in zip(KEYS, sizes, strict=True)]
    first = plan_release(rows, margins(KEYS))
    again = plan_release(rows, margins(KEYS), [first.published])
    assert chosen(again) == chosen(first)
    assert dict(again.totals) == dict(first.totals)
