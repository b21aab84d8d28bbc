"""Traps that stand open too long, for the coordinators of their regions."""

from __future__ import annotations

import uuid
from datetime import datetime, timedelta
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from surveys.errors import Conflict, NotFound
from surveys.permissions import Rule, account_of
from surveys.queries.letters import overdue_openings
from surveys.queries.seasons import current_season
from surveys.services.letters import WRITE_AGAIN_AFTER, write_again
from surveys.web.access import page

_HOUR = timedelta(hours=1)
_WHY_NOT = {
    "nobody_keeps_it": _("Nobody keeps this household any more, so nobody can be written to."),
    "written_lately": _("A letter went out within 12 hours, or is about to. Wait before you write again."),
}


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.COORDINATOR)
def overdue(request: HttpRequest) -> HttpResponse:
    """List the traps that stand open too long. POST writes to the keeper of one once more."""
    if request.method == "POST":
        return _write_again(request)
    now = timezone.now()
    season = current_season()
    rows = [
        {
            "opening": one,
            "hours": (now - one.set_at) // _HOUR,
            "may_write": _may_write(one, now),
        }
        for one in overdue_openings(request.user, now=now)
    ]
    return render(request, "ground/overdue.html", {"rows": rows, "zone": season.time_zone if season else "UTC"})


def _may_write(opening: Any, now: datetime) -> bool:
    """Say whether the last letter to the keeper is long enough ago."""
    return opening.last_letter_at is None or now - opening.last_letter_at >= WRITE_AGAIN_AFTER


def _write_again(request: HttpRequest) -> HttpResponse:
    try:
        opening = uuid.UUID(request.POST.get("opening", ""))
    except ValueError:
        raise NotFound("There is no such trap.") from None
    try:
        write_again(by=account_of(request.user), uuid=opening, now=timezone.now())
    except Conflict as refusal:
        messages.warning(request, _WHY_NOT[refusal.code])
    else:
        messages.success(request, gettext("A letter goes out within a few minutes."))
    return redirect("overdue")
