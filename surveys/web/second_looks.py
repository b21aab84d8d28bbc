"""Blind second looks: how many wait, how good the review is, and one return after the other without its verdict."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from surveys.errors import NotFound, Refusal
from surveys.permissions import Rule, Visitor, account_of
from surveys.queries.evidence import comparable_counts
from surveys.queries.photos import photo_of
from surveys.queries.seasons import current_season, lists_of
from surveys.queries.second_looks import second_look_in_care, second_looks_waiting
from surveys.services.second_looks import give_second_look, refusal_of
from surveys.vocabulary import Decision, Outcome, VerdictReason
from surveys.web.access import page
from surveys.web.reported import reported_rows
from surveys.web.review_quality import quality_shown
from surveys.web.shown import Shown
from surveys.web.words import say

#: What a fault leads to.
_BOX = {"opinion": "opinion-first", "reason": "reason"}
#: Comparable traps from which on a half and nine in ten are told. Own choice.
FEWEST_TRAPS = 10


@dataclass(frozen=True, slots=True)
class Row:
    """One group of the catch: the answer that was sent, and the counts that half and nine in ten like traps stay in."""

    catch: Any
    name: str
    traps: int
    half: int | None
    most: int | None

    @property
    def sticks_out(self) -> bool:
        """Say whether more was sent than nine in ten comparable traps had."""
        return self.most is not None and self.catch.low is not None and self.catch.low > self.most


@never_cache
@page(Rule.COORDINATOR)
def second_looks(request: HttpRequest) -> HttpResponse:
    """Say how many second looks wait for the visitor, and what those that were given tell of the review."""
    waiting = second_looks_waiting(request.user)
    season = current_season()
    shown = {
        "waiting": len(waiting),
        "first": waiting[0] if waiting else None,
        "season": season,
        "quality": quality_shown(season, request.user) if season else None,
    }
    return render(request, "desk/second_looks.html", shown)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.COORDINATOR)
def second_look(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Show one drawn return without its verdict, or take what somebody thinks of it and go on to the next."""
    if request.method == "POST":
        return _give(request, number)
    look = second_look_in_care(request.user, number)
    refusal = refusal_of(look, account_of(request.user))
    return _not_to_give(request, refusal) if refusal else _look_page(request, look)


def _give(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    faults = _faults(request.POST)
    if faults:
        look = second_look_in_care(request.user, number)
        refusal = refusal_of(look, account_of(request.user))
        return _not_to_give(request, refusal) if refusal else _look_page(request, look, faults)
    opinion = Decision(request.POST["opinion"])
    # "Let it stand" is said of ordinary nights, and there is a reason that says no more than this.
    reason = VerdictReason(request.POST.get("reason") or VerdictReason.PLAUSIBLE_NIGHT)
    try:
        give_second_look(by=account_of(request.user), uuid=number, opinion=opinion, reason=reason)
    except NotFound:
        raise
    except Refusal as refusal:
        return _not_to_give(request, refusal)
    messages.success(request, gettext("Your second look is on record."))
    return _to_the_next(request.user)


def _faults(given: Mapping[str, str]) -> dict[str, str]:
    faults = {}
    opinion, reason = given.get("opinion", ""), given.get("reason", "")
    if opinion not in Decision.values():
        faults["opinion"] = gettext("Choose what should become of this return.")
    if reason not in VerdictReason.values() and (reason or opinion != Decision.UPHELD):
        faults["reason"] = gettext("Say why. Choose the reason from the list, then press your button again.")
    return faults


def _not_to_give(request: HttpRequest, refusal: Refusal) -> HttpResponse:
    messages.warning(request, refusal.sentence)
    return redirect("second-looks")


def _to_the_next(visitor: Visitor) -> HttpResponse:
    waiting = second_looks_waiting(visitor)
    return redirect("second-look", waiting[0]) if waiting else redirect("second-looks")


def _look_page(request: HttpRequest, look: Any, faults: dict[str, str] | None = None) -> HttpResponse:
    faults = faults or {}
    waiting = second_looks_waiting(request.user)
    after = waiting.index(look.report.uuid) + 1 if look.report.uuid in waiting else 0
    rows = _rows(look.report)
    shown = {
        "report": look.report,
        "zone": look.report.season.time_zone,
        "rows": rows,
        "none_alike": all(row.half is None for row in rows),
        "fewest": FEWEST_TRAPS,
        "findings": [one for one in look.report.findings.all() if one.outcome != Outcome.NOTE],
        "photo": photo_of(look.report),
        "reported": reported_rows(look.report),
        "opinions": [(place, word.value, say(word)) for place, word in enumerate(Decision, start=1)],
        "reasons": [(word.value, say(word), word == request.POST.get("reason")) for word in VerdictReason],
        "waiting": len(waiting),
        "next": waiting[after % len(waiting)] if len(waiting) > 1 else None,
        "faults": faults,
        "fault_list": [Shown(sentence, _BOX[name]) for name, sentence in faults.items()],
    }
    return render(request, "desk/second_look.html", shown, status=422 if faults else 200)


def _rows(report: Any) -> list[Row]:
    """Return the catch beside what comparable traps of other households had. Four queries at most."""
    catches = list(report.catches.all())
    comparable = comparable_counts(report, lists_of(report.season), [one.group.code for one in catches])
    return [_row(one, comparable.get(one.group.code, {})) for one in catches]


def _row(catch: Any, traps_by_count: Mapping[int, int]) -> Row:
    traps = sum(traps_by_count.values())
    told = traps >= FEWEST_TRAPS
    half, most = (_within(traps_by_count, share * traps) if told else None for share in (0.5, 0.9))
    return Row(catch, say(catch.group.name), traps, half, most)


def _within(traps_by_count: Mapping[int, int], wanted: float) -> int:
    """Return the smallest count that so many traps do not go beyond."""
    so_far = 0
    for count in sorted(traps_by_count):
        so_far += traps_by_count[count]
        if so_far >= wanted:
            return count
    return max(traps_by_count)


urlpatterns = [
    path("desk/second-looks/", second_looks, name="second-looks"),
    path("desk/second-looks/<uuid:number>/", second_look, name="second-look"),
]
