"""Calendar files with the alarms of a trap: no place, no name, local time with its zone.

Reference: RFC 5545. The zone's rules come along as VTIMEZONE (section 3.6.5), so that any calendar can read them.
"""

from __future__ import annotations

import uuid
from datetime import datetime, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse
from django.urls import path
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe
from icalendar import Alarm, Calendar, Event

from surveys.methods.looks import planned_looks
from surveys.permissions import Rule
from surveys.queries.openings import own_opening
from surveys.queries.sites import zone_of
from surveys.web.access import page

#: How long each thing takes, roughly: a look is short, a count is not. Own choice.
LOOK, COUNT = timedelta(minutes=15), timedelta(minutes=45)
#: An alarm this long before a look, and before emptying, when the tray must be found. Own choice.
BEFORE_LOOK, BEFORE_COUNT = timedelta(minutes=10), timedelta(minutes=30)


class Entry(NamedTuple):
    """One line of the calendar: its stable name, when, how long, what it says, and when it rings."""

    name: str
    at: datetime
    lasts: timedelta
    title: str
    text: str
    rings: timedelta


@never_cache
@require_safe
@page(Rule.SIGNED_IN)
def trap_calendar(request: HttpRequest, opening: uuid.UUID) -> HttpResponse:
    """Return the calendar file of one setting."""
    found = own_opening(request.user, opening)
    answer = HttpResponse(write_calendar(found), content_type="text/calendar; charset=utf-8")
    answer["Content-Disposition"] = f'attachment; filename="trap-{found.trap.number}.ics"'
    return answer


def write_calendar(opening: Any) -> bytes:
    """Return the dusk look, the morning look and the emptying of a setting as an iCalendar stream.

    The same setting always gives the same UIDs, so that a calendar replaces what it was given before.
    """
    zone = zone_of(opening.trap.site.region)
    calendar = Calendar()
    calendar.add("prodid", "-//Trapnight//Trap times//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    for entry in _entries(opening, zone):
        calendar.add_component(_event(opening, entry, zone))
    calendar.add_missing_timezones()
    return bytes(calendar.to_ical())


def _entries(opening: Any, zone: ZoneInfo) -> list[Entry]:
    site, number = opening.trap.site, opening.trap.number
    looks = planned_looks(opening.set_at, site.cell_latitude, site.cell_longitude, zone)
    named = {"number": number}
    found = []
    if looks.dusk:
        text = _(
            "Lift the cover and look in. Is a mouse, a shrew, a frog or a newt in it? An adult with gloves lays the "
            "cup on its side under thick plants and lets it walk out. Do not empty the cup yet."
        )
        found.append(Entry("dusk", looks.dusk, LOOK, _("Look at trap %(number)s: dusk") % named, text, BEFORE_LOOK))
    if looks.dawn:
        text = _(
            "Lift the cover and look in. A shrew that fell in needs food soon. An adult with gloves lays the cup on "
            "its side under thick plants and lets it walk out. Do not empty the cup yet."
        )
        found.append(Entry("dawn", looks.dawn, LOOK, _("Look at trap %(number)s: morning") % named, text, BEFORE_LOOK))
    text = _("Empty the cup into a white tray, count, and let all animals go within the hour. Then close the cup.")
    found.append(Entry("empty", looks.empty, COUNT, _("Empty trap %(number)s") % named, text, BEFORE_COUNT))
    return found


def _event(opening: Any, entry: Entry, zone: ZoneInfo) -> Event:
    start = entry.at.astimezone(zone).replace(second=0, microsecond=0)
    event = Event()
    event.add("uid", f"{opening.uuid}-{entry.name}@trapnight")
    # When the setting became known: the same file is the same to the last byte. RFC 5545, section 3.8.7.2.
    event.add("dtstamp", opening.received_at.astimezone(ZoneInfo("UTC")).replace(microsecond=0))
    event.add("dtstart", start)
    event.add("dtend", start + entry.lasts)
    event.add("summary", entry.title)
    event.add("description", entry.text)
    event.add("transp", "TRANSPARENT")
    event.add("class", "PRIVATE")
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", entry.title)
    alarm.add("trigger", -entry.rings)
    event.add_component(alarm)
    return event


urlpatterns = [path("my/traps/open/<uuid:opening>/calendar.ics", trap_calendar, name="trap-calendar")]
