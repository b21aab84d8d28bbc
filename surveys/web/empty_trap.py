"""Emptying a trap, one question a page, until the return is sent."""

from __future__ import annotations

import uuid
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from surveys.errors import Conflict, NotFound, Refusal
from surveys.permissions import Rule, account_of
from surveys.queries.openings import (
    draft_about,
    latest_draft,
    lists_for,
    open_settings,
    own_draft,
    own_opening,
    takes_returns,
)
from surveys.queries.returns import newest_in_chain, own_return
from surveys.queries.sites import own_traps
from surveys.services.drafts import drop_draft
from surveys.services.intake import receive_return
from surveys.services.waking import wake_screening
from surveys.vocabulary import DraftKind, Looks, YesNo
from surveys.web.access import page
from surveys.web.asking import EMPTY_QUESTIONS, UNTOLD, Asked, Reading, read_emptying
from surveys.web.emptying_words import about_setting, words_at_the_end, words_before
from surveys.web.refusals import in_words
from surveys.web.set_trap import last_mouth
from surveys.web.steps import (
    CHECK,
    Choice,
    Way,
    date_and_time,
    keep,
    posted,
    shown_check,
    shown_step,
    trap_among,
    trap_words,
)

#: The page that stands between "yes, a backbone" and the count.
BACKBONE = "backbone"


@never_cache
@page(Rule.SIGNED_IN)
def empty_trap_start(request: HttpRequest) -> HttpResponse:
    """Show the first question: which trap, or when, where one stands open or came by link."""
    traps = tuple(own_traps(request.user))
    if not traps:
        return render(request, "field/no_trap.html", {})
    standing = list(open_settings(request.user))
    answers = _asked_for(request, traps, standing)
    chosen = _named(request, answers)
    if chosen is not None:
        if chosen.report is not None:
            return redirect("my-return", newest_in_chain(chosen.report).uuid)
        begun = draft_about(request.user, chosen.uuid)
        if begun is not None and (way := _way(request, begun.uuid, dict(begun.answers), traps=traps)):
            return redirect(way.to(way.next_open()))
    way = _way(request, uuid.uuid4(), answers, traps=traps)
    if way is None:
        return render(request, "field/no_season.html", {})
    question = _first(way)
    begun = latest_draft(request.user, DraftKind.EMPTY)
    more: dict[str, Any] = {"back": None, "carried": answers, **_extras(request, way, question)}
    if begun is not None:
        more["begun"] = reverse("empty-step", kwargs={"draft": begun.uuid, "step": CHECK})
    trap = way.trap
    if trap is not None and not takes_returns(trap):
        more["cautions"] = [gettext("The count is not on here now. Let the animals go today and close the trap.")]
    if "another" not in request.GET and answers.get("opening", UNTOLD) != UNTOLD:
        more["another"] = f"{reverse('empty-trap')}?another=1"
    return shown_step(request, way, question, {}, **more)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def empty_step(request: HttpRequest, draft: uuid.UUID, step: str) -> HttpResponse:
    """Show one question with what is kept, or keep its answer and go on; the last one sends."""
    if (sent := sent_before(request, draft)) is not None:
        return sent
    posting = request.method == "POST"
    way = way_of(request, draft, new=posting and step != CHECK)
    if way is None:
        return render(request, "field/no_season.html", {})
    if step == CHECK:
        return _send(request, way) if posting else _check(request, way)
    if step == BACKBONE:
        return _backbone(request, way)
    question = way.question(step)
    if question is None or question.kind == "tally":
        raise NotFound("There is no such question.")
    if posting:
        way = keep(request, way, posted(request, question, way))
        way = _again(request, way)
    faults = way.faults_of(question) if posting else {}
    if not posting or faults:
        return shown_step(request, way, question, faults, **_extras(request, way, question))
    return redirect(_onward(request, way, question))


def sent_before(request: HttpRequest, draft: uuid.UUID) -> HttpResponse | None:
    """Lead on to the return that this draft became: a second tap, a reload and Back make no second one."""
    try:
        own_return(request.user, draft)
    except NotFound:
        return None
    return redirect("my-return", draft)


def way_of(request: HttpRequest, draft: uuid.UUID, *, new: bool = False) -> Way | None:
    """Return the way through one's own draft; None before there is any season."""
    try:
        answers = dict(own_draft(request.user, draft, DraftKind.EMPTY).answers)
    except NotFound:
        if not new:
            raise
        answers = {}
    return _way(request, draft, answers)


def _again(request: HttpRequest, way: Way) -> Way:
    """Return the way anew: which setting it is about may have changed, and with it what is asked."""
    return _way(request, way.uuid, way.answers, traps=way.traps) or way


def _onward(request: HttpRequest, way: Way, question: Asked) -> str:
    """Return the address after a question: who changed one answer goes back to the page of all answers."""
    if question.name == "vertebrate_seen" and way.answers.get(question.name) == YesNo.YES:
        return way.to(BACKBONE, changing=request.GET.get("change") == "1")
    if request.GET.get("change") == "1":
        # A change may open other questions: a trap that was not lost after all is counted.
        return way.to(way.next_open())
    return way.to(way.after(question.name))


def _asked_for(request: HttpRequest, traps: tuple[Any, ...], standing: list[Any]) -> dict[str, str]:
    """Return the answers that came by link, or follow from there being only one: a setting, or a trap."""
    if "another" in request.GET:
        return {}
    if given := request.GET.get("opening"):
        return {"opening": given}
    named = next((one for one in traps if str(one.public_id) == request.GET.get("trap")), None)
    if named is not None:
        meant = next((one for one in standing if one.trap_id == named.pk), None)
        told = {"opening": str(meant.uuid)} if meant else {}
        return told or {"opening": UNTOLD, "trap": str(named.public_id)}
    return _only_one(traps, standing)


def _only_one(traps: tuple[Any, ...], standing: list[Any]) -> dict[str, str]:
    if len(standing) == 1:
        return {"opening": str(standing[0].uuid)}
    if not standing and len(traps) == 1:
        return {"opening": UNTOLD, "trap": str(traps[0].public_id)}
    return {} if standing else {"opening": UNTOLD}


def _first(way: Way) -> Asked:
    """Return the first question that what came by link leaves open."""
    return next(one for one in way.asked() if not way.has_answer(one))


def _named(request: HttpRequest, answers: dict[str, str]) -> Any:
    """Return the setting that the answers name; somebody else's is not there."""
    given = answers.get("opening", UNTOLD)
    if given == UNTOLD:
        return None
    try:
        number = uuid.UUID(given)
    except ValueError:
        raise NotFound("There is no setting of yours with this id.") from None
    return own_opening(request.user, number)


def _way(request: HttpRequest, draft: uuid.UUID, answers: dict[str, str], *, traps: Any = None) -> Way | None:
    own = traps if traps is not None else tuple(own_traps(request.user))
    try:
        opening = _named(request, answers)
    except NotFound:
        # It was removed since, or never was: ask again which trap it is.
        answers, opening = {name: value for name, value in answers.items() if name != "opening"}, None
    trap = opening.trap if opening else trap_among(own, answers)
    now = timezone.now()
    lists = lists_for(trap, now)
    if lists is None:
        return None
    answers = _with_looks(answers, opening)
    habitats = {str(one.public_id): one.habitat.code for one in own}
    return Way(
        kind=DraftKind.EMPTY,
        uuid=draft,
        answers=answers,
        questions=EMPTY_QUESTIONS,
        address="empty-step",
        traps=tuple(own),
        lists=lists,
        now=now,
        read=lambda given: _which_first(read_emptying(given, lists, opening, now, habitats), given, opening),
        opening=opening,
    )


def _which_first(reading: Reading[Any], given: dict[str, str], opening: Any) -> Reading[Any]:
    """Refuse a reading of which nobody said whether it is about a setting that we know."""
    if opening is not None or given.get("opening") == UNTOLD:
        return reading
    return Reading(faults={"opening": str(EMPTY_QUESTIONS[0].fault), **reading.faults})


def _with_looks(answers: dict[str, str], opening: Any) -> dict[str, str]:
    """Fill in the looks that were ticked while the trap was open, until somebody says otherwise."""
    if opening is None or answers.get("looks"):
        return answers
    ticked = (opening.looked_dusk_at is not None, opening.looked_dawn_at is not None)
    looks = {(True, True): Looks.DUSK_AND_DAWN, (True, False): Looks.DUSK_ONLY, (False, True): Looks.DAWN_ONLY}
    return {**answers, "looks": looks[ticked].value} if ticked in looks else answers


def _extras(request: HttpRequest, way: Way, question: Asked) -> dict[str, Any]:
    """Return what a question shows beside itself."""
    more: dict[str, Any] = {"about": about_setting(way), "cautions": words_before(way, question)}
    if question.name == "opening":
        more["choices"] = _settings(request, way)
    elif question.kind == "trap":
        given = way.answers.get("trap")
        more["choices"] = [
            Choice(str(one.public_id), trap_words(one), str(one.public_id) == given) for one in way.traps
        ]
    elif question.name == "mouth_mm" and way.answers.get("trap"):
        more["last_time"] = last_mouth(request, way.answers["trap"])
    return more


def _settings(request: HttpRequest, way: Way) -> list[Choice]:
    given = way.answers.get("opening")
    listed = []
    for one in open_settings(request.user):
        at = date_and_time(one.set_at.astimezone(way.zone))
        words = gettext("%(trap)s, open since %(at)s") % {"trap": trap_words(one.trap), "at": at}
        listed.append(Choice(str(one.uuid), words, str(one.uuid) == given))
    return [*listed, Choice(UNTOLD, gettext("Another one: I set it without telling you"), given == UNTOLD)]


def _backbone(request: HttpRequest, way: Way) -> HttpResponse:
    trap = way.trap
    changing = request.GET.get("change") == "1"
    shown = {
        "back": way.to("vertebrate_seen", changing=changing),
        "onward": way.to(CHECK) if changing else way.to(way.after("vertebrate_seen")),
        "region": trap.site.region if trap else None,
        "season": way.lists.season,
    }
    return render(request, "field/backbone.html", shown)


def _check(request: HttpRequest, way: Way, *, refused: str = "", tried: bool = False) -> HttpResponse:
    return shown_check(request, way, refused=refused, tried=tried, cautions=words_at_the_end(way))


def _send(request: HttpRequest, way: Way) -> HttpResponse:
    by = account_of(request.user)
    sent = way.reading().sent
    if sent is None:
        return _check(request, way, tried=True)
    trap = way.trap
    if not takes_returns(trap):
        words = gettext("The count is not on here now. Your answers are kept for 90 days. Let the animals go today.")
        return _check(request, way, refused=words, tried=True)
    if way.opening is not None and way.opening.report is not None:
        words = gettext("The return about this trap was sent before. Look at it under My returns.")
        return _check(request, way, refused=words, tried=True)
    try:
        receive_return(by=by, sent=sent, opening=way.opening.uuid if way.opening else None)
    except Refusal as refusal:
        if isinstance(refusal, Conflict) and (before := sent_before(request, way.uuid)) is not None:
            return before
        return _check(request, way, refused=in_words(refusal), tried=True)
    drop_draft(by=by, uuid=way.uuid)
    wake_screening()
    return redirect("my-return", way.uuid)


urlpatterns = [
    path("my/traps/empty/", empty_trap_start, name="empty-trap"),
    path("my/traps/empty/<uuid:draft>/<slug:step>/", empty_step, name="empty-step"),
]
