"""What is kept of a place, and the same form sent twice."""

from __future__ import annotations

import threading
import uuid

import pytest
from django.db import connection

from surveys.errors import Conflict, Faulty, NotFound
from surveys.methods.garden_squares import square_of
from surveys.methods.screening_place import is_inside
from surveys.models import Event, Household, Region, Site, Trap
from surveys.services.sites import add_site, add_trap, add_traps, coarsen_site, place_trap_on_plan
from tests.factories import make_household, make_season, make_site, make_trap
from tests.frozen import thawed

pytestmark = pytest.mark.django_db


@pytest.fixture
def household() -> Household:
    make_season()
    return make_household()


def added(household: Household, latitude: float = 51.5012, longitude: float = -17.5433, **more: object) -> Site:
    return add_site(by=household.keeper, household=household, latitude=latitude, longitude=longitude, **more)  # type: ignore[arg-type]


def test_by_default_the_middle_of_a_square_is_kept(household: Household) -> None:
    point = added(household).point
    assert point.kept_to_m == 1000
    # Cell n51.50w17.60: -17.5433 is 0.0567 east of -17.6, in the fourth of six columns; 51.5012 in the lowest row.
    assert (point.latitude, point.longitude) == (51.505, pytest.approx(-17.6 + 3.5 / 60, abs=1e-6))


def test_a_fine_point_is_kept_where_it_is_wished(household: Household) -> None:
    point = added(household, 51.501249, -17.543351, fine=True).point
    assert (point.latitude, point.longitude, point.kept_to_m) == (51.5012, -17.5434, 11)


def test_the_public_cell_is_the_same_either_way(household: Household) -> None:
    cells = {added(household, fine=fine).cell_code for fine in (True, False)}
    assert cells == {"n51.50w17.60"}


@pytest.mark.parametrize("longitude", [-18.0001, -18.0049, -17.9999, -17.9951])
def test_beside_a_border_the_region_of_the_garden_wins_and_its_point_lies_inside(
    household: Household, longitude: float
) -> None:
    # Eastmark begins at -18 degrees, in the middle of no square: both sides keep their own.
    site = added(household, 51.25, longitude)
    assert site.region.code == ("eastmark" if longitude > -18 else "westmark")
    rings = (site.region.boundary["coordinates"][0],)
    assert is_inside(site.point.longitude, site.point.latitude, rings, slack_deg=1e-6)  # type: ignore[arg-type]


def test_at_a_shore_the_place_check_of_the_screening_stays_quiet(household: Household) -> None:
    """A square with its middle in the sea keeps a point on land, so nobody is asked about a right place."""
    with thawed():
        Region.objects.filter(code="eastmark").update(
            boundary={
                "type": "Polygon",
                "coordinates": [
                    [[-17.548, 51.5], [-17.541, 51.5], [-17.541, 51.502], [-17.548, 51.502], [-17.548, 51.5]]
                ],
            }
        )
    site = added(household, 51.5012, -17.5433)
    assert (site.region.code, site.point.kept_to_m) == ("eastmark", 1000)
    rings = (site.region.boundary["coordinates"][0],)
    assert is_inside(site.point.longitude, site.point.latitude, rings, slack_deg=0)  # type: ignore[arg-type]
    assert square_of(site.point.latitude, site.point.longitude) == square_of(51.5012, -17.5433)


@pytest.mark.parametrize(("latitude", "longitude", "code"), [(91, 0, "not_on_earth"), (10, 10, "outside_all_regions")])
def test_a_place_that_cannot_be_is_refused(household: Household, latitude: float, longitude: float, code: str) -> None:
    with pytest.raises(Faulty) as refused:
        added(household, latitude, longitude)
    assert [fault.code for fault in refused.value.faults] == [code]


def test_a_site_that_is_sent_twice_is_there_once(household: Household) -> None:
    one = uuid.uuid4()
    assert added(household, public_id=one) == added(household, public_id=one, fine=True)
    assert Site.objects.get().public_id == one
    assert Event.objects.filter(verb="site added").count() == 1


def test_a_trap_that_is_sent_twice_is_there_once(household: Household) -> None:
    site, one = make_site(household=household), uuid.uuid4()
    traps = {
        add_trap(by=household.keeper, site=site.public_id, habitat="short_lawn", public_id=one).pk for _ in range(2)
    }
    assert len(traps) == Trap.objects.count() == 1


def added_traps(household: Household, site: Site, number: int, **more: object) -> list[Trap]:
    return add_traps(by=household.keeper, site=site.public_id, habitat="short_lawn", number=number, **more)  # type: ignore[arg-type]


def test_twelve_traps_are_one_event_and_get_the_next_numbers(household: Household) -> None:
    site = make_site(household=household)
    add_trap(by=household.keeper, site=site.public_id, habitat="hedge_base")
    before = Event.objects.count()
    traps = added_traps(household, site, 12)
    assert [trap.number for trap in traps] == list(range(2, 14))
    assert {trap.habitat.code for trap in traps} == {"short_lawn"}
    assert len({trap.code for trap in traps}) == len({trap.public_id for trap in traps}) == 12
    assert Event.objects.count() == before + 1
    event = Event.objects.get(verb="traps added")
    assert event.details == {"habitat": "short_lawn", "traps": [trap.pk for trap in traps]}


def test_one_trap_is_logged_as_one(household: Household) -> None:
    added_traps(household, make_site(household=household), 1)
    assert Event.objects.get(verb="trap added").details == {"habitat": "short_lawn"}


@pytest.mark.parametrize("again", [3, 1, 12])
def test_traps_that_are_sent_twice_are_there_once(household: Household, again: int) -> None:
    site, one = make_site(household=household), uuid.uuid4()
    first = added_traps(household, site, 3, public_id=one)
    assert added_traps(household, site, again, public_id=one) == first
    assert first[0].public_id == one
    assert Trap.objects.count() == 3
    assert Event.objects.filter(verb="traps added").count() == 1


@pytest.mark.parametrize("number", [0, -1, 13])
def test_no_fewer_than_one_and_no_more_than_twelve_are_added(household: Household, number: int) -> None:
    with pytest.raises(Faulty) as refused:
        added_traps(household, make_site(household=household), number)
    assert [(fault.pointer, fault.code) for fault in refused.value.faults] == [("/number", "not_so_many")]
    assert Trap.objects.count() == 0


def test_a_square_of_the_plan_is_for_one_trap(household: Household) -> None:
    site = make_site(household=household)
    assert added_traps(household, site, 1, plan_square="B2")[0].plan_square == "B2"
    with pytest.raises(Faulty) as refused:
        added_traps(household, site, 2, plan_square="B2")
    assert [fault.code for fault in refused.value.faults] == ["square_for_one_trap"]


def test_several_traps_are_added_all_or_none(household: Household, monkeypatch: pytest.MonkeyPatch) -> None:
    codes = iter(["AAAAAA", "BBBBBB", "AAAAAA"])
    monkeypatch.setattr("surveys.services.sites.make_trap_code", lambda: next(codes))
    with pytest.raises(Conflict):
        added_traps(household, make_site(household=household), 3)
    assert Trap.objects.count() == 0


def test_a_site_of_somebody_else_gets_no_traps(household: Household) -> None:
    with pytest.raises(NotFound):
        added_traps(make_household(), make_site(household=household), 2)


@pytest.mark.django_db(transaction=True)
def test_a_double_tap_makes_one_site_and_its_traps_once(household: Household) -> None:
    one, other, start = uuid.uuid4(), uuid.uuid4(), threading.Barrier(4)
    site = make_site(household=household)

    def tap() -> None:
        start.wait()
        added(household, public_id=one)
        added_traps(household, site, 3, public_id=other)
        connection.close()

    threads = [threading.Thread(target=tap) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert Site.objects.filter(public_id=one).count() == 1
    assert (Trap.objects.filter(public_id=other).count(), Trap.objects.count()) == (1, 3)


def test_an_id_of_somebody_else_is_refused_and_tells_nothing(household: Household) -> None:
    foreign = make_trap()
    with pytest.raises(Conflict, match="taken"):
        added(household, public_id=foreign.site.public_id)
    site = make_site(household=household)
    with pytest.raises(Conflict, match="taken"):
        add_trap(by=household.keeper, site=site.public_id, habitat="short_lawn", public_id=foreign.public_id)


def test_a_household_of_somebody_else_gets_no_site(household: Household) -> None:
    with pytest.raises(NotFound):
        add_site(by=make_household().keeper, household=household, latitude=51.5, longitude=-17.5)


def test_a_finer_point_is_forgotten_on_wish_and_does_not_come_back(household: Household) -> None:
    site = added(household, fine=True)
    coarsen_site(by=household.keeper, site=site.public_id)
    point = Site.objects.get(pk=site.pk).point
    assert (point.latitude, point.kept_to_m) == (51.505, 1000)
    coarsen_site(by=household.keeper, site=site.public_id)
    assert Event.objects.filter(verb="site kept coarser").count() == 1
    with pytest.raises(NotFound):
        coarsen_site(by=make_household().keeper, site=site.public_id)


def test_a_trap_moves_on_the_plan_and_off_it(household: Household) -> None:
    trap = make_trap(site=make_site(household=household))
    for square in ("A1", "H8", ""):
        place_trap_on_plan(by=household.keeper, trap=trap.public_id, plan_square=square)
        trap.refresh_from_db()
        assert trap.plan_square == square


@pytest.mark.parametrize("square", ["I1", "A9", "a1", "A10", "A", "<b>", " A1"])
def test_a_square_that_the_plan_has_not_is_refused(household: Household, square: str) -> None:
    trap = make_trap(site=make_site(household=household))
    with pytest.raises(Faulty):
        place_trap_on_plan(by=household.keeper, trap=trap.public_id, plan_square=square)
    with pytest.raises(Faulty):
        add_trap(by=household.keeper, site=trap.site.public_id, habitat="short_lawn", plan_square=square)


def test_a_trap_of_somebody_else_is_not_moved(household: Household) -> None:
    with pytest.raises(NotFound):
        place_trap_on_plan(by=household.keeper, trap=make_trap().public_id, plan_square="A1")


def test_no_place_stands_in_the_log(household: Household) -> None:
    added(household, fine=True)
    assert Event.objects.get(verb="site added").details == {"region": "eastmark", "fine": True}
