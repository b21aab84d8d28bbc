"""Spreadsheets: template, sending one in, what was found in it, the marked copy, taking it in."""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import PurePosixPath
from typing import Any

from django.contrib import messages
from django.core.files.uploadedfile import UploadedFile
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import get_language, gettext
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_http_methods, require_POST

from surveys.errors import Conflict, Refusal
from surveys.permissions import Rule, account_of
from surveys.queries.sheets import good_rows, latest_sheets, marked_copy, own_sheet, sheet_lists
from surveys.queries.sites import own_household, own_households, own_traps
from surveys.services.sheets import receive_sheet, take_sheet
from surveys.services.waking import wake_screening
from surveys.sheets.container import MOST_BYTES
from surveys.sheets.template import make_csv, make_xlsx
from surveys.vocabulary import JobState, SheetKind, SheetState
from surveys.web.access import page
from surveys.web.shown import Shown
from surveys.web.uploads import CappedUpload

#: Rows with something to mend on one page.
PAGE_LENGTH = 20
#: What is to mend most often is said first, when there are more cells than this to mend.
_MANY_FAULTS = 8
_MOST_OFTEN = 4
#: Beyond this nothing more is listened to, and the line is cut.
_LISTENED_TO = 4 * MOST_BYTES
_TYPES = {
    SheetKind.XLSX: "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    SheetKind.CSV: "text/csv; charset=utf-8",
}
_MAKERS: dict[str, Callable[..., bytes]] = {SheetKind.XLSX: make_xlsx, SheetKind.CSV: make_csv}


@dataclass(frozen=True, slots=True)
class MendRow:
    """One row of a sheet with all that is to mend in it."""

    row: int
    faults: tuple[dict[str, Any], ...]


@page(Rule.SIGNED_IN)
def sheet_template(request: HttpRequest, kind: str) -> HttpResponse:
    """Send the template for a household's own traps, in the words of the page's language."""
    make = _MAKERS.get(kind)
    if make is None:
        raise Http404(gettext("There is a template as .xlsx and one as .csv."))
    household = _household(request, request.GET.get("household", ""))
    try:
        lists = sheet_lists(household, language=get_language() or "en", now=timezone.now())
    except Conflict as refusal:
        return _new(request, refused=refusal.sentence, status=409)
    return _download(make(lists, gettext), SheetKind(kind), f"trapnight-nights.{kind}")


# The file must not be read before the cap is set, and looking for the token reads it: so the token is looked for
# inside, after that.
@require_http_methods(["GET", "HEAD", "POST"])
@csrf_exempt
@page(Rule.SIGNED_IN)
def new_sheet(request: HttpRequest) -> HttpResponseBase:
    """Show where to fetch the template and send a filled-in one; take one in."""
    upload = CappedUpload(request, MOST_BYTES, listened_to=_LISTENED_TO)
    request.upload_handlers = [upload]
    return csrf_protect(_new_sheet)(request, upload)


def _new_sheet(request: HttpRequest, upload: CappedUpload) -> HttpResponse:
    if request.method != "POST":
        return _new(request)
    household = _household(request, str(request.POST.get("household", "")))
    sent = request.FILES.get("file")
    if upload.too_big:
        return _new(request, fault=gettext("The file is too big. One file takes 5 MB. Share the rows out."))
    if not isinstance(sent, UploadedFile):
        return _new(request, fault=gettext("Choose the file that you filled in."))
    try:
        sheet = receive_sheet(by=account_of(request.user), household=household, name=sent.name or "", stream=sent)
    except Refusal as refusal:
        listed = " ".join(fault.sentence for fault in refusal.faults)
        return _new(request, fault=listed) if listed else _new(request, refused=refusal.sentence)
    return redirect("sheet", sheet.public_id)


def _household(request: HttpRequest, given: str) -> Any:
    """Return the household that a sheet is for: the one that was chosen, or the first of the visitor's own."""
    try:
        return own_household(request.user, uuid.UUID(given))
    except ValueError:
        first = own_households(request.user).first()
    if first is None:
        raise Http404(gettext("You have no household or school yet."))
    return first


def _new(request: HttpRequest, *, fault: str = "", refused: str = "", status: int = 422) -> HttpResponse:
    households = list(own_households(request.user))
    chosen = str(request.POST.get("household") or request.GET.get("household") or "")
    shown = {
        "households": [(one, str(one.public_id) == chosen) for one in households],
        "traps": own_traps(request.user).count(),
        "sheets": latest_sheets(request.user),
        "fault": fault,
        "refused": refused,
        "fault_list": [Shown(fault, "file")] if fault else [],
    }
    return render(request, "sheets/new_sheet.html", shown, status=status if fault or refused else 200)


@page(Rule.SIGNED_IN)
def sheet(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Show how a sheet stands: how far it is read, what is to mend, what could go in."""
    found = own_sheet(request.user, number)
    rows = _rows_to_mend(found.faults)
    place, pages = _page_of(request.GET.get("page", ""), len(rows))
    job = found.job
    result = job.result if job is not None else {}
    shown = {
        "sheet": found,
        "waiting": found.state == SheetState.WAITING and not (job is not None and job.state == JobState.FAILED),
        "failed": found.state == SheetState.WAITING and job is not None and job.state == JobState.FAILED,
        "rows": rows[(place - 1) * PAGE_LENGTH : place * PAGE_LENGTH],
        "rows_to_mend": len(rows),
        "often": _most_often(found.faults),
        "ready": good_rows(found) if found.state == SheetState.READ else 0,
        "known": result.get("known", 0),
        "left": result.get("left", 0),
        "place": place,
        "pages": pages,
        "has_copy": bool(found.faults) and found.state in (SheetState.READ, SheetState.TAKEN),
    }
    return render(request, "sheets/sheet.html", shown)


def _rows_to_mend(faults: Sequence[dict[str, Any]]) -> list[MendRow]:
    ordered = sorted(faults, key=lambda fault: fault["row"])
    return [MendRow(row, tuple(found)) for row, found in groupby(ordered, key=lambda fault: fault["row"])]


def _most_often(faults: Sequence[dict[str, Any]]) -> list[tuple[str, int]]:
    """Return what is wrong in most cells, with their number; nothing where there are few faults in all."""
    if len(faults) <= _MANY_FAULTS:
        return []
    return Counter(fault["what"] for fault in faults).most_common(_MOST_OFTEN)


def _page_of(given: str, rows: int) -> tuple[int, int]:
    """Return the page asked for, within the pages that there are, and their number."""
    pages = max(1, -(-rows // PAGE_LENGTH))
    asked = int(given) if given.isascii() and given.isdigit() and len(given) < 6 else 1
    return min(max(asked, 1), pages), pages


@page(Rule.SIGNED_IN)
def sheet_marked(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Send the copy with what to mend in its last column."""
    found, content = marked_copy(request.user, number)
    stem = PurePosixPath(found.name).stem
    return _download(content, SheetKind(found.kind), f"{stem[:60]}-{gettext('to mend')}.{found.kind}")


@require_POST
@page(Rule.SIGNED_IN)
def sheet_take(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Send the rows that are ready; a second tap finds them sent and says the same."""
    try:
        taken = take_sheet(by=account_of(request.user), public_id=number, only_good=request.POST.get("rows") == "good")
    except Conflict as refusal:
        messages.error(request, refusal.sentence)
        return redirect("sheet", number)
    wake_screening()
    if taken.state == SheetState.TAKEN:
        messages.success(request, gettext("Thank you. Rows sent: {rows}.").format(rows=taken.taken))
    else:
        said = gettext("Rows sent so far: {rows}. Press the button once more for the rest.")
        messages.success(request, said.format(rows=taken.taken))
    return redirect("sheet", number)


def _download(content: bytes, kind: SheetKind, name: str) -> HttpResponse:
    """Send a file to be kept, never to be shown inside the page."""
    answer = HttpResponse(content, content_type=_TYPES[kind])
    answer.headers["X-Content-Type-Options"] = "nosniff"
    safe = "".join(sign if sign.isalnum() or sign in "-._ " else "_" for sign in name)
    ascii_name = safe.encode("ascii", "replace").decode().replace("?", "_")
    answer.headers["Content-Disposition"] = f'attachment; filename="{ascii_name}"'
    return answer


urlpatterns = [
    path("my/sheets/new/", new_sheet, name="new-sheet"),
    path("my/sheets/template.<slug:kind>", sheet_template, name="sheet-template"),
    path("my/sheets/<uuid:number>/", sheet, name="sheet"),
    path("my/sheets/<uuid:number>/marked", sheet_marked, name="sheet-marked"),
    path("my/sheets/<uuid:number>/take", sheet_take, name="sheet-take"),
]
