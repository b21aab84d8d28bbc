"""Groups seen over a season: counted by hand on tiny seasons, gated, and the same again under the same seed."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import IntegrityError, transaction

from surveys.methods.groups_seen_records import GroupsSeenSettings
from surveys.models import GroupsSeenValue
from surveys.queries.groups_seen import shown_groups_seen, site_nights
from surveys.queries.night import night_input
from surveys.queries.season_returns import catch_frame
from surveys.queries.seasons import lists_of
from surveys.services.groups_seen import compute_groups_seen
from tests.factories import make_season, make_trap
from tests.several_seasons import catch_of, make_gardens, run_once, send_year

pytestmark = pytest.mark.django_db(transaction=True)

#: Order of the six groups of the season; the answers of a site-night stand in it.
WOODLICE, MILLIPEDES, CENTIPEDES, SPIDERS, BEETLES, SPRINGTAILS = range(6)
SEEN, NOT_SEEN, NOT_KNOWN = 1, 0, -1


def seen(region: str = "eastmark") -> GroupsSeenValue:
    return GroupsSeenValue.objects.get(run__state="published", region__code=region)


def test_the_traps_of_a_site_night_are_read_together() -> None:
    """Any trap that held the group settles it; else one that did not look leaves it open (METHODS.md, section 8)."""
    season = make_season()
    (first,) = make_gardens(1)
    second = make_trap(site=first.site)
    open_class = [*catch_of()[:5], {"group": "springtails", "answer": "class", "class": "c128up"}]
    send_year([first], 2026, lambda _: catch_of(woodlice=3, millipedes=None, spiders=0, ground_beetles=None), days=(2,))
    send_year([second], 2026, lambda _: catch_of(woodlice=None, millipedes=2, spiders=None), days=(2,))
    send_year([second], 2026, lambda _: open_class, days=(12,))
    lists = lists_of(season)
    record = site_nights(catch_frame(lists), lists)
    assert record.groups[SPIDERS] == "spiders"
    assert record.site.tolist() == [first.site_id] * 2
    assert record.answers.tolist() == [
        [SEEN, SEEN, NOT_SEEN, NOT_KNOWN, NOT_KNOWN, NOT_SEEN],  # 2 May: both traps
        [NOT_SEEN, NOT_SEEN, NOT_SEEN, NOT_SEEN, NOT_SEEN, SEEN],  # 12 May: the second one alone
    ]


def test_a_tiny_season_is_counted_by_hand_and_not_compared() -> None:
    """Three gardens, two nights; one night did not look for spiders. Seen on the rest: woodlice, beetles."""
    season = make_season()
    traps = make_gardens(3)
    send_year(traps, 2026, lambda n: catch_of(woodlice=4, ground_beetles=n), days=(2,))
    send_year(traps[:2], 2026, lambda n: catch_of(woodlice=1), days=(12,))
    send_year(traps[2:], 2026, lambda n: catch_of(millipedes=9, spiders=None), days=(12,))
    run_once(season)
    found = seen()
    assert (found.sites, found.site_nights, found.left_out, found.groups_seen) == (3, 5, 1, 2)
    assert (found.label, found.figures) == ("too_few", None)
    assert found.codes == ["few_sites", "nights_left_out"]
    empty = seen("westmark")
    assert (empty.sites, empty.site_nights, empty.groups_seen, empty.codes) == (0, 0, 0, ["no_site_nights"])


def catch_of_ten(night: int) -> Any:
    """Ten gardens: woodlice everywhere, spiders in five of the first night, beetles in two, a millipede in one."""

    def catch(garden: int) -> list[dict[str, Any]]:
        if night == 2:
            return catch_of(woodlice=1)
        return catch_of(woodlice=1, spiders=int(garden < 5), ground_beetles=int(garden < 2), millipedes=int(garden < 1))

    return catch


def send_ten() -> None:
    traps = make_gardens(10)
    for night, day in ((1, 2), (2, 12)):
        send_year(traps, 2026, catch_of_ten(night), days=(day,))


def test_a_season_that_passes_the_gate_has_the_figures_of_the_literature() -> None:
    """Chao 1987: S + (T - 1) / T x Q1^2 / (2 Q2), by hand, with T = 20 nights, S = 4, Q1 = 1, Q2 = 1."""
    season = make_season()
    send_ten()
    run = run_once(season)
    found = seen()
    assert (found.label, found.sites, found.site_nights, found.groups_seen) == ("shown", 10, 20, 4)
    assert (found.figures["seen_once"], found.figures["seen_twice"]) == (1, 1)
    assert found.figures["chao2"]["value"] == pytest.approx(4 + 19 / 20 * 1 / 2)
    assert found.figures["observed"][0]["value"] == pytest.approx(4.0)
    described = run.parameters["groups_seen"]
    assert described["groups"] == [
        "woodlice", "millipedes", "centipedes", "spiders", "ground_beetles", "springtails",
    ]  # fmt: skip
    assert described["base_effort"] == 40  # twice the nights of the only region that is compared
    assert "effort_extrapolated" in found.codes

    # What is read back for API and page is what the method gave.
    shown = shown_groups_seen(run)
    assert shown is not None
    eastmark, westmark = shown.found.regions
    assert eastmark.figures is not None
    assert eastmark.figures.at_effort.effort == 40
    low, value, high = (getattr(eastmark.figures.at_effort.hill[0], name) for name in ("low", "value", "high"))
    assert low < value < high <= 6
    assert shown.sentences[0][eastmark.codes.index("effort_extrapolated")] == (
        "Taken forward from 20 to 40 site-nights, at most twice the sample."
    )
    assert westmark.figures is None
    assert shown.sentences[1] == (
        "No site-night of this region answered every group of the list, so nothing can be compared.",
    )
    assert "list of 6" in shown.caution
    assert run.parameters["groups_seen"]["settings"]["gate_sites"] == GroupsSeenSettings().gate_sites


def test_the_same_seed_gives_the_same_intervals_and_another_one_others() -> None:
    season = make_season()
    send_ten()
    given = night_input(season)
    one, again, other = (compute_groups_seen(given=given, seed=seed).values[0].figures for seed in (7, 7, 8))
    assert one == again
    assert one != other
    assert one["chao2"]["value"] == other["chao2"]["value"]


WRONG = (
    ({"label": "no_idea"}, "groups_seen_have_a_known_label"),
    ({"label": "too_few"}, "groups_seen_have_figures_or_are_not_shown"),
    ({"figures": None}, "groups_seen_have_figures_or_are_not_shown"),
    ({"sites": 21}, "a_site_of_groups_seen_has_at_least_a_night"),
)


def test_the_database_refuses_groups_seen_that_do_not_add_up() -> None:
    season = make_season()
    run = run_once(season)
    row: dict[str, Any] = {
        "region": season.regions.first(), "label": "shown", "sites": 10, "site_nights": 20, "left_out": 0,
        "groups_seen": 4, "figures": {"seen_once": 1},
    }  # fmt: skip
    run.groups_seen.all().delete()
    for wrong, sentence in WRONG:
        with pytest.raises(IntegrityError, match=sentence), transaction.atomic():
            GroupsSeenValue.objects.create(run=run, **{**row, **wrong})
    GroupsSeenValue.objects.create(run=run, **row)
    with pytest.raises(IntegrityError, match="a_run_counts_the_groups_of_a_region_once"), transaction.atomic():
        GroupsSeenValue.objects.create(run=run, **row)
