"""The coordinator's queue: what waits, which part of it one wants to see, and taking the next one."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from urllib.parse import urlencode

from django.core import signing
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.translation import gettext_lazy as _
from django.views.decorators.http import require_POST

from surveys.permissions import Rule, account_of
from surveys.queries.feedback import answered_among
from surveys.queries.keyset import keyset_slice
from surveys.queries.review import (
    QUEUE_ORDER,
    Wanted,
    how_much_waits,
    in_other_hands,
    queue,
    reasons_waiting,
    regions_in_care,
)
from surveys.services.leases import take_next_record
from surveys.vocabulary import QueryReason
from surveys.web.access import page
from surveys.web.last_verdict import last_verdict

PAGE_LENGTH = 20
_SALT = "queue page"
#: For how many days at least something has waited.
AGES = (
    (1, _("a day or longer")),
    (3, _("three days or longer")),
    (7, _("a week or longer")),
    (28, _("four weeks or longer")),
)
#: What a part of the queue is named by in an address.
PARTS = ("region", "reason", "household", "days")


def wanted_of(given: QueryDict) -> Wanted:
    """Read which part of the queue is wanted; what cannot be read is left open."""
    reason = given.get("reason", "")
    days = given.get("days", "")
    before = None
    if days in {str(number) for number, _words in AGES}:
        before = timezone.now() - timedelta(days=int(days))
    return Wanted(
        region=given.get("region", "")[:40].replace("\0", ""),
        reason=QueryReason(reason) if reason in QueryReason.values() else None,
        household=given.get("household", "").strip()[:60].replace("\0", ""),
        before=before,
    )


def part_of(given: QueryDict) -> str:
    """Return the part of the queue as the end of an address: "?reason=ten_times", or nothing."""
    chosen = {name: given[name] for name in PARTS if given.get(name)}
    return f"?{urlencode(chosen)}" if chosen else ""


def to_the_next(request: HttpRequest) -> HttpResponse:
    """Take the next one of the part of the queue that is wanted, and lead on to it; to the list where none is left."""
    following = take_next_record(by=account_of(request.user), wanted=wanted_of(request.GET))
    part = part_of(request.GET)
    return redirect((reverse("queue-record", args=[following]) if following else reverse("queue")) + part)


@page(Rule.COORDINATOR)
def queue_page(request: HttpRequest) -> HttpResponse:
    """List what waits: danger first, then by how much it matters."""
    after = None
    if given := request.GET.get("after"):
        try:
            after = signing.loads(given, salt=_SALT)
        except signing.BadSignature:
            return redirect("queue")
    wanted = wanted_of(request.GET)
    rows, last = keyset_slice(queue(request.user, wanted), QUEUE_ORDER, after, PAGE_LENGTH)
    answered, taken = answered_among(rows), in_other_hands(rows, request.user)
    shown = {
        "rows": [
            {
                "report": row,
                "first": next(iter(row.queries.all()), None),
                "asked": answered.get(row.pk),
                "taken": row.pk in taken,
            }
            for row in rows
        ],
        "after": signing.dumps(list(last), salt=_SALT) if last else None,
        "waiting": how_much_waits(request.user, wanted),
        "part": part_of(request.GET),
        "undo": last_verdict(request),
        **_choices(request, wanted),
    }
    return render(request, "queue.html", shown)


def _choices(request: HttpRequest, wanted: Wanted) -> dict[str, Any]:
    """Return what the boxes above the list offer. The reasons are those of the whole queue."""
    given = request.GET
    return {
        "regions": [(one.code, one.name, one.code == wanted.region) for one in regions_in_care(request.user)],
        "reasons": [
            (one.reason, QueryReason(one.reason), one.returns, one.reason == wanted.reason)
            for one in reasons_waiting(request.user, Wanted(region=wanted.region))
        ],
        "ages": [(number, words, given.get("days") == str(number)) for number, words in AGES],
        "household": wanted.household,
        "together": wanted.reason,
    }


@require_POST
@page(Rule.COORDINATOR)
def next_record(request: HttpRequest) -> HttpResponse:
    """Take the most pressing return that nobody reads."""
    return to_the_next(request)


urlpatterns = [
    path("queue/", queue_page, name="queue"),
    path("queue/next", next_record, name="queue-next"),
]
