"""The desk's releases: which there are, making one, watching it being made, and withdrawing one."""

from __future__ import annotations

import re
import uuid
from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_safe

from surveys.errors import Conflict, Faulty, Refusal
from surveys.permissions import Rule, account_of, may_plan_seasons
from surveys.queries.release_desk import jobs_to_tell, next_release, release_job
from surveys.queries.releases import release_by_version, releases
from surveys.queries.seasons import current_season, season_by_code, seasons
from surveys.services.releases import LONGEST_REASON, SHORTEST_REASON, ask_for_release, withdraw_release
from surveys.vocabulary import JobState, ReleaseState
from surveys.web.access import page
from surveys.web.night_words import why_it_failed
from surveys.web.shown import Shown, by_field, shown
from surveys.web.words import say

#: What a job leaves when the program failed: a traceback, or that it was begun again and again.
_FAILED = re.compile(r"Traceback|begun \d+ times")


@dataclass(frozen=True, slots=True)
class ToldJob:
    """A release in the making: how far it is, in words and as a share; ``state`` is waiting, running, failed, done."""

    job: Any
    season: str
    because: str
    state: str
    words: str


@never_cache
@require_safe
@page(Rule.COORDINATOR)
def desk_releases(request: HttpRequest) -> HttpResponse:
    """List releases and what is being made."""
    context = {
        "releases": list(releases()),
        "jobs": [told_job(job) for job in jobs_to_tell()],
        "may_make": may_plan_seasons(request.user),
    }
    return render(request, "desk/releases.html", context)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.PLANNER)
def make_release(request: HttpRequest) -> HttpResponse:
    """Show what a release of a season would hold, and have it made for a reason."""
    code = str(request.POST.get("season") or request.GET.get("season", "")).replace("\0", "")
    season = season_by_code(code) if code else current_season()
    if season is None:
        return render(request, "desk/make_release.html", {"season": None})
    if request.method != "POST":
        return _asked(request, season)
    because = _because(request)
    try:
        job = ask_for_release(by=account_of(request.user), season_code=season.code, because=because)
    except Faulty as refusal:
        return _asked(request, season, because=because, fault_list=shown(refusal.faults), status=422)
    except Conflict as refusal:
        return _asked(request, season, because=because, refused=refusal.sentence, status=409)
    return redirect("release-progress", job.public_id)


def _because(request: HttpRequest) -> str:
    return str(request.POST.get("because", "")).replace("\0", "")


def _asked(
    request: HttpRequest,
    season: Any,
    *,
    because: str = "",
    fault_list: list[Shown] | None = None,
    refused: str = "",
    status: int = 200,
) -> HttpResponse:
    found = next_release(season)
    context = {
        "season": season,
        "seasons": list(seasons()),
        "found": found,
        "left_out": [(capfirst(say(reason)), n) for reason, n in found.left_out.items()],
        "because": because,
        "shortest": SHORTEST_REASON,
        "longest": LONGEST_REASON,
        "fault_list": fault_list or [],
        "faults": by_field(fault_list or []),
        "refused": refused,
    }
    return render(request, "desk/make_release.html", context, status=status)


@never_cache
@require_safe
@page(Rule.COORDINATOR)
def release_progress(request: HttpRequest, job: uuid.UUID) -> HttpResponse:
    """Show how far a release is; when it is there, the way to it."""
    told = told_job(release_job(job))
    return render(request, "desk/release_progress.html", {"told": told, "may_make": may_plan_seasons(request.user)})


def told_job(job: Any) -> ToldJob:
    """Return a release in the making, in words."""
    state, words = _state_of(job)
    return ToldJob(job, str(job.parameters.get("season", "")), str(job.parameters.get("because", "")), state, words)


def _state_of(job: Any) -> tuple[str, str]:
    if job.state == JobState.DONE:
        return "done", _("Release {version} is made.").format(version=job.result.get("version", ""))
    if job.state in (JobState.FAILED, JobState.CANCELLED):
        return "failed", _("It did not come to its end. {why}").format(why=why_not_made(job.problem))
    if job.state == JobState.RUNNING and job.total:
        return "running", _("About {percent} % is done.").format(percent=round(100 * job.done / job.total))
    if job.attempts:
        return "waiting", _("It is begun again. {why}").format(why=why_not_made(job.problem))
    return "waiting", _("It waits for its turn. That takes a minute at most.")


def why_not_made(problem: str) -> str:
    """Return why a release was not made: the sentence of a rule that said no, or what is said of a night."""
    return why_it_failed(problem) if not problem or _FAILED.search(problem) else problem


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.PLANNER)
def withdraw(request: HttpRequest, version: str) -> HttpResponse:
    """Say what withdrawing a release means, and withdraw it for a reason."""
    found = release_by_version(version)
    context: dict[str, Any] = {
        "release": found,
        "is_withdrawn": found.state == ReleaseState.WITHDRAWN,
        "shortest": SHORTEST_REASON,
        "longest": LONGEST_REASON,
    }
    if request.method != "POST":
        return render(request, "desk/withdraw_release.html", context)
    because = _because(request)
    try:
        withdraw_release(by=account_of(request.user), version=version, because=because)
    except Refusal as refusal:
        listed = shown(refusal.faults)
        context |= {"because": because, "fault_list": listed, "faults": by_field(listed)}
        context["refused"] = "" if listed else refusal.sentence
        return render(request, "desk/withdraw_release.html", context, status=422 if listed else 409)
    messages.success(request, _("Release {version} is withdrawn. Its page says why.").format(version=version))
    return redirect("desk-releases")


urlpatterns = [
    path("desk/releases/", desk_releases, name="desk-releases"),
    path("desk/releases/new/", make_release, name="make-release"),
    path("desk/releases/making/<uuid:job>/", release_progress, name="release-progress"),
    path("desk/releases/<str:version>/withdraw/", withdraw, name="withdraw-release"),
]
