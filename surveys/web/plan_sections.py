"""One page for each simple section of a plan: saved at any time, half-finished or not, and nothing is lost."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from surveys.errors import Refusal, Stale
from surveys.permissions import Rule, account_of
from surveys.plans.checks import LONGEST_WELCOME, check_plan, time_zones
from surveys.plans.records import PlanDraft
from surveys.queries.season_plans import (
    draft_of,
    groups_to_choose,
    habitats_to_choose,
    known_on,
    plan_of,
    safety_of_codes,
)
from surveys.services.season_plans import save_section
from surveys.vocabulary import Licence, PlanSection
from surveys.web import plan_forms as forms
from surveys.web.access import page
from surveys.web.plan_shown import faults_shown, is_begun
from surveys.web.shown import by_field

#: Empty windows below those that are there.
SPARE_WINDOWS = 2


@dataclass(frozen=True, slots=True)
class SectionForm:
    """How one section is read from a form and shown in one."""

    read: Callable[[Mapping[str, str], PlanDraft], dict[str, Any]]
    show: Callable[[PlanDraft], dict[str, Any]]


def _show_name(draft: PlanDraft) -> dict[str, Any]:
    return {"boxes": forms.name_boxes(draft.plan), "licences": Licence.choices(), "zones": sorted(time_zones())}


def _show_weeks(draft: PlanDraft) -> dict[str, Any]:
    rows: list[Mapping[str, str]] = [*draft.plan.get("windows", ()), *({} for _ in range(SPARE_WINDOWS))]
    return {
        "rows": list(enumerate(rows, start=1)),
        "opens": draft.plan.get("opens_on"),
        "closes": draft.plan.get("closes_on"),
    }


def _read_groups(posted: Mapping[str, str], draft: PlanDraft) -> dict[str, Any]:
    codes = [group.code for group in groups_to_choose()]
    return {"groups": forms.read_groups(posted, codes, draft.plan.get("groups") or [])}


def _read_habitats(posted: Mapping[str, str], _: PlanDraft) -> dict[str, Any]:
    return {"habitats": forms.read_weights(posted, [habitat.code for habitat in habitats_to_choose()])}


def _show_habitats(draft: PlanDraft) -> dict[str, Any]:
    rows = draft.plan.get("habitats") or []
    return {"choices": forms.weight_choices(list(habitats_to_choose()), rows), "total": forms.sum_of_weights(rows)}


def _show_texts(draft: PlanDraft) -> dict[str, Any]:
    named = [feature["properties"] for feature in draft.boundaries.get("features", ())]
    dates = safety_of_codes([one["code"] for one in named])
    safety = [(one["name"] or one["code"], one["code"], one["code"] in dates, dates.get(one["code"])) for one in named]
    return {"welcome": draft.plan.get("welcome", ""), "longest": LONGEST_WELCOME, "safety": safety}


FORMS: dict[PlanSection, SectionForm] = {
    PlanSection.NAME: SectionForm(lambda posted, _: forms.read_name(posted), _show_name),
    PlanSection.WEEKS: SectionForm(lambda posted, _: {"windows": forms.read_windows(posted)}, _show_weeks),
    PlanSection.GROUPS: SectionForm(
        _read_groups,
        lambda draft: {"choices": forms.group_choices(list(groups_to_choose()), draft.plan.get("groups") or [])},
    ),
    PlanSection.HABITATS: SectionForm(_read_habitats, _show_habitats),
    PlanSection.TEXTS: SectionForm(lambda posted, _: {"welcome": forms.read_welcome(posted)}, _show_texts),
}


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.PLANNER)
def plan_section(request: HttpRequest, number: uuid.UUID, section: str) -> HttpResponse:
    """Show one section, or save it."""
    if section not in {word.value for word in FORMS}:
        raise Http404(gettext("A plan has no such section."))
    found, word = plan_of(request.user, number), PlanSection(section)
    if found.opened_as:
        return redirect("plan", number)
    draft, form = draft_of(found), FORMS[word]
    if request.method != "POST":
        return show_section(request, found, word, draft, form.show(draft))
    part = form.read(request.POST, draft)
    typed = replace(draft, plan={**draft.plan, **part})
    return save_and_go_on(
        request, found, word, part, lambda **more: show_section(request, found, word, typed, form.show(typed), **more)
    )


def save_and_go_on(
    request: HttpRequest, found: Any, word: PlanSection, part: Mapping[str, Any], again: Callable[..., HttpResponse]
) -> HttpResponse:
    """Save a section and go back to the plan, or stay where something is to do; show it again where it is refused."""
    seen = request.POST.get("seen", "")
    try:
        saved = save_section(by=account_of(request.user), public_id=found.public_id, section=word, part=part, seen=seen)
    except Stale as refusal:
        # The next press is about what the other one saved: it is shown beside, and knowingly replaced.
        fresh = draft_of(plan_of(request.user, found.public_id)).mark(word)
        return again(refused=refusal.sentence, stale=True, seen=fresh, status=409)
    except Refusal as refusal:
        return again(refused=refusal.sentence, seen=seen, status=409)
    messages.success(request, gettext("Saved."))
    left = [one for one in check_plan(draft_of(saved), known_on(timezone.localdate())) if one.section == word]
    if left or request.POST.get("do") == "equal":
        return redirect(request.path)
    return redirect("plan", found.public_id)


def show_section(
    request: HttpRequest,
    found: Any,
    word: PlanSection,
    draft: PlanDraft,
    shown: Mapping[str, Any],
    *,
    refused: str = "",
    stale: bool = False,
    seen: str = "",
    status: int = 200,
) -> HttpResponse:
    """Show the page of a section, with what is still to do in it once it was begun."""
    faults = check_plan(draft, known_on(timezone.localdate())) if is_begun(draft, word) else ()
    listed = faults_shown(one for one in faults if one.section == word)
    context = {
        **shown,
        "plan": found,
        "title": draft.plan.get("title", ""),
        "section": word,
        "seen": seen or draft_of(found).mark(word),
        "refused": refused,
        "stale": stale,
        "to_do": listed,
        "faults": by_field(listed),
    }
    return render(request, f"plans/{word.value}.html", context, status=status)


urlpatterns = [path("desk/seasons/<uuid:number>/<slug:section>/", plan_section, name="plan-section")]
