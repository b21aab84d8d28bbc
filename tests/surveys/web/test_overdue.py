"""Traps that stand open too long: seen by the coordinators of their region, without a place."""

from __future__ import annotations

import uuid
from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from surveys.models import Account, Letter, Opening, Trap
from surveys.services.letters import plan_reminders
from surveys.vocabulary import Ending
from tests.factories import NOBODYS, client_of, make_coordinator, make_researcher, make_season, make_site, make_trap

pytestmark = pytest.mark.django_db
PATH = "/overdue/"
HOUR = timedelta(hours=1)


def left_open(hours: float, *, region: str = "eastmark") -> Opening:
    trap = make_trap(site=make_site(region=region))
    opening = Opening.objects.create(
        uuid=uuid.uuid4(),
        trap=trap,
        by=trap.site.household.keeper,
        fingerprint="-",
        set_at=timezone.now() - hours * HOUR,
    )
    plan_reminders(opening)
    return opening


def signed_in(account: Account) -> Client:
    return client_of(account)


@pytest.fixture
def desk(db: None) -> Client:
    make_season(year=timezone.now().year)
    return signed_in(make_coordinator("eastmark"))


def alias(opening: Opening) -> str:
    return str(opening.trap.site.household.alias)


def test_a_coordinator_sees_the_late_traps_of_her_region_the_longest_first(desk: Client) -> None:
    late, later, in_time = left_open(27), left_open(50), left_open(25)
    elsewhere = left_open(60, region="westmark")
    ended = left_open(40)
    Opening.objects.filter(pk=ended.pk).update(ended_at=timezone.now(), ending=Ending.EMPTIED)
    page = desk.get(PATH).content.decode()
    assert page.index(alias(later)) < page.index(alias(late))
    for other in (in_time, elsewhere, ended):
        assert alias(other) not in page
    assert ">50</td>" in page
    assert "Eastmark" in page


def test_the_page_tells_no_place_and_no_mail_address(desk: Client) -> None:
    opening = left_open(27)
    page = desk.get(PATH).content.decode()
    site = opening.trap.site
    for word in (site.cell_code, "51.5", "17.5", site.household.keeper.email, str(site.public_id)):
        assert word not in page


def test_at_twenty_six_hours_a_trap_is_late_and_not_a_minute_before(desk: Client) -> None:
    assert alias(left_open(25.98)) not in desk.get(PATH).content.decode()
    assert alias(left_open(26.01)) in desk.get(PATH).content.decode()


def test_nobody_else_comes_in(desk: Client) -> None:
    opening = left_open(27)
    assert Client().get(PATH)["Location"].startswith("/sign-in")
    for account in (opening.trap.site.household.keeper, make_researcher()):
        assert signed_in(account).get(PATH).status_code == 403
        assert signed_in(account).post(PATH, {"opening": str(opening.uuid)}).status_code == 403


def test_a_letter_is_asked_for_once_in_twelve_hours(desk: Client) -> None:
    opening = left_open(40)
    Letter.objects.filter(kind="overdue").update(sent_at=timezone.now() - 14 * HOUR)
    assert "Write again" in desk.get(PATH).content.decode()
    page = desk.post(PATH, {"opening": str(opening.uuid)}, follow=True).content.decode()
    assert "A letter goes out within a few minutes." in page
    page = desk.post(PATH, {"opening": str(opening.uuid)}, follow=True).content.decode()
    assert "A letter went out within 12 hours, or is about to." in page
    assert Letter.objects.filter(kind="overdue").count() == 2


def test_a_letter_of_an_hour_ago_stands_where_the_button_was(desk: Client) -> None:
    left_open(40)
    Letter.objects.filter(kind="overdue").update(sent_at=timezone.now() - HOUR)
    page = desk.get(PATH).content.decode()
    assert "Written to on" in page
    assert 'name="opening"' not in page


@pytest.mark.parametrize("given", ["", "x", "\x00", str(NOBODYS)])
def test_a_trap_that_is_none_is_not_there(desk: Client, given: str) -> None:
    assert desk.post(PATH, {"opening": given}).status_code == 404


def test_a_trap_of_another_region_and_one_in_good_time_are_not_there(desk: Client) -> None:
    for opening in (left_open(40, region="westmark"), left_open(25)):
        assert desk.post(PATH, {"opening": str(opening.uuid)}).status_code == 404


def test_without_a_late_trap_the_page_says_so(desk: Client) -> None:
    assert "Every open trap in your regions is in good time." in desk.get(PATH).content.decode()


def test_a_longer_list_asks_no_more_questions(desk: Client, django_assert_max_num_queries: Any) -> None:
    left_open(27)
    desk.get(PATH)
    with django_assert_max_num_queries(7):
        desk.get(PATH)
    for hours in range(30, 36):
        left_open(hours)
    with django_assert_max_num_queries(7):
        desk.get(PATH)
    assert Trap.objects.count() == 7
