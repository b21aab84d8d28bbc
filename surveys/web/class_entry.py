"""A class counts: what pupils see behind an entry code. No name, no account, nothing but their own count."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from surveys.errors import NotFound
from surveys.permissions import Rule
from surveys.queries.schools import (
    ClassPass,
    class_behind,
    class_trap,
    class_trap_by_code,
    class_traps,
    draft_of_today,
    survey_zone,
    trap_code_as_printed,
    traps_counted_today,
)
from surveys.queries.seasons import SeasonLists, current_season, lists_of
from surveys.queries.sites import own_trap_by_code
from surveys.services.schools import CodeOver, save_class_draft
from surveys.vocabulary import Tier
from surveys.web.access import page
from surveys.web.catches import read_catch
from surveys.web.class_pass import (
    CODE_BOX,
    CODE_OVER,
    TRAP_CODE,
    carrying,
    pass_in,
    pass_or_code,
    try_code,
    without_pass,
)
from surveys.web.shown import Shown
from surveys.web.tally import (
    COUNTED_TO,
    Row,
    changed_rows,
    make_tally,
    none_of_the_rest,
    rest_words,
    step_row,
    take_rest_back,
)

ELSEWHERE = _("This code is that of another school. Ask your teacher for the code of your class.")


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.ANYONE)
def enter_class(request: HttpRequest) -> HttpResponse:
    """Ask for the code on the board, and let a class in. Whoever is signed in stays signed in."""
    if request.method != "POST":
        return _entry_page(request)
    ticket, fault, status = try_code(request)
    if ticket is not None:
        return carrying(redirect("class-traps"), ticket)
    way = _way_to_trap(request) if fault is TRAP_CODE else None
    return way or _entry_page(request, fault, status)


@never_cache
@require_http_methods(["GET", "HEAD"])
@page(Rule.ANYONE)
def class_trap_list(request: HttpRequest) -> HttpResponse:
    """Let a class choose its trap by its number and its square on the plan."""
    now = timezone.now()
    ticket = pass_in(request)
    found = class_behind(ticket, now=now) if ticket else None
    if found is None:
        return redirect("enter-class")
    traps, counted = list(class_traps(found)), traps_counted_today(found, now=now)
    shown = {
        "traps": [(trap, trap.pk in counted) for trap in traps],
        "any_counted": bool(counted),
        "several_sites": len({trap.site_id for trap in traps}) > 1,
        "school_class": found,
        "until": ticket.expires_at if ticket else now,
        "zone": survey_zone(),
    }
    return render(request, "schools/class_traps.html", shown)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.ANYONE)
def class_count(request: HttpRequest, trap: uuid.UUID) -> HttpResponse:
    """Show the tally of one trap, or keep what was pressed; a new code may come with it."""
    lists = _lists()
    if request.method == "POST":
        ticket, fault, status = pass_or_code(request)
    else:
        ticket, fault, status = pass_in(request), CODE_OVER, 403
    try:
        count = _count_of(ticket, trap, lists) if ticket else None
    except NotFound:
        if request.POST.get(CODE_BOX):  # a class of another school: what was typed must not go with a missing page
            return _over_page(request, trap, lists, ELSEWHERE, 422)
        raise
    if request.method != "POST":
        return count.page(request, {}) if count else redirect("enter-class")
    if ticket is None or count is None:
        return _over_page(request, trap, lists, fault if ticket is None else CODE_OVER, status)
    try:
        response = _pressed(request, count)
    except CodeOver:
        return _over_page(request, trap, lists, CODE_OVER, 403)
    return carrying(response, ticket) if request.POST.get(CODE_BOX) else response


@require_POST
@page(Rule.ANYONE)
def class_leave(request: HttpRequest) -> HttpResponse:
    """Give the pass back. What was saved stays with the teacher; somebody who is signed in stays so."""
    messages.success(request, gettext("You have left the class. What you saved is with your teacher."))
    return without_pass(redirect("enter-class"))


# --- counting -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Count:
    """What a class has counted today in one trap, and the lists that it counts by."""

    ticket: ClassPass
    trap: Any
    lists: SeasonLists
    answers: dict[str, str]

    def kept(self, changes: Mapping[str, str]) -> _Count:
        """Keep some answers and return the count with them."""
        if not changes:
            return self
        draft = save_class_draft(ticket=self.ticket, trap=self.trap.public_id, answers=changes)
        return replace(self, answers=dict(draft.answers) if draft else {})

    def faults(self) -> dict[str, str]:
        """Return what is wrong with the count, by box."""
        faults: dict[str, str] = {}
        read_catch(self.answers, self.lists.groups, faults)
        return faults

    def page(self, request: HttpRequest, faults: Mapping[str, str]) -> HttpResponse:
        """Show the tally with what is kept."""
        tally = make_tally(self.lists.groups, self.answers, faults, more=request.GET.get("more") == "1")
        shown = {
            "trap": self.trap,
            "tally": tally,
            "action": request.path,
            "answered": gettext("%(number)d of %(all)d rows answered") % {"number": tally.answered, "all": tally.total},
            "rest_words": rest_words(tally.rest),
            "key": reverse("which-group"),
            "go_on": gettext("Save for my teacher"),
            "most": COUNTED_TO,
            "fault_list": [Shown(sentence, name) for name, sentence in faults.items()],
        }
        return render(request, "schools/class_count.html", shown, status=422 if faults else 200)


def _count_of(ticket: ClassPass, trap: uuid.UUID, lists: SeasonLists) -> _Count | None:
    """Return today's count of a trap, or None once the code is over. Raises NotFound for a foreign trap."""
    now = timezone.now()
    found = class_behind(ticket, now=now)
    if found is None:
        return None
    counted = class_trap(found, trap)
    draft = draft_of_today(found, counted, now=now)
    return _Count(ticket, counted, lists, dict(draft.answers) if draft else {})


def _pressed(request: HttpRequest, count: _Count) -> HttpResponse:
    """Keep the rows that this form changed, do what the button says, and come back to its row or go on."""
    given, groups = request.POST, count.lists.groups
    count = count.kept(changed_rows(groups, given, count.answers))
    here = request.path
    verb, _colon, code = given.get("step", "").partition(":")
    if verb in ("plus", "minus") and any(group.code == code for group in groups):
        return _stepped(request, count, code, 1 if verb == "plus" else -1)
    if (which := given.get("which")) is not None:
        back = f"{here}#row-{which}" if any(group.code == which for group in groups) else here
        return redirect(f"{reverse('which-group')}?{urlencode({'back': back})}")
    if (rest := given.get("rest")) in ("none_seen", "undo"):
        count.kept(take_rest_back(count.answers) if rest == "undo" else none_of_the_rest(groups, count.answers))
        return redirect(f"{here}?more=1#the-rest")
    if given.get("go") == "keep":
        return redirect(f"{here}#tally")
    if faults := count.faults():
        return count.page(request, faults)
    told = gettext("Trap %(number)d is saved for your teacher. Your teacher looks at it and sends it.")
    messages.success(request, told % {"number": count.trap.number})
    return redirect("class-traps")


def _stepped(request: HttpRequest, count: _Count, code: str, by: int) -> HttpResponse:
    """Count one more or one less; what cannot be read as a count is named."""
    made = step_row(code, by, count.answers)
    faults = count.faults()
    if not made and f"n_{code}" in faults:
        return count.page(request, {f"n_{code}": faults[f"n_{code}"]})
    count.kept(made)
    extra = any(group.code == code and group.tier != Tier.CORE for group in count.lists.groups)
    return redirect(f"{request.path}{'?more=1' if extra else ''}#row-{code}")


# --- pages ----------------------------------------------------------------------------------------


def _entry_page(request: HttpRequest, fault: Any = "", status: int = 200) -> HttpResponse:
    ticket = pass_in(request)
    found = class_behind(ticket, now=timezone.now()) if ticket else None
    shown = {
        "fault_list": [Shown(str(fault), CODE_BOX)] if fault else [],
        "fault": fault,
        "typed": request.POST.get(CODE_BOX, "")[:20],
        "school_class": found,
        "over": ticket is not None and found is None,
    }
    return render(request, "schools/enter_class.html", shown, status=status)


def _way_to_trap(request: HttpRequest) -> HttpResponse | None:
    """Lead on to the trap whose code was typed: a class that is in to its count, its keeper to its page."""
    typed, ticket = request.POST.get(CODE_BOX, ""), pass_in(request)
    found = class_behind(ticket, now=timezone.now()) if ticket else None
    if found and (trap := class_trap_by_code(found, typed)):
        return redirect("class-count", trap.public_id)
    try:
        return redirect("trap", own_trap_by_code(request.user, trap_code_as_printed(typed)).public_id)
    except NotFound:
        return None


def _over_page(request: HttpRequest, trap: uuid.UUID, lists: SeasonLists, fault: Any, status: int) -> HttpResponse:
    """Show what was typed, with a box for a new code that saves it. Nothing of the class or the trap is told."""
    names = [f"{sign}_{group.code}" for group in lists.groups for sign in "nca"]
    typed = {name: str(request.POST[name]).strip()[:40] for name in names if request.POST.get(name)}
    tally = make_tally(lists.groups, typed, {})
    shown = {
        "trap": trap,
        "answers": typed,
        "rows": [(row.name, _words_of(row)) for row in (*tally.core, *tally.extra) if row.answered],
        "fault": fault,
        "fault_list": [Shown(str(fault), CODE_BOX)],
    }
    return render(request, "schools/code_over.html", shown, status=status)


def _words_of(row: Row) -> str:
    """Return what a row says, as it was typed."""
    chosen = [words for value, words, marked in (*row.classes, *row.others) if marked and value]
    return ", ".join([*([row.number] if row.number else []), *chosen])


def _lists() -> SeasonLists:
    season = current_season()
    if season is None:
        raise NotFound("No season is open yet.")
    return lists_of(season)


urlpatterns = [
    path("class", enter_class, name="enter-class"),
    path("class/traps/", class_trap_list, name="class-traps"),
    path("class/traps/<uuid:trap>/", class_count, name="class-count"),
    path("class/leave", class_leave, name="class-leave"),
]
