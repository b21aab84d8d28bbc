"""Calendar files, read back with icalendar and held against RFC 5545."""

from __future__ import annotations

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from astral import Observer
from astral.sun import sunset as astral_sunset
from django.test import Client
from icalendar import Calendar, Event

from surveys.models import Opening, Season
from surveys.web.calendar_file import write_calendar
from tests.factories import make_coordinator, make_household, make_season, make_site, make_trap
from tests.frozen import thawed

pytestmark = pytest.mark.django_db
SET_AT = datetime(2026, 5, 2, 16, 0, tzinfo=UTC)


@pytest.fixture
def opening() -> Opening:
    make_season()
    trap = make_trap(site=make_site(household=make_household()))
    keeper = trap.site.household.keeper
    return Opening.objects.create(uuid=uuid.uuid4(), trap=trap, by=keeper, fingerprint="-", set_at=SET_AT)


def path(opening: Opening) -> str:
    return f"/my/traps/open/{opening.uuid}/calendar.ics"


def fetched(opening: Opening) -> bytes:
    client = Client()
    client.force_login(opening.trap.site.household.keeper)
    return bytes(client.get(path(opening)).content)


def events(content: bytes) -> dict[str, Event]:
    read = Calendar.from_ical(content)
    return {str(event["UID"]).split("-")[-1].split("@")[0]: event for event in read.walk("VEVENT")}


def test_it_is_a_calendar_to_the_letter_of_the_standard(opening: Opening) -> None:
    content = fetched(opening)
    lines = content.decode().split("\r\n")
    assert (lines[0], lines[-2], lines[-1]) == ("BEGIN:VCALENDAR", "END:VCALENDAR", "")  # 3.4, and CRLF ends: 3.1
    assert b"\n" not in content.replace(b"\r\n", b"")  # 3.1
    assert all(len(line.encode()) <= 75 for line in lines)  # 3.1: folded at 75 octets
    read = Calendar.from_ical(content)
    assert read["VERSION"] == "2.0"  # 3.7.4
    assert str(read["PRODID"])  # 3.7.3
    assert read["METHOD"] == "PUBLISH"  # 3.7.2
    assert read["CALSCALE"] == "GREGORIAN"  # 3.7.1


def test_each_event_has_what_an_event_must_have(opening: Opening) -> None:
    found = events(fetched(opening))
    assert set(found) == {"dusk", "dawn", "empty"}
    assert len({str(event["UID"]) for event in found.values()}) == 3  # 3.8.4.7: globally unique
    for event in found.values():
        assert event["DTSTAMP"].dt.utcoffset() == timedelta(0)  # 3.8.7.2: in UTC
        assert event["DTEND"].dt > event["DTSTART"].dt  # 3.8.2.2
        (alarm,) = event.walk("VALARM")
        assert alarm["ACTION"] == "DISPLAY"  # 3.6.6: a display alarm has a description and a trigger
        assert str(alarm["DESCRIPTION"])
        assert timedelta(hours=-1) < alarm["TRIGGER"].dt < timedelta(0)  # 3.8.6.3: before the start


def test_the_times_are_those_of_the_trap(opening: Opening) -> None:
    found = {name: event["DTSTART"].dt.astimezone(UTC) for name, event in events(fetched(opening)).items()}
    assert found["empty"] == datetime(2026, 5, 3, 16, 0, tzinfo=UTC)
    # Outside: astral's own search for the sunset, at the middle of the public cell n51.50w17.50.
    sunset = astral_sunset(Observer(51.55, -17.45), SET_AT.date())
    assert abs(found["dusk"] - sunset) < timedelta(minutes=2)
    # The sun rises before six on that day (astral: 05:38 UTC), and nobody is woken before six.
    assert found["dawn"] == datetime(2026, 5, 3, 6, 0, tzinfo=UTC)


def test_the_same_setting_gives_the_same_bytes(opening: Opening) -> None:
    assert fetched(opening) == fetched(opening)


@pytest.mark.parametrize("zone", ["Europe/Berlin", "America/St_Johns", "Pacific/Auckland"])
def test_a_zone_with_summer_time_comes_with_its_rules(opening: Opening, zone: str) -> None:
    with thawed():
        Season.objects.update(time_zone=zone)
    content = write_calendar(Opening.objects.select_related("trap__site__region").get(pk=opening.pk))
    read = Calendar.from_ical(content)
    assert [str(one["TZID"]) for one in read.walk("VTIMEZONE")] == [zone]  # 3.2.19: each TZID has its VTIMEZONE
    for event in read.walk("VEVENT"):
        assert event["DTSTART"].params["TZID"] == zone
        assert not str(event["DTSTART"].to_ical().decode()).endswith("Z")  # 3.3.5, form 3
    (empty,) = [event for event in read.walk("VEVENT") if "-empty@" in str(event["UID"])]
    assert empty["DTSTART"].dt.astimezone(UTC) == datetime(2026, 5, 3, 16, 0, tzinfo=UTC)
    assert empty["DTSTART"].dt.replace(tzinfo=None) == datetime(2026, 5, 3, 16, 0, tzinfo=UTC).astimezone(
        ZoneInfo(zone)
    ).replace(tzinfo=None)


def test_a_night_on_which_the_clocks_change_is_still_24_hours_long(opening: Opening) -> None:
    with thawed():
        Season.objects.update(time_zone="Europe/Berlin")
    Opening.objects.update(set_at=datetime(2026, 10, 24, 14, 0, tzinfo=UTC))  # 16:00; the clocks go back that night
    found = events(fetched(Opening.objects.get(pk=opening.pk)))
    assert found["empty"]["DTSTART"].dt.replace(tzinfo=None) == datetime(2026, 10, 25, 15, 0)
    assert found["empty"]["DTSTART"].dt.astimezone(UTC) == datetime(2026, 10, 25, 14, 0, tzinfo=UTC)


def test_no_place_and_no_name_stand_in_it(opening: Opening) -> None:
    content = fetched(opening).decode()
    site = opening.trap.site
    for word in ("LOCATION", "GEO:", "ORGANIZER", "ATTENDEE", site.household.alias, site.region.name, site.cell_code):
        assert word not in content
    assert site.household.keeper.email not in content


def test_it_is_a_file_to_save_and_no_cache_keeps_it(opening: Opening) -> None:
    client = Client()
    client.force_login(opening.trap.site.household.keeper)
    answer = client.get(path(opening))
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"  # RFC 5545, section 8.1
    assert answer["Content-Disposition"] == 'attachment; filename="trap-1.ics"'
    assert "no-store" in answer["Cache-Control"]


def test_to_everybody_else_it_is_not_there(opening: Opening) -> None:
    assert Client().get(path(opening))["Location"].startswith("/sign-in")
    for other in (make_household().keeper, make_coordinator("eastmark")):
        client = Client()
        client.force_login(other)
        assert client.get(path(opening)).status_code == 404


def test_before_a_season_the_times_are_in_utc(opening: Opening, settings: Any) -> None:
    with thawed():
        Season.objects.update(state="draft")
    content = write_calendar(Opening.objects.select_related("trap__site__region").get(pk=opening.pk))
    assert events(content)["empty"]["DTSTART"].dt.astimezone(UTC) == datetime(2026, 5, 3, 16, 0, tzinfo=UTC)
