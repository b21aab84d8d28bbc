"""The nights of one's seasons: how they went, and what each moved and why."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import islice
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from surveys.permissions import Rule
from surveys.queries.night_events import HAPPENED, Happened, happened_between
from surveys.queries.nights import Figures, Night, figures_of, nights_of, run_before, run_in_care
from surveys.services.night import latest_night, night_key
from surveys.vocabulary import JobState, SeasonState
from surveys.web.access import page
from surveys.web.charts import words_of
from surveys.web.night_words import how_long, why_it_failed, why_it_moved
from surveys.web.svg_desk_charts import Shift, shifts
from surveys.web.svg_frame import Chart
from surveys.web.words import say

#: A night that is not done so long after it was due is late. Own choice: a large season takes minutes.
LATE_AFTER = timedelta(hours=4)
#: So many figures are told of in sentences, and so many are drawn.
MOST_TOLD, MOST_DRAWN = 40, 8


@dataclass(frozen=True, slots=True)
class ToldNight:
    """A night with how it went in words; ``state`` is done, running, waiting, late or failed."""

    night: Night
    state: str
    words: str


@dataclass(frozen=True, slots=True)
class Moved:
    """A figure that moved by more than rounding, as the page says it; None where a night does not show it."""

    figures: Figures
    before: str | None
    now: str | None
    why: str


@require_safe
@page(Rule.COORDINATOR)
def nights(request: HttpRequest) -> HttpResponse:
    """List the latest nights of the seasons in the visitor's care."""
    now = timezone.now()
    listed = [told_night(night, now) for night in nights_of(request.user)]
    return render(request, "desk/nights.html", {"nights": listed, "missing": _missing(listed, now)})


@require_safe
@page(Rule.COORDINATOR)
def night(request: HttpRequest, run: int) -> HttpResponse:
    """Show one night: what ran, and what moved in the visitor's regions since the one before."""
    found = run_in_care(request.user, run)
    before = run_before(found)
    context: dict[str, Any] = {"run": found, "before": before, "took": how_long(_took(found.job))}
    if before is not None:
        figures = figures_of(request.user, found, before)
        happened = happened_between(request.user, before, found)
        moved = ranked(figures)
        context |= {
            "moved": [_told(one, happened) for one in moved[:MOST_TOLD]],
            "more": max(len(moved) - MOST_TOLD, 0),
            "still": sum(one.now is not None for one in figures) - sum(one.now is not None for one in moved),
            "chart": _chart(moved),
            "happened": _by_region(figures, happened),
            "learned": _learned(found, before),
        }
    return render(request, "desk/night.html", context)


def told_night(one: Night, now: datetime) -> ToldNight:
    """Return a night with how it went, in words."""
    job = one.job
    if job.state == JobState.DONE:
        return ToldNight(one, "done", _("Done in {time}.").format(time=how_long(_took(job))))
    if job.state in (JobState.FAILED, JobState.CANCELLED):
        return ToldNight(one, "failed", _("It did not come to its end. {why}").format(why=why_it_failed(job.problem)))
    late = now - job.created_at > LATE_AFTER
    if job.state == JobState.RUNNING:
        words = _("Running: {done} of {total} steps.").format(done=job.done, total=job.total)
        return ToldNight(one, "late" if late else "running", words)
    again = _("Tried once or more. {why}").format(why=why_it_failed(job.problem))
    return ToldNight(one, "late" if late else "waiting", again if job.attempts else _("Not begun yet."))


def ranked(figures: list[Figures]) -> list[Figures]:
    """Return the figures that moved by more than rounding: those that came or went first, then the largest change."""
    moved = [one for one in figures if _words(one.before) != _words(one.now)]
    return sorted(moved, key=lambda one: -_size(one))


def _size(one: Figures) -> float:
    """Return how far a figure moved, on a scale of times; without end where it came or went."""
    if not one.before or not one.now:
        return math.inf
    return abs(math.log(one.now / one.before))


def _words(value: float | None) -> str | None:
    return None if value is None else words_of(value)


def _told(one: Figures, happened: dict[tuple[str, str], Happened]) -> Moved:
    found = happened.get((one.region.code, one.window), Happened())
    return Moved(one, _words(one.before), _words(one.now), why_it_moved(found.to_group(one.group)))


def _chart(moved: list[Figures]) -> Chart | None:
    """Return the drawing of what moved most among the figures that both nights show."""
    rows = (Shift(_name(one), one.before, one.now) for one in moved if one.before and one.now)
    drawn = list(islice(rows, MOST_DRAWN))
    return shifts(rows=drawn) if drawn else None


def _name(one: Figures) -> str:
    return f"{say(one.group_name)}, {one.region.name}, {say(one.window_name)}"


def _by_region(figures: list[Figures], happened: dict[tuple[str, str], Happened]) -> list[dict[str, Any]]:
    """Return what happened to returns, one row for each region and window in which anything did."""
    names = {(one.region.code, one.window): (one.region.name, one.window_name) for one in figures}
    return [
        {"region": region, "window": window, "counts": [happened[place].returns.get(what, 0) for what in HAPPENED]}
        for place, (region, window) in names.items()
        if place in happened
    ]


def _learned(run: Any, before: Any) -> str:
    """Return what else can have moved figures: other code, or what all regions share, learned anew."""
    if (run.method_version, run.code_version) != (before.method_version, before.code_version):
        return _("The program was changed since the night before, so any figure may have moved.")
    if run.parameters.get("shared_parts_from_night") == before.parameters.get("shared_parts_from_night"):
        return _("What all regions share was kept from an earlier night, so figures moved through their returns alone.")
    return _("What all regions share was learned anew, so a figure can move a little without a new return.")


def _took(job: Any) -> timedelta:
    if job.started_at is None or job.finished_at is None:
        return timedelta(0)
    took: timedelta = job.finished_at - job.started_at
    return took


def _missing(listed: list[ToldNight], now: datetime) -> list[dict[str, Any]]:
    """Return the open seasons whose last night is due for long and was not even asked for."""
    due = latest_night(now)
    over = datetime.combine(due + timedelta(days=1), datetime.min.time(), now.tzinfo)
    if now - over < timedelta(hours=settings.NIGHT_FROM_HOUR) + LATE_AFTER:
        return []
    keys = {one.night.job.key for one in listed}
    open_ones = {one.night.season for one in listed if one.night.season.state == SeasonState.OPEN}
    return [
        {"season": season, "night": due}
        for season in sorted(open_ones, key=lambda one: one.code)
        if night_key(season, due) not in keys and season.opens_on <= due
    ]


urlpatterns = [
    path("desk/nights/", nights, name="nights"),
    path("desk/nights/<int:run>/", night, name="night"),
]
