"""The comparison of regions by groups seen: units, gate, standards, codes and sentences."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import astuple, replace

import numpy as np
import pytest

from surveys.methods.groups_seen import groups_seen
from surveys.methods.groups_seen_coverage import coverage_at
from surveys.methods.groups_seen_curves import hill_at
from surveys.methods.groups_seen_records import (
    NOT_KNOWN,
    NOT_SEEN,
    SEEN,
    GroupsSeen,
    GroupsSeenSettings,
    Incidence,
    SiteNights,
)
from surveys.methods.groups_seen_units import compared_groups, complete_nights, pool_traps, presence
from surveys.methods.groups_seen_words import SENTENCES, caution, region_sentences
from surveys.vocabulary import IndexLabel

SETTINGS = GroupsSeenSettings(bootstrap_draws=20)
LIST = tuple(f"group {number}" for number in range(15))
CHANCES = np.geomspace(0.02, 0.7, len(LIST))


def drawn_region(sites: int, nights: int, seed: int, chances: np.ndarray = CHANCES) -> tuple[np.ndarray, np.ndarray]:
    """Draw site numbers and answers of ``sites`` x ``nights`` site-nights."""
    answers = np.random.default_rng(seed).random((sites * nights, chances.size)) < chances
    return np.repeat(np.arange(sites), nights), answers.astype(np.int64)


def record_of(*parts: tuple[np.ndarray, np.ndarray]) -> SiteNights:
    """Put regions together; sites of different regions get different numbers."""
    sizes = [site.size for site, _ in parts]
    return SiteNights(
        regions=tuple("ABCD"[: len(parts)]),
        groups=LIST[: parts[0][1].shape[1]],
        region=np.repeat(np.arange(len(parts)), sizes),
        site=np.concatenate([site + 1000 * number for number, (site, _) in enumerate(parts)]),
        answers=np.concatenate([answers for _, answers in parts]),
    )


def compare(record: SiteNights, settings: GroupsSeenSettings = SETTINGS) -> GroupsSeen:
    return groups_seen(record, settings, np.random.default_rng(42))


def numbers_in(value: object) -> Iterator[float]:
    """All numbers of nested tuples."""
    if isinstance(value, (tuple, list)):
        for part in value:
            yield from numbers_in(part)
    elif isinstance(value, (int, float)):
        yield float(value)


def test_all_regions_stand_at_the_smallest_doubled_effort_and_the_coverage_expected_there() -> None:
    parts = (drawn_region(12, 2, 1), drawn_region(30, 3, 2))
    result = compare(record_of(*parts))
    samples = [Incidence(answers.sum(axis=0), site.size) for site, answers in parts]
    assert (result.label, result.base_effort) == ("groups seen", 48)
    assert result.base_coverage == min(coverage_at(sample, 2.0 * sample.units) for sample in samples)
    for region, sample in zip(result.regions, samples, strict=True):
        assert region.figures is not None
        assert [figure.value for figure in region.figures.at_effort.hill] == pytest.approx(hill_at(sample, 48))
        reached = region.figures.at_coverage
        assert reached.effort <= 2 * sample.units
        assert reached.coverage == pytest.approx(result.base_coverage, abs=1e-9)
        assert [figure.value for figure in reached.hill] == pytest.approx(hill_at(sample, reached.effort))
        assert region.figures.at_effort.extrapolated == (sample.units < 48)
    assert "effort_extrapolated" in result.regions[0].codes
    assert "effort_extrapolated" not in result.regions[1].codes


def test_a_night_that_did_not_look_for_a_group_is_left_out_and_is_no_zero() -> None:
    site, answers = drawn_region(12, 3, 3)
    asked = compare(record_of((site, answers))).regions[0]
    unsure = answers.copy()
    unsure[[4, 20], 2] = NOT_KNOWN
    region = compare(record_of((site, unsure))).regions[0]
    assert (asked.site_nights, asked.left_out) == (36, 0)
    assert (region.site_nights, region.left_out) == (34, 2)
    assert region.codes[0] == "nights_left_out"
    kept = np.delete(answers, [4, 20], axis=0)
    assert region.groups_seen == np.count_nonzero(kept.any(axis=0))
    assert region.figures is not None
    assert region.figures.observed[0].value == region.groups_seen


def test_a_group_that_many_did_not_look_for_leaves_the_list_of_all_regions() -> None:
    first, second = drawn_region(12, 3, 4), drawn_region(12, 3, 5)
    second[1][::5, 7] = NOT_KNOWN  # a fifth, and a tenth is allowed
    result = compare(record_of(first, second))
    assert result.groups_left_out == ("group 7",)
    assert len(result.groups) == 14
    assert [region.left_out for region in result.regions] == [0, 0]


def test_what_was_found_does_not_decide_the_list_and_a_small_region_does_not_either() -> None:
    site, answers = drawn_region(12, 3, 6)
    small_site, small = drawn_region(3, 2, 7)
    small[:] = NOT_KNOWN
    for shown in (answers, np.zeros_like(answers), np.ones_like(answers)):
        record = record_of((site, shown), (small_site, small))
        assert compared_groups(record, SETTINGS).all()
        assert complete_nights(record, np.ones(15, dtype=bool)).tolist() == [True] * 36 + [False] * 6


@pytest.mark.parametrize(
    ("sites", "nights", "code"),
    [
        pytest.param(9, 3, "few_sites", id="nine sites"),
        pytest.param(19, 1, "few_site_nights", id="nineteen nights"),
        pytest.param(0, 1, "no_site_nights", id="nobody"),
    ],
)
def test_a_region_short_of_the_gate_has_no_figures_and_moves_no_base(sites: int, nights: int, code: str) -> None:
    large = drawn_region(20, 2, 8)
    result = compare(record_of(large, drawn_region(sites, nights, 9)))
    short = result.regions[1]
    assert (short.shown, short.codes[0], short.figures) == (IndexLabel.TOO_FEW, code, None)
    assert (short.sites, short.site_nights) == (sites, sites * nights)
    assert result.base_effort == 80


def test_ten_sites_and_twenty_nights_pass_the_gate() -> None:
    assert compare(record_of(drawn_region(10, 2, 10))).regions[0].shown == IndexLabel.SHOWN


def test_the_gate_reads_the_design_and_never_what_was_found() -> None:
    site, answers = drawn_region(10, 2, 11)
    alone = np.zeros_like(answers)
    alone[0, 0] = SEEN
    assert compare(record_of((site, alone))).regions[0].shown == IndexLabel.SHOWN


def test_without_any_night_nothing_is_said() -> None:
    result = compare(record_of(drawn_region(0, 1, 1), drawn_region(0, 1, 1)))
    assert (result.base_effort, result.base_coverage) == (None, None)
    assert [region.codes for region in result.regions] == [("no_site_nights",)] * 2


def test_without_regions_the_result_is_empty() -> None:
    empty = np.zeros(0, dtype=np.int64)
    assert compare(SiteNights((), LIST, empty, empty, np.zeros((0, 15), dtype=np.int64))).regions == ()


def test_empty_traps_everywhere_are_named_and_move_no_base() -> None:
    site, answers = drawn_region(10, 2, 12)
    result = compare(record_of(drawn_region(30, 2, 13), (site, np.zeros_like(answers))))
    assert result.regions[1].codes == ("nothing_seen",)
    assert (result.regions[1].groups_seen, result.regions[1].figures) == (0, None)
    assert result.base_effort == 120


def test_a_list_that_nobody_answers_whole_leaves_no_group_to_compare() -> None:
    site, answers = drawn_region(12, 2, 14)
    result = compare(record_of((site, np.full_like(answers, NOT_KNOWN))))
    assert (result.groups, result.regions[0].codes) == ((), ("no_common_groups",))


@pytest.mark.parametrize(
    ("chances", "codes"),
    [
        pytest.param(np.ones(15), {"whole_list_seen", "none_seen_once", "one_night_enough"}, id="all in every unit"),
        pytest.param(np.ones(1), {"whole_list_seen", "none_seen_once", "one_night_enough"}, id="one group"),
    ],
)
def test_saturated_lists_give_one_certain_figure(chances: np.ndarray, codes: set[str]) -> None:
    region = compare(record_of(drawn_region(10, 2, 15, chances))).regions[0]
    assert region.figures is not None
    assert codes <= set(region.codes)
    assert [figure.value for figure in region.figures.at_effort.hill] == pytest.approx([chances.size] * 3)
    assert astuple(region.figures.coverage) == (1.0, 1.0, 1.0)


def test_no_estimate_exceeds_the_list_and_a_code_says_where_one_would() -> None:
    # 14 of 15 groups, each seen once on 20 nights: Chao2 is 14 + 19/20 x 14 x 13 / 2 = 100.45
    site, answers = np.repeat(np.arange(10), 2), np.zeros((20, 15), dtype=np.int64)
    answers[np.arange(14), np.arange(14)] = SEEN
    region = compare(record_of((site, answers))).regions[0]
    assert region.figures is not None
    assert "capped_at_list" in region.codes
    assert (region.figures.chao2.value, region.figures.chao2.high) == (15.0, 15.0)
    assert max(figure.high for figure in region.figures.asymptotic) <= 15.0


@pytest.mark.parametrize("seed", range(4))
def test_everything_reported_is_finite(seed: int) -> None:
    rng = np.random.default_rng(seed)
    parts = [drawn_region(int(rng.integers(10, 16)), 2, seed + n, CHANCES ** rng.uniform(0.3, 3.0)) for n in range(3)]
    for region in compare(record_of(*parts)).regions:
        assert region.figures is not None
        numbers = list(numbers_in(astuple(region.figures)))
        assert len(numbers) == 2 + 14 * 3 + 2 * 3  # two counts, 14 figures, and effort, coverage and flag twice
        assert all(math.isfinite(number) for number in numbers)
        assert region.figures.chao2 == region.figures.asymptotic[0]
        assert region.figures.chao2.low >= region.groups_seen


def test_the_same_seed_gives_the_same_figures_and_another_moves_only_the_limits() -> None:
    record = record_of(drawn_region(12, 2, 16), drawn_region(15, 2, 17))
    assert compare(record) == compare(record)
    other = groups_seen(record, SETTINGS, np.random.default_rng(43))
    for one, two in zip(compare(record).regions, other.regions, strict=True):
        assert one.figures is not None
        assert two.figures is not None
        assert one.figures.chao2.value == two.figures.chao2.value
        assert one.codes == two.codes


def test_the_order_of_the_rows_does_not_move_a_figure() -> None:
    record = record_of(drawn_region(12, 2, 18), drawn_region(15, 2, 19))
    order = np.random.default_rng(1).permutation(record.site.size)
    shuffled = replace(record, region=record.region[order], site=record.site[order], answers=record.answers[order])
    assert compare(shuffled) == compare(record)


def test_traps_of_a_night_are_one_unit_seen_if_any_trap_held_the_group() -> None:
    night = np.array([0, 0, 1, 1, 2])
    answers = np.array([[1, 0, 0], [-1, 0, -1], [0, -1, 1], [0, -1, 1], [0, 1, -1]])
    assert pool_traps(night, answers).tolist() == [[1, 0, -1], [0, -1, 1], [0, 1, -1]]


def test_no_trap_pools_to_no_night() -> None:
    assert pool_traps(np.zeros(0, dtype=np.int64), np.zeros((0, 3), dtype=np.int64)).shape == (0, 3)


@pytest.mark.parametrize(
    ("low", "high", "expected"),
    [
        (0, 0, NOT_SEEN),
        (3, 3, SEEN),
        (1, None, SEEN),
        (None, None, NOT_KNOWN),
        (0, 9, NOT_KNOWN),
        (0, None, NOT_KNOWN),
    ],
)
def test_an_answer_counts_as_seen_only_when_an_animal_is_certain(
    low: int | None, high: int | None, expected: int
) -> None:
    assert presence(low, high) == expected


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"region": np.zeros(3, dtype=np.int64)}, r"3 regions came for 24 site-nights.*Give one row per site-night"),
        ({"groups": LIST[:4]}, r"Answers of shape \(24, 15\).*Expected \(24, 4\)"),
        ({"region": np.full(24, 2)}, r"Region numbers run from 2 to 2, but there are 1"),
        ({"answers": np.full((24, 15), 2)}, r"Answers \[2\] came. Expected 1 \(seen\)"),
    ],
)
def test_arrays_that_do_not_belong_together_are_refused_in_words(change: dict[str, object], sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        compare(replace(record_of(drawn_region(12, 2, 20)), **change))


@pytest.mark.parametrize("change", [{"bootstrap_draws": 1}, {"gate_sites": 1}, {"farthest": 2.5}, {"farthest": 0.5}])
def test_settings_without_an_interval_or_beyond_twice_the_sample_are_refused(change: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="Expected at least 2 of each of the first three"):
        replace(SETTINGS, **change)


def test_every_code_becomes_a_sentence_with_its_numbers() -> None:
    site, answers = drawn_region(11, 2, 21)
    answers[0, 3] = NOT_KNOWN
    result = compare(record_of((site, answers), drawn_region(40, 2, 22), drawn_region(9, 3, 23)))
    sentences = region_sentences(result.regions[0], result, SETTINGS)
    assert len(sentences) == len(result.regions[0].codes)
    assert sentences[0].startswith("Site-nights left out: 1. A group was not looked for")
    assert region_sentences(result.regions[2], result, SETTINGS) == (
        "Too few sites answered the whole list: 9 of the 10 needed.",
    )
    for code in SENTENCES:
        coded = replace(result.regions[0], codes=(code,))
        assert "{" not in region_sentences(coded, result, SETTINGS)[0]
    assert caution(result).startswith("Groups seen counts which groups of a list of 15 were found in traps")


def test_no_word_for_the_public_says_more_than_groups_seen() -> None:
    words = " ".join([*SENTENCES.values(), caution(compare(record_of(drawn_region(0, 1, 1))))]).lower()
    assert not any(word in words for word in ("diversity", "abundance", "population", "richness"))


def test_of_a_very_large_region_a_fixed_sample_of_whole_gardens_is_compared() -> None:
    rng = np.random.default_rng(4)
    sites = np.repeat(np.arange(60), 5)
    answers = (rng.random((600, 4)) < [0.9, 0.5, 0.2, 0.05]).astype(np.int64)
    record = SiteNights(
        ("big", "small"), ("a", "b", "c", "d"), np.repeat([0, 1], 300), np.r_[sites, sites + 60], answers
    )
    small = replace(
        record, region=np.repeat([0, 1], [560, 40]), site=np.r_[np.repeat(np.arange(112), 5), sites[:40] + 200]
    )
    settings = GroupsSeenSettings(most_site_nights=100, bootstrap_draws=20)
    found = groups_seen(small, settings, np.random.default_rng(1))
    assert found.regions[0].site_nights == 100
    assert found.regions[0].sites == 20
    assert found.regions[0].codes[-1] == "sample_of_gardens"
    assert found.regions[1].site_nights == 40
    assert "sample_of_gardens" not in found.regions[1].codes
    fewer = replace(small, region=small.region[5:], site=small.site[5:], answers=small.answers[5:])
    again = groups_seen(fewer, settings, np.random.default_rng(1))
    assert abs(again.regions[0].groups_seen - found.regions[0].groups_seen) <= 1
