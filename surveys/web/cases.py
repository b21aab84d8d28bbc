"""By-catch and safety: what must be looked at before anything else, and what to do about it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from surveys.methods.looks import OVERDUE
from surveys.permissions import Rule
from surveys.queries.cases import (
    Case,
    cases_looked_at,
    cases_to_look_at,
    cases_to_write_about,
    cases_waiting,
    traps_open_for_long,
)
from surveys.queries.overview import seasons_in_care
from surveys.vocabulary import SeasonState
from surveys.web.access import page
from surveys.web.case_words import what_to_do

_DAY = timedelta(days=1)


@never_cache
@require_safe
@page(Rule.COORDINATOR)
def cases(request: HttpRequest) -> HttpResponse:
    """List the cases of the visitor's regions: traps open for days, then what waits, then what was looked at."""
    now = timezone.now()
    seasons = seasons_in_care(request.user)
    context = {
        "late": [
            {"opening": one, "days": max((now - one.set_at - OVERDUE) // _DAY, 1)}
            for one in traps_open_for_long(request.user, now=now)
        ],
        "waiting": _told(cases_to_look_at(request.user)),
        "all_waiting": cases_waiting(request.user),
        "to_write": _told(cases_to_write_about(request.user, now=now)),
        "looked_at": _told(cases_looked_at(request.user)),
        "contacts": [season for season in seasons if season.state == SeasonState.OPEN] or seasons[:1],
        "zone": seasons[0].time_zone if seasons else "UTC",
    }
    return render(request, "desk/cases.html", context)


def _told(found: Iterable[Case]) -> list[dict[str, Any]]:
    return [{"case": case, "report": case.report, "to_do": what_to_do(case)} for case in found]


urlpatterns = [path("desk/cases/", cases, name="cases")]
