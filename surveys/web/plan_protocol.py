"""The protocol of a plan: a version there is, or a new one from ranges; and what it would have done to last season."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from copy import deepcopy
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from surveys.errors import Refusal
from surveys.permissions import Rule, account_of
from surveys.plans.ranges import MOUTH, CheckRows, Sentence, put_ranges, put_sentences, rows_of, sentences_of
from surveys.plans.records import PlanDraft, has_unseen_signs
from surveys.queries.jobs import job_of
from surveys.queries.season_plans import draft_of, known_on, plan_of, seasons_to_try_on
from surveys.services.protocol_previews import ask_for_preview, preview_key
from surveys.vocabulary import JobKind, JobState, PlanSection
from surveys.web.access import page
from surveys.web.plan_forms import line
from surveys.web.plan_sections import save_and_go_on, show_section
from surveys.web.plan_shown import number_in_box
from surveys.web.preview_shown import result_shown

_WORD = PlanSection.PROTOCOL
#: Longer than any sentence that is taken, so that one that is too long is kept to be shortened.
_LONGEST_KEPT = 1000


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.PLANNER)
def plan_protocol(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Choose a version, begin a new one, or save the ranges of the new one."""
    found = plan_of(request.user, number)
    if found.opened_as:
        return redirect("plan", number)
    draft = draft_of(found)
    if request.method != "POST":
        return _page(request, found, draft)
    part = _part(request.POST, draft)
    return save_and_go_on(
        request,
        found,
        _WORD,
        part,
        lambda **more: _page(
            request, found, PlanDraft({**draft.plan, **part}, draft.boundaries, part["limits"]), **more
        ),
    )


def _part(posted: Mapping[str, str], draft: PlanDraft) -> dict[str, Any]:
    """Return the section as it is posted: a version that is chosen, a new one begun, or ranges typed."""
    if posted.get("do") == "ranges" and draft.limits:
        named = {"version": line(posted.get("version", ""))[:40], "agreed_on": line(posted.get("agreed_on", ""))[:40]}
        typed = {name: line(str(value)) for name, value in posted.items()}
        return {"protocol": draft.plan.get("protocol"), "limits": put_ranges(draft.limits, typed) | named}
    protocols = known_on(timezone.localdate()).protocols
    chosen = posted.get("choice", "")
    if chosen.startswith("new-") and chosen[4:] in protocols:
        if draft.limits.get("based_on") == chosen[4:]:
            return {"protocol": draft.plan.get("protocol"), "limits": dict(draft.limits)}
        limits = deepcopy(dict(protocols[chosen[4:]]))
        fresh = {"based_on": chosen[4:], "version": _next_version(protocols), "agreed_on": ""}
        return {"protocol": chosen[4:], "limits": limits | fresh}
    return {"protocol": line(chosen)[:20], "limits": {}}


def _next_version(protocols: Mapping[str, Any]) -> str:
    return str(max((int(one) for one in protocols if one.isascii() and one.isdigit()), default=0) + 1)


def _page(request: HttpRequest, found: Any, draft: PlanDraft, **more: Any) -> HttpResponse:
    protocols = known_on(timezone.localdate()).protocols
    base = protocols.get(str(draft.limits.get("based_on"))) or draft.limits
    shown = {
        "protocols": list(protocols),
        "chosen": f"new-{draft.limits.get('based_on')}" if draft.limits else draft.plan.get("protocol"),
        "limits": draft.limits,
        "mouth": number_in_box(draft.limits.get(MOUTH)),
        "mouth_before": number_in_box(base.get(MOUTH)) if draft.limits else "",
        "checks": [_in_boxes(check) for check in rows_of(draft.limits, base)] if draft.limits else [],
    }
    return show_section(request, found, _WORD, draft, shown, **more)


def _in_boxes(check: CheckRows) -> tuple[CheckRows, list[tuple[Any, list[tuple[str, str, str, str]]]]]:
    """Return a check with its rows, each end as name, word, value and older value."""
    rows = []
    for row in check.rows:
        words = ("from", "to") if row.high else ("", "")
        ends = [
            (box.name, word, number_in_box(box.value), number_in_box(box.before))
            for box, word in zip((row.low, row.high), words, strict=True)
            if box is not None
        ]
        rows.append((row, ends))
    return check, rows


# --- sentences ----------------------------------------------------------------------------------------


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.PLANNER)
def plan_sentences(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Show the sentences that families read beside the limits of a new version, or save them."""
    found = plan_of(request.user, number)
    draft = draft_of(found)
    if found.opened_as or not draft.limits:
        return redirect("plan-protocol", number)
    if request.method != "POST":
        return _sentences_page(request, found, draft)
    typed = {name: _one_sentence(str(value)) for name, value in request.POST.items()}
    limits = put_sentences(draft.limits, typed)
    part = {"protocol": draft.plan.get("protocol"), "limits": limits}
    return save_and_go_on(
        request,
        found,
        _WORD,
        part,
        lambda **more: _sentences_page(request, found, PlanDraft(draft.plan, draft.boundaries, limits), **more),
    )


def _one_sentence(text: str) -> str:
    """Return a sentence in one line, without signs that nobody can see."""
    return " ".join("".join(sign for sign in text[:_LONGEST_KEPT] if not has_unseen_signs(sign)).split())


def _sentences_page(request: HttpRequest, found: Any, draft: PlanDraft, **more: Any) -> HttpResponse:
    base = known_on(timezone.localdate()).protocols.get(str(draft.limits.get("based_on")), draft.limits)
    changed = {row["check"] for row, old in zip(draft.limits["checks"], base["checks"], strict=True) if row != old}
    grouped: dict[str, list[Sentence]] = {}
    for one in sentences_of(draft.limits):
        grouped.setdefault(one.check, []).append(one)
    shown = {
        "sentences": True,
        # What is to do in the limits has its boxes on the page of the protocol.
        "here": [one.name for listed in grouped.values() for one in listed],
        "elsewhere": reverse("plan-protocol", args=[found.public_id]),
        "grouped": [(listed[0].title, check in changed, listed) for check, listed in grouped.items()],
    }
    return show_section(request, found, _WORD, draft, shown, **more)


# --- trying it ----------------------------------------------------------------------------------------


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.PLANNER)
def plan_preview(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Ask for the plan's protocol to be tried on a season, and show how far that is or what it found."""
    found = plan_of(request.user, number)
    known = seasons_to_try_on()
    asked = request.POST.get("season") or request.GET.get("season", "")
    season = next((one for one in known if one.code == asked), known[0] if known else None)
    context: dict[str, Any] = {"plan": found, "seasons": known, "season": season, "version": _version_of(found)}
    if request.method == "POST" and season is not None:
        try:
            ask_for_preview(by=account_of(request.user), public_id=number, season=season.code)
        except Refusal as refusal:
            return render(request, "plans/preview.html", {**context, "refused": refusal.sentence}, status=409)
        messages.success(request, gettext("It is being tried. Nothing of the season changes."))
        return redirect(f"{request.path}?season={season.code}")
    job = job_of(JobKind.PREVIEW, preview_key(found, season.code)) if season else None
    context["job"] = job
    context["waiting"] = job is not None and job.state in (JobState.QUEUED, JobState.RUNNING)
    context["failed"] = job is not None and job.state == JobState.FAILED
    if job is not None and job.state == JobState.DONE:
        context |= result_shown(job.result)
    return render(request, "plans/preview.html", context)


def _version_of(found: Any) -> str:
    draft = draft_of(found)
    return str(draft.limits.get("version") if draft.limits else draft.plan.get("protocol") or "")


urlpatterns = [
    path("desk/seasons/<uuid:number>/protocol/", plan_protocol, name="plan-protocol"),
    path("desk/seasons/<uuid:number>/protocol/sentences/", plan_sentences, name="plan-sentences"),
    path("desk/seasons/<uuid:number>/protocol/preview/", plan_preview, name="plan-preview"),
]
