"""The safety page of a region: versions are added by its coordinator, and none is changed."""

from __future__ import annotations

from datetime import date

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from surveys.errors import Faulty, NotFound
from surveys.models import Event, SafetyPage
from surveys.queries.safety import region_safety, region_safety_in_care, regions_with_dates
from surveys.services.safety import LONGEST_TEXT, tidy_safety_text, write_safety_page
from tests.factories import make_account, make_coordinator, make_operator, make_researcher, make_season

pytestmark = pytest.mark.django_db

FIRST_DAY, SECOND_DAY = date(2026, 4, 1), date(2026, 5, 9)


def test_a_coordinator_adds_versions_and_the_newest_is_shown_with_all_dates() -> None:
    make_season()
    keeper = make_coordinator("eastmark")
    first = write_safety_page(by=keeper, region="eastmark", text="Ticks are about.", on=FIRST_DAY)
    second = write_safety_page(by=keeper, region="eastmark", text="Ticks and adders.", on=SECOND_DAY)
    found = region_safety("eastmark")
    assert found.latest == second
    assert found.dates == (SECOND_DAY, FIRST_DAY)
    first.refresh_from_db()
    assert (first.text, first.dated, first.by_id) == ("Ticks are about.", FIRST_DAY, keeper.pk)


def test_each_version_is_one_event_without_its_words() -> None:
    make_season()
    version = write_safety_page(by=make_coordinator("eastmark"), region="eastmark", text="Adders.", on=FIRST_DAY)
    event = Event.objects.get(verb="safety page written")
    assert (event.subject_id, event.details) == (version.pk, {"region": "eastmark"})


def test_the_same_text_sent_twice_is_one_version() -> None:
    make_season()
    keeper = make_coordinator()
    first = write_safety_page(by=keeper, region="westmark", text="Adders.", on=FIRST_DAY)
    again = write_safety_page(by=keeper, region="westmark", text="Adders.  \r\n", on=SECOND_DAY)
    assert again == first
    assert SafetyPage.objects.count() == 1


def test_an_older_text_may_come_back_as_a_new_version() -> None:
    make_season()
    keeper = make_coordinator()
    for text in ("Adders.", "Adders and ticks.", "Adders."):
        write_safety_page(by=keeper, region="westmark", text=text, on=FIRST_DAY)
    assert SafetyPage.objects.count() == 3


@pytest.mark.parametrize("who", ["coordinator of another region", "household", "researcher", "operator"])
def test_nobody_but_the_regions_coordinator_writes(who: str) -> None:
    make_season()
    person = {
        "coordinator of another region": lambda: make_coordinator("westmark"),
        "household": make_account,
        "researcher": make_researcher,
        "operator": make_operator,
    }[who]()
    with pytest.raises(NotFound):
        write_safety_page(by=person, region="eastmark", text="Adders.", on=FIRST_DAY)
    with pytest.raises(NotFound):
        region_safety_in_care(person, "eastmark")
    assert not SafetyPage.objects.exists()


def test_a_region_that_does_not_exist_is_not_found() -> None:
    make_season()
    with pytest.raises(NotFound):
        write_safety_page(by=make_coordinator(), region="nowhere", text="Adders.", on=FIRST_DAY)
    with pytest.raises(NotFound):
        region_safety("nowhere")


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "empty"),
        (" \r\n\t ", "empty"),
        ("a" * (LONGEST_TEXT + 1), "too_long"),
        ("Adders\0 here", "unseen_signs"),
        ("Adders\x1b[31m here", "unseen_signs"),
        ("Adders \ud800 here", "unseen_signs"),
    ],
)
def test_each_wrong_text_is_refused_in_a_sentence(text: str, code: str) -> None:
    make_season()
    with pytest.raises(Faulty) as refusal:
        write_safety_page(by=make_coordinator(), region="eastmark", text=text, on=FIRST_DAY)
    (fault,) = refusal.value.faults
    assert (fault.pointer, fault.code) == ("/text", code)
    assert not SafetyPage.objects.exists()


def test_the_longest_text_that_fits_is_taken() -> None:
    make_season()
    text = "a" * LONGEST_TEXT
    assert write_safety_page(by=make_coordinator(), region="eastmark", text=text, on=FIRST_DAY).text == text


def test_line_ends_and_trailing_blanks_are_made_plain() -> None:
    assert tidy_safety_text("\r\n## Adders  \r\n\r\nStep back.\r") == "## Adders\n\nStep back."


def test_regions_come_with_the_date_of_their_newest_text_in_one_query() -> None:
    make_season()
    keeper = make_coordinator("eastmark")
    write_safety_page(by=keeper, region="eastmark", text="One.", on=FIRST_DAY)
    write_safety_page(by=keeper, region="eastmark", text="Two.", on=SECOND_DAY)
    with CaptureQueriesContext(
        connection,
    ) as queries:
        listed = [(each.region.code, each.dated) for each in regions_with_dates()]
    assert listed == [("eastmark", SECOND_DAY), ("westmark", None)]
    assert len(queries) == 1


def test_a_regions_page_takes_three_queries_however_many_versions_there_are() -> None:
    make_season()
    keeper = make_coordinator("eastmark")
    for n in range(12):
        write_safety_page(by=keeper, region="eastmark", text=f"Version {n}.", on=FIRST_DAY)
    with CaptureQueriesContext(connection) as queries:
        found = region_safety("eastmark")
    assert len(queries) == 3
    assert len(found.dates) == 12
