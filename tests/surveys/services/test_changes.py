"""Change since earlier seasons: found where it is, none in a first season, gated, and tested many at once."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from django.db.models import F

from surveys.methods.change import estimate_change
from surveys.methods.change_gate import ChangeDesign, pass_change_gate
from surveys.methods.change_records import ChangeInput, ChangeSettings
from surveys.methods.change_words import SENTENCES
from surveys.methods.season_frame import LevelRows
from surveys.models import ChangeValue, Season, SeasonGroup, Window
from surveys.queries.change_rows import several_seasons
from surveys.queries.night import night_input
from tests.factories import make_season
from tests.frozen import thawed
from tests.several_seasons import WOODLICE, catch_of, make_doubling, make_gardens, run_once, send_year

pytestmark = pytest.mark.django_db(transaction=True)


def change(group: str = "woodlice", *, adjusted: bool = False, region: str = "eastmark") -> ChangeValue:
    """Return the shown change of a group in spring."""
    return ChangeValue.objects.get(
        run__state="published", group__code=group, adjusted=adjusted, region__code=region, window__code="spring"
    )


# --- what is found ------------------------------------------------------------------------------


def test_a_doubling_is_found_and_lies_inside_its_interval() -> None:
    """Every garden catches twice what it did, on the same days with the same effort.

    Within 5 %: at such counts the fixed working variance of nights pulls a little (METHODS.md, section 6.1).
    """
    season = make_doubling()
    found = change()
    assert found.code == "shown"
    assert found.ratio == pytest.approx(2.0, rel=0.05)
    assert 1.0 < found.low < 2.0 < found.high
    assert (found.revisited_sites, found.more_sites_needed) == (12, 0)
    assert found.p_value < 0.001
    described = season.runs.get().parameters["change"]
    assert described["groups"]["woodlice"]["base"] == ["test-2025"]
    assert [(one["season"], one["returns"]) for one in described["earlier"]] == [("test-2025", 24)]

    # And it is the figure of the method, on the same returns laid out by hand.
    caught = np.array(WOODLICE)
    by_hand = ChangeInput(
        region=np.zeros(48, dtype=int),
        period=np.repeat([0, 0, 1, 1], 12),
        site=np.tile(np.arange(12), 4),
        effort=np.ones(48),  # a day and a night in a cup of standard width
        low=np.concatenate([caught, caught, 2 * caught, 2 * caught]),
        high=np.concatenate([caught, caught, 2 * caught, 2 * caught]),
        n_regions=1,
        n_periods=2,
    )
    expected = estimate_change(by_hand, ChangeSettings()).cell(0, 1)
    assert (found.ratio, found.low, found.high) == pytest.approx((expected.ratio, expected.low, expected.high))
    assert found.effective_sites == pytest.approx(expected.effective_sites)


def test_warmer_nights_are_taken_out_of_the_adjusted_change_and_left_in_the_other() -> None:
    """Three degrees more at exp(0.0863) a degree (Saska and others 2013), by hand; both stand side by side."""
    make_season(year=2025)
    season = make_season()
    traps = make_gardens(12)
    send_year(traps, 2025, lambda n: catch_of(woodlice=2 * WOODLICE[n]), temp_max_c=15)
    send_year(traps, 2026, lambda n: catch_of(woodlice=2 * WOODLICE[n]), temp_max_c=18)
    run = run_once(season)
    raw, adjusted = change(), change(adjusted=True)
    assert raw.ratio == pytest.approx(1.0)
    assert adjusted.ratio == pytest.approx(math.exp(-3 * 0.0863), rel=0.01)
    temperatures = run.parameters["change"]["groups"]["woodlice"]["temperatures"]
    assert (temperatures["maximum"], sum(temperatures.values())) == (48, 48)


def test_the_wider_cup_of_a_later_season_is_no_more_activity() -> None:
    """A cup of 90 mm has a rim of 90 / 75 of a standard one, and catches 6 where that caught 5."""
    make_season(year=2025)
    season = make_season()
    traps = make_gardens(12)
    send_year(traps, 2025, lambda _: catch_of(woodlice=5))
    send_year(traps, 2026, lambda _: catch_of(woodlice=6), mouth_mm=90)
    run_once(season)
    assert change().ratio == pytest.approx(1.0, rel=0.02)  # without the offset it were 1.2


def test_classes_of_one_season_are_compared_with_numbers_of_another() -> None:
    """Between 4 and 7 each night, then 16: the ratio lies between 16/7 and 16/4, whatever a class stands for."""
    make_season(year=2025)
    season = make_season()
    traps = make_gardens(12)

    def in_class(number: int) -> list[dict[str, Any]]:
        answers = catch_of(spiders=WOODLICE[number])
        answers[-1] = {"group": "springtails", "answer": "class", "class": "c4to7"}
        return answers

    send_year(traps, 2025, in_class)
    send_year(traps, 2026, lambda n: catch_of(springtails=16, spiders=WOODLICE[n]))
    run = run_once(season)
    found = change("springtails")
    assert 16 / 7 < found.ratio < 16 / 4
    assert run.parameters["change"]["groups"]["springtails"]["warnings"] == []


def test_the_base_is_the_first_season_until_a_fourth_begins_and_then_the_mean_of_three() -> None:
    """METHODS.md, section 6.4: 2, 4 and 6 a night have the mean 4, of which 8 is twice."""
    for year in (2023, 2024, 2025):
        make_season(year=year)
    season = make_season()
    traps = make_gardens(12)
    for year, count in ((2023, 2), (2024, 4), (2025, 6), (2026, 8)):
        send_year(traps, year, lambda _, count=count: catch_of(woodlice=count))
    run_once(Season.objects.get(code="test-2025"))
    third = ChangeValue.objects.get(
        run__season__code="test-2025",
        group__code="woodlice",
        region__code="eastmark",
        window__code="spring",
        adjusted=0,
    )
    assert third.ratio == pytest.approx(3.0, rel=0.05)
    run = run_once(season)
    found = ChangeValue.objects.get(
        run=run, group__code="woodlice", region__code="eastmark", window__code="spring", adjusted=False
    )
    assert found.ratio == pytest.approx(2.0, rel=0.05)
    assert run.parameters["change"]["groups"]["woodlice"]["base"] == ["test-2023", "test-2024", "test-2025"]


# --- which seasons, windows and gardens -------------------------------------------------------------


def test_a_first_season_has_no_changes() -> None:
    season = make_season()
    send_year(make_gardens(12), 2026, lambda n: catch_of(woodlice=WOODLICE[n]))
    run = run_once(season)
    assert run.changes.count() == 0
    assert run.parameters["change"] == {}
    assert run.groups_seen.count() == 2


def test_a_later_season_and_a_draft_are_no_earlier_seasons() -> None:
    first = make_season(year=2025)
    make_season(year=2026)
    draft = make_season(year=2024)
    with thawed():
        Season.objects.filter(pk=draft.pk).update(state="draft")
    assert night_input(first).earlier == ()


def test_a_season_that_shares_no_group_is_left_out() -> None:
    other = make_season(year=2025)
    season = make_season()
    with thawed():
        SeasonGroup.objects.filter(season=other).delete()
    assert night_input(season).earlier == ()


def test_an_earlier_season_with_other_places_in_its_lists_is_read_by_name() -> None:
    earlier = make_season(year=2025)
    season = make_season()
    with thawed():
        SeasonGroup.objects.filter(season=earlier).update(position=F("position") + 100)
        SeasonGroup.objects.filter(season=earlier, group__code="woodlice").update(position=999)
    traps = make_gardens(12)
    send_year(traps, 2025, lambda n: catch_of(woodlice=WOODLICE[n], spiders=3))
    send_year(traps, 2026, lambda n: catch_of(woodlice=2 * WOODLICE[n], spiders=3))
    run_once(season)
    assert change().ratio == pytest.approx(2.0, rel=0.05)
    assert change("spiders").ratio == pytest.approx(1.0)


def test_a_group_that_only_this_season_asks_for_has_no_change_and_one_asked_later_has_its_own_base() -> None:
    for year in (2024, 2025):
        make_season(year=year)
    season = make_season()
    with thawed():
        SeasonGroup.objects.filter(season__code__in=["test-2024", "test-2025"], group__code="spiders").delete()
        SeasonGroup.objects.filter(season__code="test-2024", group__code="woodlice").delete()
    run = run_once(season)
    groups = run.parameters["change"]["groups"]
    assert "spiders" not in groups
    assert groups["woodlice"]["base"] == ["test-2025"]
    assert groups["millipedes"]["base"] == ["test-2024"]
    assert not run.changes.filter(group__code="spiders").exists()


def test_a_window_that_the_earlier_season_did_not_have_says_so() -> None:
    make_season(year=2025)
    season = make_season()
    with thawed():
        Window.objects.filter(season__code="test-2025", code="spring").update(code="early")
    traps = make_gardens(12)
    send_year(traps, 2025, lambda n: catch_of(woodlice=WOODLICE[n]))
    send_year(traps, 2026, lambda n: catch_of(woodlice=WOODLICE[n]))
    run_once(season)
    found = change()
    assert (found.code, found.ratio) == ("no_base_returns", None)


def test_only_returning_gardens_are_read_of_earlier_seasons_and_the_hash_is_over_all() -> None:
    make_season(year=2025)
    season = make_season()
    back, gone, fresh = make_gardens(3), make_gardens(2), make_gardens(2)
    send_year(back, 2025, lambda _: catch_of(woodlice=1))
    send_year(gone, 2025, lambda _: catch_of(woodlice=1))
    send_year(back, 2026, lambda _: catch_of(woodlice=1))
    send_year(fresh, 2026, lambda _: catch_of(woodlice=1))
    given = night_input(season)
    assert given.returning.tolist() == sorted(trap.site_id for trap in back)
    (earlier,) = given.earlier
    assert (len(earlier.frame), earlier.returns) == (6, 10)
    rows = several_seasons(given).of_group("woodlice")
    assert sorted({int(site) for site in rows.level.site}) == given.returning.tolist()
    assert np.bincount(rows.level.cell // rows.n_places).tolist() == [6, 6]


def test_columns_of_earlier_seasons_are_those_of_this_one() -> None:
    """Laid out by name for this season itself they are the very columns of its level fit."""
    season = make_season()
    first, second = make_gardens(6), make_gardens(6)
    send_year(first, 2026, lambda _: catch_of(woodlice=1), settled_h=0, days=(2,))
    send_year(second, 2026, lambda _: catch_of(woodlice=1), days=(2, 12, 22))
    make_season(year=2025)
    given = night_input(season)
    level = LevelRows(given.frame, given.lists.by_code)
    assert "fresh" in level.terms.names
    whole = several_seasons(given).part(given.lists.by_code, given.frame)
    np.testing.assert_array_equal(whole.kinds[whole.kind], level.terms.kinds[level.terms.kind])
    np.testing.assert_array_equal(whole.cell, level.cell)


# --- the gate and many comparisons ------------------------------------------------------------------


def test_too_few_gardens_that_came_back_show_nothing_and_say_how_many_are_missing() -> None:
    """The gate is at 10 gardens (METHODS.md, section 6.4); eight came back."""
    make_season(year=2025)
    season = make_season()
    traps = make_gardens(8)
    send_year(traps, 2025, lambda _: catch_of(woodlice=5))
    send_year(traps, 2026, lambda _: catch_of(woodlice=5))
    run_once(season)
    for found in (change(), change(adjusted=True)):
        assert (found.code, found.more_sites_needed, found.revisited_sites) == ("few_revisited_sites", 2, 8)
        assert (found.ratio, found.low, found.high, found.p_value, found.p_adjusted) == (None,) * 5
    empty = change(region="westmark")
    assert (empty.code, empty.revisited_sites) == ("no_returns", 0)


def test_every_code_that_the_gate_gives_has_a_sentence_that_can_be_said() -> None:
    designs = [
        ChangeDesign(True, True, 12, 8.0, 40.0, 40.0), ChangeDesign(False, True, 0, 0.0, 0.0, 0.0),
        ChangeDesign(True, False, 0, 0.0, 0.0, 0.0), ChangeDesign(True, True, 0, 0.0, 0.0, 0.0),
        ChangeDesign(True, True, 5, 5.0, 40.0, 40.0), ChangeDesign(True, True, 12, 8.0, 4.0, 4.0),
        ChangeDesign(True, True, 12, 8.0, 0.0, 40.0), ChangeDesign(True, True, 12, 2.0, 40.0, 40.0),
    ]  # fmt: skip
    codes = {pass_change_gate(design, ChangeSettings())[1] for design in designs}
    assert len(codes) == len(designs)
    assert codes | {"is_base", "no_interval"} == set(SENTENCES)


def test_p_values_are_adjusted_over_all_shown_changes_by_the_step_up_rule() -> None:
    """Benjamini & Hochberg 1995, written out: the least of p (m / rank) over this rank and all above it."""
    make_season(year=2025)
    season = make_season()
    traps = make_gardens(12)
    send_year(traps, 2025, lambda n: catch_of(woodlice=WOODLICE[n], spiders=3, centipedes=n + 1, millipedes=1))
    send_year(traps, 2026, lambda n: catch_of(woodlice=2 * WOODLICE[n], spiders=4 - n % 2, centipedes=13 - n))
    run_once(season)
    for adjusted in (False, True):
        shown = list(ChangeValue.objects.filter(adjusted=adjusted, code="shown").order_by("p_value"))
        assert len(shown) >= 4
        scaled = [value.p_value * len(shown) / rank for rank, value in enumerate(shown, start=1)]
        by_hand = [min(scaled[place:]) for place in range(len(shown))]
        assert [value.p_adjusted for value in shown] == pytest.approx(by_hand)
    assert not ChangeValue.objects.exclude(code="shown").filter(p_adjusted__isnull=False).exists()
