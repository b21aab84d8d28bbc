"""One verdict on many returns that wait for the same reason: choose, read once more what it will touch, decide."""

from __future__ import annotations

import uuid
from collections import Counter
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_http_methods

from surveys.errors import Refusal
from surveys.permissions import Rule, account_of
from surveys.queries.review import QUEUE_ORDER, in_other_hands, queue
from surveys.services.verdicts_together import MOST_TOGETHER, give_verdicts_together
from surveys.vocabulary import Decision, VerdictReason
from surveys.web.access import page
from surveys.web.last_verdict import id_in, keep_last_verdict
from surveys.web.moments import read_whole
from surveys.web.queue import part_of, wanted_of
from surveys.web.return_form import read_note
from surveys.web.shown import Shown
from surveys.web.words import say

#: A correction is made one by one.
_DECISIONS = (Decision.UPHELD, Decision.DISCOUNTED)


@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.COORDINATOR)
def together(request: HttpRequest) -> HttpResponse:
    """List what waits for one reason, then what one verdict would touch, then give it."""
    wanted = wanted_of(request.GET)
    if wanted.reason is None:
        return redirect("queue")
    rows = list(queue(request.user, wanted).order_by(*QUEUE_ORDER)[:MOST_TOGETHER])
    if request.method != "POST":
        return _page(request, rows)
    chosen = _chosen(request)
    faults: dict[str, str] = {}
    note = read_note(request.POST.get("note", ""), "note", faults)
    decision, reason = request.POST.get("decision", ""), request.POST.get("reason", "")
    if decision not in _DECISIONS:
        faults["decision"] = gettext("Choose what to do with these returns.")
    if reason not in VerdictReason.values():
        faults["reason"] = gettext("Choose the reason from the list.")
    if not chosen:
        faults["returns"] = gettext("Tick at least one return.")
    if faults:
        return _page(request, rows, faults=faults, status=422)
    if "sure" not in request.POST:
        return _page(request, [row for row in rows if row.uuid in chosen], sure=True)
    try:
        name = give_verdicts_together(
            by=account_of(request.user),
            versions=chosen,
            decision=Decision(decision),
            reason=VerdictReason(reason),
            note=note,
        )
    except Refusal as refusal:
        return _page(request, rows, refused=refusal.sentence, status=422)
    words = gettext("%(returns)s returns: %(decision)s: %(reason)s.") % {
        "returns": len(chosen), "decision": say(Decision(decision)), "reason": say(VerdictReason(reason)),
    }  # fmt: skip
    keep_last_verdict(request, words=words, together=name)
    return redirect(reverse("queue"))


def _chosen(request: HttpRequest) -> dict[uuid.UUID, int]:
    """Return the ticked returns with the versions that were shown; a tick that is none is left out."""
    found = {}
    for ticked in request.POST.getlist("returns")[: MOST_TOGETHER + 1]:
        number, _, version = ticked.partition(":")
        key, read = id_in(number), read_whole(version)
        if key is not None and read is not None:
            found[key] = read
    return found


def _page(
    request: HttpRequest,
    rows: list[Any],
    *,
    faults: dict[str, str] | None = None,
    refused: str = "",
    sure: bool = False,
    status: int = 200,
) -> HttpResponse:
    given, chosen, faults = request.POST, _chosen(request), faults or {}
    taken = in_other_hands(rows, request.user)
    listed = [
        {
            "report": row,
            "first": next(iter(row.queries.all()), None),
            "ticked": row.uuid in chosen if request.method == "POST" else row.pk not in taken,
            "taken": row.pk in taken,
        }
        for row in rows
    ]
    shown = {
        "rows": listed,
        "reason": wanted_of(request.GET).reason,
        "part": part_of(request.GET),
        "sure": sure,
        "regions": Counter(row.region.name for row in rows).most_common(),
        "damage": sum(row.rank for row in rows),
        "decisions": [(one.value, one, one == given.get("decision")) for one in _DECISIONS],
        "verdict_reasons": [(one.value, one, one == given.get("reason")) for one in VerdictReason],
        "decided": say(Decision(given["decision"])) if sure else "",
        "because": say(VerdictReason(given["reason"])) if sure else "",
        "given": given,
        "most": MOST_TOGETHER,
        "faults": faults,
        "fault_list": [Shown(sentence, name) for name, sentence in faults.items()],
        "refused": refused,
    }
    return render(request, "queue_together.html", shown, status=status)


urlpatterns = [path("queue/together", together, name="queue-together")]
