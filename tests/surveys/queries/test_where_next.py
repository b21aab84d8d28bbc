"""What a plan rests on: the season's figures where they are shown, planning values where not; gardens counted by hand."""

from __future__ import annotations

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from surveys.methods.design_records import DesignComponents
from surveys.methods.usual import plan_baseline
from surveys.models import Group, Region, Return, Run, Season
from surveys.queries.seasons import SeasonLists, lists_of
from surveys.queries.where_next import PLANNED, components_of, footing, plan_cells, regions_to_plan
from tests.factories import make_coordinator, make_researcher, make_season, make_site, make_trap, send_return
from tests.surveys.web.figures import make_run, make_values

pytestmark = pytest.mark.django_db(transaction=True)

#: Invented: one region with a figure, one that the gate withholds.
SHOWN = (("eastmark", "shown", 4.0, 3.0, 5.0, 24, 0), ("westmark", "too_few", None, None, None, 6, 4))


@pytest.fixture
def lists() -> SeasonLists:
    return lists_of(make_season())


def part(lists: SeasonLists, region: str = "eastmark", window: str = "spring") -> dict[str, object]:
    return {
        "group": next(one for one in lists.groups if one.code == "woodlice"),
        "region": next(one for one in lists.regions if one.code == region),
        "window": next(one for one in lists.windows if one.code == window),
    }


def run_with(season: Season, *, components: dict[str, object] | None = None) -> Run:
    run = make_run(season)
    run.parameters = {"components": {"woodlice": components or {}}}
    run.save()
    make_values(run, group="woodlice", window="spring", rows=SHOWN)
    return run


def test_a_region_that_shows_a_figure_is_planned_with_it(lists: SeasonLists) -> None:
    run_with(lists.season)
    found = footing(lists.season, **part(lists))
    assert (found.rate, found.rate_from, found.gardens, found.site_nights) == (4.0, "region", 24, 30)


def test_a_region_that_the_gate_withholds_is_planned_with_the_mean_of_those_shown(lists: SeasonLists) -> None:
    run_with(lists.season)
    found = footing(lists.season, **part(lists, "westmark"))
    assert (found.rate, found.rate_from, found.gardens) == (4.0, "other_regions", 6)


def test_the_mean_of_other_regions_goes_by_their_gardens(lists: SeasonLists) -> None:
    run = run_with(lists.season)
    rows = (("eastmark", "shown", 1.0, 0.5, 2.0, 30, 0), ("westmark", "wide", 4.0, 1.0, 9.0, 10, 0))
    make_values(run, group="woodlice", window="summer", rows=rows)
    third = Region.objects.create(code="midmark", name="Midmark", boundary=lists.regions[0].boundary, position=9)
    found = footing(lists.season, **{**part(lists, window="summer"), "region": third})
    assert (found.rate, found.rate_from, found.gardens) == ((30 * 1.0 + 10 * 4.0) / 40, "other_regions", 0)  # by hand


def test_without_any_figure_planning_values_stand(lists: SeasonLists) -> None:
    group: Group = part(lists)["group"]  # type: ignore[assignment]
    planned = plan_baseline(group.planning_typical, group.planning_high)[0]
    for expected in ((planned, "planning", 0), (planned, "planning", 0)):
        found = footing(lists.season, **part(lists, window="autumn"))
        assert (found.rate, found.rate_from, found.gardens) == expected
        assert (found.components, found.components_from) == (PLANNED, "planning")
        if not Run.objects.exists():
            make_run(lists.season)


@pytest.mark.parametrize(
    ("stored", "expected"),
    [
        ({"site_variance": 1.5, "night_variance": 0.25, "lean_on_prior": False}, (1.5, 0.25, "season")),
        ({"site_variance": 1.5, "night_variance": 0.25, "lean_on_prior": True}, (1.5, 0.25, "leaning")),
        ({"site_variance": 900.0, "night_variance": 0.0}, (50.0, 0.0, "season")),  # as far as the calculator goes
        ({}, (0.8, 1.0, "planning")),  # METHODS.md, section 5.3: the middles of both priors
    ],
)
def test_what_gardens_and_nights_differ_by_comes_from_the_run(
    lists: SeasonLists, stored: dict[str, object], expected: tuple[float, float, str]
) -> None:
    run = run_with(lists.season, components=stored)
    found, where_from = components_of(run, part(lists)["group"])  # type: ignore[arg-type]
    assert (found.site, found.night, where_from) == expected
    assert found.site_season == DesignComponents(0, 0).site_season


def test_gardens_are_counted_by_region_and_habitat_as_the_indices_count_them(lists: SeasonLists) -> None:
    """Two gardens with lawns, one of them on two nights; a hedge; and four returns that the indices leave out."""
    twice, once = make_site(), make_site()
    trap = make_trap(site=twice)
    send_return(trap)
    send_return(trap, set_at="2026-05-10T17:00:00+00:00", emptied_at="2026-05-11T17:00:00+00:00")
    send_return(make_trap(site=once))
    send_return(make_trap(site=once, habitat="hedge_base"), screened=True)
    send_return(make_trap(site=make_site(region="westmark")), screened=True)
    other = send_return(make_trap(), screened=True)
    Return.objects.filter(pk=other.pk).update(state="discounted")
    Return.objects.filter(pk=send_return(make_trap(), screened=True).pk).update(standing="off_protocol")
    Return.objects.filter(pk=send_return(make_trap(), screened=True).pk).update(trap_nights=None)
    send_return(make_trap(), set_at="2026-07-10T17:00:00+00:00", emptied_at="2026-07-11T17:00:00+00:00", screened=True)
    Return.objects.filter(state="queried").update(state="upheld")
    given = part(lists)
    cells = plan_cells(lists, group=given["group"], window=given["window"], regions=lists.regions)  # type: ignore[arg-type]
    assert [(one.region, one.habitat, one.sites, one.site_nights) for one in cells if one.sites] == [
        ("eastmark", "short_lawn", 2, 3), ("eastmark", "hedge_base", 1, 1), ("westmark", "short_lawn", 1, 1),
    ]  # fmt: skip
    assert len(cells) == len(lists.regions) * len(lists.habitats)
    assert [one.weight for one in cells[:3]] == [0.5, 0.4, 0.1]


def test_only_the_regions_in_care_are_planned(lists: SeasonLists) -> None:
    codes = {
        name: [region.code for region in regions_to_plan(account, lists)]
        for name, account in (
            ("east", make_coordinator("eastmark")), ("all", make_coordinator()), ("none", make_researcher()),
        )
    }  # fmt: skip
    assert codes == {"east": ["eastmark"], "all": [region.code for region in lists.regions], "none": []}


def test_it_costs_few_queries_and_gardens_are_counted_once_a_run(lists: SeasonLists) -> None:
    run_with(lists.season)
    given = part(lists)
    with CaptureQueriesContext(connection) as counted:
        footing(lists.season, **given)
    assert len(counted) == 2
    for most in (4, 2):
        with CaptureQueriesContext(connection) as counted:
            plan_cells(lists, group=given["group"], window=given["window"], regions=lists.regions)  # type: ignore[arg-type]
        assert len(counted) <= most
    assert not [query for query in counted.captured_queries if "surveys_trap" in query["sql"]]
