"""Setting a trap, one question a page; and what can be done while it stands open."""

from __future__ import annotations

import uuid
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from surveys.errors import Conflict, Faulty, NotFound, Refusal
from surveys.permissions import Rule, account_of
from surveys.queries.openings import (
    due_times,
    latest_draft,
    lists_for,
    open_settings,
    own_draft,
    own_opening,
    set_with_last_time,
    takes_returns,
)
from surveys.queries.people import mail_is_confirmed
from surveys.queries.returns import newest_in_chain
from surveys.queries.sites import own_traps
from surveys.services.drafts import drop_draft
from surveys.services.openings import Look, call_off, note_look, set_trap
from surveys.vocabulary import DraftKind, Ending
from surveys.web.access import page
from surveys.web.asking import SET_QUESTIONS, Asked, read_setting
from surveys.web.due_looks import due_looks
from surveys.web.liquids import LIQUID_STOP, is_danger, liquid_words
from surveys.web.refusals import in_words
from surveys.web.shown import Shown
from surveys.web.steps import CHECK, Choice, Way, keep, posted, shown_check, shown_step, trap_among, trap_words


@never_cache
@page(Rule.SIGNED_IN)
def set_trap_start(request: HttpRequest) -> HttpResponse:
    """Show the first question: which trap, or when, where there is only one or one came by link."""
    traps = tuple(own_traps(request.user))
    if not traps:
        return render(request, "field/no_trap.html", {})
    opened = {one.trap_id: one for one in open_settings(request.user)}
    free = [trap for trap in traps if trap.pk not in opened]
    chosen = next((trap for trap in traps if str(trap.public_id) == request.GET.get("trap")), None)
    if chosen is not None and chosen.pk in opened:
        return redirect("trap-is-set", opened[chosen.pk].uuid)
    if chosen is None and len(traps) == 1 and free:
        chosen = free[0]
    way = _way(request, uuid.uuid4(), {"trap": str(chosen.public_id)} if chosen else {}, traps=traps)
    if way is None or (chosen is not None and not takes_returns(chosen)):
        return render(request, "field/no_season.html", {"trap": chosen})
    question = SET_QUESTIONS[1] if chosen else SET_QUESTIONS[0]
    begun = latest_draft(request.user, DraftKind.SET)
    more: dict[str, Any] = {"back": None}
    if begun is not None:
        more["begun"] = reverse("set-step", kwargs={"draft": begun.uuid, "step": CHECK})
    if chosen:
        more |= {"carried": {"trap": str(chosen.public_id)}, "about": trap_words(chosen)}
    return shown_step(request, way, question, {}, **more, **_extras(request, way, question))


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def set_step(request: HttpRequest, draft: uuid.UUID, step: str) -> HttpResponse:
    """Show one question with what is kept, or keep its answer and go on; the last one sends."""
    if (sent := _sent(request, draft)) is not None:
        return sent
    posting = request.method == "POST"
    way = _way(request, draft, _kept(request, draft, new=posting and step not in (CHECK, LIQUID_STOP)))
    if way is None:
        return render(request, "field/no_season.html", {})
    if step == LIQUID_STOP:
        return _liquid_stop(request, way)
    if step == CHECK:
        return _send(request, way) if posting else _check(request, way)
    question = way.question(step)
    if question is None:
        raise NotFound("There is no such question.")
    if posting:
        way = keep(request, way, posted(request, question, way))
    faults = way.faults_of(question) if posting else {}
    if faults or not posting:
        return shown_step(request, way, question, faults, **_extras(request, way, question))
    return redirect(_onward(request, way, step))


def _onward(request: HttpRequest, way: Way, step: str) -> str:
    """Return the address after a question: what can kill is not passed over."""
    changing = request.GET.get("change") == "1"
    if step == "liquid" and is_danger(way.answers.get(step)):
        return way.to(LIQUID_STOP, changing=changing)
    return way.to(CHECK if changing else way.after(step))


def _liquid_stop(request: HttpRequest, way: Way) -> HttpResponse:
    """Say what to do about a liquid or a bait, and ask how it stands now. POST: there is no trap any more."""
    if request.method == "POST":
        drop_draft(by=account_of(request.user), uuid=way.uuid)
        messages.success(request, gettext("Thank you. This trap is not set. Wash your hands with soap."))
        return redirect("my-sites")
    changing = request.GET.get("change") == "1"
    question = way.to("liquid", changing=changing)
    cautions = liquid_words(way.answers.get("liquid"))
    if not cautions:
        return redirect(question)
    shown = {"question": question, "out": way.to(LIQUID_STOP), "cautions": cautions, "season": way.lists.season}
    return render(request, "field/liquid_stop.html", shown)


@never_cache
@page(Rule.SIGNED_IN)
def trap_is_set(request: HttpRequest, opening: uuid.UUID) -> HttpResponse:
    """Show one setting: when to look, when to empty, and how it ended if it did."""
    found = own_opening(request.user, opening)
    lists, due, now = lists_for(found.trap, found.set_at), due_times(found), timezone.now()
    shown: dict[str, Any] = {
        "opening": found,
        "trap": found.trap,
        "about": trap_words(found.trap),
        "due": due,
        "looks": due_looks(found, due, now),
        "cautions": liquid_words(found.answers.get("liquid")),
        "season": lists.season if lists else None,
        "overdue": found.ended_at is None and now > due.empty,
        "we_write": mail_is_confirmed(account_of(request.user)),
        "report": newest_in_chain(found.report) if found.report else None,
    }
    return render(request, "field/trap_is_set.html", shown)


@never_cache
@require_POST
@page(Rule.SIGNED_IN)
def look_trap(request: HttpRequest, opening: uuid.UUID) -> HttpResponse:
    """Note a look at dusk or at dawn: one press."""
    look: Look = "dawn" if request.POST.get("look") == "dawn" else "dusk"
    try:
        note_look(by=account_of(request.user), uuid=opening, look=look, at=timezone.now())
    except (Conflict, Faulty) as refusal:
        messages.error(request, in_words(refusal))
    else:
        messages.success(request, gettext("We wrote it down. Thank you for looking."))
    return redirect("trap-is-set", opening)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def call_off_trap(request: HttpRequest, opening: uuid.UUID) -> HttpResponse:
    """Ask how a setting ended without a count, and note it."""
    found = own_opening(request.user, opening)
    given = request.POST.get("ending", "")
    known = given in (Ending.CALLED_OFF, Ending.LOST)
    if request.method != "POST" or not known:
        faults = [Shown(gettext("Say what happened to the trap."), "ending")] if request.method == "POST" else []
        shown = {"opening": found, "about": trap_words(found.trap), "fault_list": faults}
        return render(request, "field/call_off.html", shown, status=422 if faults else 200)
    try:
        call_off(by=account_of(request.user), uuid=opening, ending=Ending(given), at=timezone.now())
    except Conflict as refusal:
        messages.error(request, in_words(refusal))
    return redirect("trap-is-set", opening)


def _sent(request: HttpRequest, draft: uuid.UUID) -> HttpResponse | None:
    """Lead on to the setting that this draft became: a second tap, a reload and Back make no second one."""
    try:
        own_opening(request.user, draft)
    except NotFound:
        return None
    return redirect("trap-is-set", draft)


def _kept(request: HttpRequest, draft: uuid.UUID, *, new: bool) -> dict[str, str]:
    try:
        return dict(own_draft(request.user, draft, DraftKind.SET).answers)
    except NotFound:
        if new:
            return {}
        raise


def _way(request: HttpRequest, draft: uuid.UUID, answers: dict[str, str], *, traps: Any = None) -> Way | None:
    """Return the way through the questions; None before there is any season."""
    own = traps if traps is not None else tuple(own_traps(request.user))
    trap = trap_among(own, answers)
    now = timezone.now()
    lists = lists_for(trap, now)
    if lists is None:
        return None
    habitats = {str(one.public_id): one.habitat.code for one in own}
    return Way(
        kind=DraftKind.SET,
        uuid=draft,
        answers=answers,
        questions=SET_QUESTIONS,
        address="set-step",
        traps=tuple(own),
        lists=lists,
        now=now,
        read=lambda given: read_setting(given, lists, habitats, now),
    )


def _extras(request: HttpRequest, way: Way, question: Asked) -> dict[str, Any]:
    """Return what a question shows beside itself: one's traps, and what the cup was last time."""
    if question.kind == "trap":
        return {"choices": trap_choices(request, way)}
    if question.name == "mouth_mm" and (trap := way.answers.get("trap")):
        return {"last_time": last_mouth(request, trap)}
    return {}


def last_mouth(request: HttpRequest, trap: str) -> str:
    """Return how wide the cup was last time, as it would be typed; empty where nobody knows."""
    try:
        found = set_with_last_time(request.user, uuid.UUID(trap)).get("mouth_mm")
    except ValueError:
        return ""
    return f"{found:g}" if found else ""


def trap_choices(request: HttpRequest, way: Way) -> list[Choice]:
    """Return one's traps; one that stands open is named, but cannot be set again."""
    opened = {one.trap_id: one for one in open_settings(request.user)}
    given = way.answers.get("trap", "")
    return [
        Choice(
            str(trap.public_id),
            trap_words(trap),
            str(trap.public_id) == given,
            gettext("It is open now.") if trap.pk in opened else "",
            reverse("trap-is-set", args=[opened[trap.pk].uuid]) if trap.pk in opened else "",
        )
        for trap in way.traps
    ]


def _check(request: HttpRequest, way: Way, *, refused: str = "", tried: bool = False) -> HttpResponse:
    cautions = liquid_words(way.answers.get("liquid"))
    return shown_check(request, way, refused=refused, tried=tried, setting=True, cautions=cautions)


def _send(request: HttpRequest, way: Way) -> HttpResponse:
    by = account_of(request.user)
    reading = way.reading().sent
    if reading is None:
        return _check(request, way, tried=True)
    try:
        set_trap(by=by, sent=reading)
    except Refusal as refusal:
        return _check(request, way, refused=in_words(refusal), tried=True)
    drop_draft(by=by, uuid=way.uuid)
    return redirect("trap-is-set", way.uuid)


urlpatterns = [
    path("my/traps/set/", set_trap_start, name="set-trap"),
    path("my/traps/set/<uuid:draft>/<slug:step>/", set_step, name="set-step"),
    path("my/traps/open/<uuid:opening>/", trap_is_set, name="trap-is-set"),
    path("my/traps/open/<uuid:opening>/look", look_trap, name="look-trap"),
    path("my/traps/open/<uuid:opening>/call-off", call_off_trap, name="call-off"),
]
