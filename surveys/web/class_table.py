"""Many traps at once: a table of traps and groups, looked at once more in words, then sent as returns."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from surveys.errors import KeyReused, NotFound, Refusal, StillRunning
from surveys.permissions import Rule, account_of
from surveys.queries.openings import open_settings
from surveys.queries.schools import class_drafts, class_traps, days_of, own_class, survey_zone
from surveys.queries.seasons import SeasonLists, current_season, lists_of
from surveys.services.schools import send_class_table
from surveys.services.waking import wake_screening
from surveys.web.access import page
from surveys.web.class_cells import RANGES
from surveys.web.class_table_drawn import columns_of, rows_of, shared_of
from surveys.web.class_table_form import (
    FIRST,
    MORE,
    STATE,
    Reading,
    column_name,
    filled_from,
    filled_from_settings,
    known_names,
    read_moment_of_reading,
    read_table,
    several_sites,
    trap_words,
)
from surveys.web.class_table_told import read_back, shared_words
from surveys.web.return_form import read_identity
from surveys.web.shown import Shown

#: Traps on one page: more of them go to a further part. Own choice; with 31 groups that is 744 cells.
MOST_TRAPS = 24
SENT_BEFORE = _(
    "This table was sent before with other answers, and those returns are kept. To change one of them, open it "
    "under My returns. For another night, begin a new table."
)
SENDING = _("This table is being sent at this moment. Wait a little, then press Send once more.")


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def class_table(request: HttpRequest, school_class: uuid.UUID) -> HttpResponse:
    """Show the table, read it back in words, or send it."""
    found = own_class(request.user, school_class)
    table = _Table(request, found, _lists())
    if request.method != "POST":
        return table.fresh()
    reading = read_table(table.answers, table.lists, table.traps, timezone.now())
    step = request.POST.get("step", "check")
    if not reading.sent:
        return table.shown(reading.faults, reading.cells, status=422)
    if step == "send":
        return _send(table, reading)
    return table.shown({}) if step == "change" else table.check(reading)


def _send(table: _Table, reading: Reading) -> HttpResponse:
    """Send every return of the table, or show why not: nothing is lost either way."""
    request = table.request
    try:
        stored = send_class_table(
            by=account_of(request.user),
            school_class=table.school_class.public_id,
            table=uuid.UUID(table.answers["id"]),
            sent=reading.sent,
            read_at=table.read_at,
        )
    except KeyReused:
        return table.check(reading, refused=SENT_BEFORE, status=409)
    except StillRunning:
        return table.check(reading, refused=SENDING, status=409)
    except NotFound:
        raise
    except Refusal as refusal:
        return table.refused(refusal, reading)
    wake_screening()
    told = ngettext("%(number)d return has arrived.", "%(number)d returns have arrived.", len(stored))
    messages.success(request, told % {"number": len(stored)})
    return redirect("my-class", table.school_class.public_id)


class _Table:
    """One request's table: its traps, what was typed, and the pages that show it."""

    def __init__(self, request: HttpRequest, school_class: Any, lists: SeasonLists) -> None:
        self.request = request
        self.school_class = school_class
        self.lists = lists
        self.all_traps = list(class_traps(school_class))
        self.part = self._part(request.POST.get("part") or request.GET.get("part", ""))
        self.traps = self.all_traps[self.part * MOST_TRAPS : (self.part + 1) * MOST_TRAPS]
        self.several = several_sites(self.all_traps)
        self.answers = self._typed()
        self.read_at = read_moment_of_reading(self.answers.get("read_at", ""), timezone.now())

    def fresh(self) -> HttpResponse:
        """Show a table that is filled from what the class has counted and from traps that stand open."""
        now = timezone.now()
        drafts = list(class_drafts(self.request.user, self.school_class.public_id))
        days = days_of(drafts)
        chosen = self._day(days)
        here = {trap.pk for trap in self.traps}
        of_day = [draft for draft in drafts if draft.trap_id in here and days_of([draft]) == [chosen]]
        settings = [one for one in open_settings(self.request.user) if one.trap_id in here]
        emptied = chosen or timezone.localtime(now, survey_zone()).date()
        self.answers = {
            "id": str(uuid.uuid4()),
            "read_at": now.isoformat(),
            "part": str(self.part),
            "set_year": str(emptied.year),
            "emptied_day": str(chosen.day) if chosen else "",
            "emptied_month": str(chosen.month) if chosen else "",
            "emptied_year": str(emptied.year),
            **filled_from_settings(settings, self.lists),
            **filled_from(of_day, self.lists),
        }
        return self.shown({}, days=days, chosen=chosen)

    def shown(
        self,
        faults: Mapping[str, str],
        cells: Mapping[str, str] | None = None,
        *,
        status: int = 200,
        refused: Any = "",
        listed: Sequence[Shown] | None = None,
        days: Sequence[date] = (),
        chosen: date | None = None,
    ) -> HttpResponse:
        """Show the table with what was typed and what is wrong with it."""
        answers = self.answers
        columns = columns_of(self.traps, answers, self.several, faults)
        context = {
            "school_class": self.school_class,
            "answers": answers,
            "faults": faults,
            "fault_list": listed if listed is not None else [Shown(words, name) for name, words in faults.items()],
            "refused": refused,
            "first": [shared_of(question, answers, faults) for question in (*FIRST, STATE)],
            "more": [shared_of(question, answers, faults) for question in MORE],
            "more_open": any(answers.get(question.name) for question in MORE),
            "columns": columns,
            "rows": rows_of(self.lists.groups, self.traps, columns, answers, cells or {}),
            "ranges": list(RANGES),
            "from_class": any(column.from_class for column in columns),
            "parts": range((len(self.all_traps) - 1) // MOST_TRAPS + 1),
            "part": self.part,
            "days": days,
            "chosen": chosen,
        }
        return render(self.request, "schools/class_table.html", context, status=status)

    def check(self, reading: Reading, *, refused: Any = "", status: int = 200) -> HttpResponse:
        """Read every cell back in words, with the press that sends it all."""
        drafts = class_drafts(self.request.user, self.school_class.public_id)
        changed = frozenset(draft.trap.code for draft in drafts if draft.trap and draft.saved_at > self.read_at)
        sent = {trap.pk for trap in reading.traps}
        context = {
            "school_class": self.school_class,
            "kept": [(name, value) for name, value in self.answers.items() if value],
            "told": read_back(reading, self.answers, self.lists, self.several, changed),
            "shared": shared_words(self.answers),
            "set_at": reading.sent[0].set_at,
            "emptied_at": reading.sent[0].emptied_at,
            "zone": survey_zone(),
            "left_out": [trap_words(trap, self.several) for trap in self.traps if trap.pk not in sent],
            "refused": refused,
        }
        return render(self.request, "schools/class_table_check.html", context, status=status)

    def refused(self, refusal: Refusal, reading: Reading) -> HttpResponse:
        """Show the table again with what the service said, each fault with its trap."""
        listed = []
        for fault in refusal.faults:
            place = fault.pointer.rpartition("/")[2]
            trap = reading.traps[int(place)] if place.isdigit() and int(place) < len(reading.traps) else None
            words = f"{trap_words(trap, self.several)}: {fault.sentence}" if trap else fault.sentence
            listed.append(Shown(words, column_name("s", trap) if trap else ""))
        return self.shown({}, status=422, refused=refusal.sentence, listed=listed)

    def _part(self, given: str) -> int:
        """Return which part of a long list of traps is shown, from 0."""
        last = max(len(self.all_traps) - 1, 0) // MOST_TRAPS
        return min(int(given), last) if given.isascii() and given.isdigit() and len(given) < 4 else 0

    def _typed(self) -> dict[str, str]:
        """Return what was posted into the table's own boxes; the table keeps its id from first to last."""
        posted = self.request.POST
        named = known_names(self.lists, self.traps)
        # A width and "I do not know" share a name: what was typed comes first, and stays. The longest honest answer
        # has 32 signs, and no page can show a NUL.
        given = {name: next(filter(None, posted.getlist(name)), "") for name in named if name in posted}
        typed = {name: value.replace("\0", "\ufffd")[:40] for name, value in given.items()}
        return {**typed, "id": str(read_identity(posted.get("id", ""))), "part": str(self.part)}

    def _day(self, days: Sequence[date]) -> date | None:
        """Return the day whose counts fill the table: the one asked for, or the latest."""
        wanted = self.request.GET.get("day", "")
        return next((day for day in days if day.isoformat() == wanted), days[0] if days else None)


def _lists() -> SeasonLists:
    season = current_season()
    if season is None:
        raise NotFound("No season is open yet.")
    return lists_of(season)


urlpatterns = [
    path("my/classes/<uuid:school_class>/table/", class_table, name="class-table"),
]
