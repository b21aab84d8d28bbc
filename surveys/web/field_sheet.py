"""Field sheets to print, one page of paper for each trap; and the way back from paper to the trap's page."""

from __future__ import annotations

import re
import uuid
from collections.abc import Sequence
from typing import Any
from urllib.parse import urlencode

import segno
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from surveys.errors import NotFound
from surveys.permissions import Rule, account_of
from surveys.queries.seasons import current_season, lists_of
from surveys.queries.sites import own_site, own_trap, own_trap_by_code
from surveys.vocabulary import Tier
from surveys.web.access import page
from surveys.web.shown import Shown
from surveys.web.tries import too_many_trap_codes

_CODE = re.compile(r"^[0-9A-Z]{6}$", re.ASCII)
#: Signs that are taken for others on paper. Reference: Crockford's base 32, from memory.
_TAKEN_FOR = str.maketrans({"O": "0", "I": "1", "L": "1", "U": "V"})


@require_safe
@page(Rule.SIGNED_IN)
def field_sheet(request: HttpRequest, trap: uuid.UUID) -> HttpResponse:
    """Show the field sheet of one trap."""
    found = own_trap(request.user, trap)
    return _sheets(request, [found], found.site)


@require_safe
@page(Rule.SIGNED_IN)
def field_sheets(request: HttpRequest, site: uuid.UUID) -> HttpResponse:
    """Show the field sheets of all traps of a site, one below the other."""
    found = own_site(request.user, site)
    return _sheets(request, list(found.traps.all()), found)


def _sheets(request: HttpRequest, traps: Sequence[Any], site: Any) -> HttpResponse:
    season = current_season()
    groups = [group for group in lists_of(season).groups if group.tier == Tier.CORE] if season else []
    sheets = [{"trap": trap, "square_code": _square_code(request, trap.code)} for trap in traps]
    shown = {"site": site, "season": season, "groups": groups, "sheets": sheets}
    return render(request, "ground/field_sheet.html", shown)


def _square_code(request: HttpRequest, code: str) -> SafeString:
    """Return the square code of a trap's address as a drawing of its own."""
    address = request.build_absolute_uri(f"{reverse('find-trap')}?{urlencode({'code': code})}")
    drawn = segno.make_qr(address, error="m").svg_inline(
        omitsize=True, svgclass="square-code", lineclass=None, border=4
    )
    return mark_safe(drawn.replace("<svg ", '<svg aria-hidden="true" focusable="false" ', 1))  # noqa: S308  # made here


@never_cache
@require_safe
@page(Rule.SIGNED_IN)
def find_trap(request: HttpRequest) -> HttpResponse:
    """Ask for the code on a field sheet, or go on to the trap that has it."""
    given = request.GET.get("code", "")
    if not given:
        return _find_page(request, given, "")
    code = read_code(given)
    try:
        if not _CODE.match(code):
            raise NotFound(_("A code has six letters and digits, such as K7P2MX."))
        return redirect("trap", own_trap_by_code(request.user, code).public_id)
    except NotFound:
        if too_many_trap_codes(account_of(request.user).pk):
            words = _("There were too many tries in this hour. Wait an hour, or choose the trap under My sites.")
            return _find_page(request, "", words, status=429)
        return _find_page(request, given, _("None of your traps has this code. Look at the sheet again."), status=404)


def read_code(given: str) -> str:
    """Return a code as it was printed: without spaces and hyphens, and with the signs that look alike put right."""
    return re.sub(r"[\s-]", "", given).upper().translate(_TAKEN_FOR)[:40]


def _find_page(request: HttpRequest, given: str, fault: str, status: int = 200) -> HttpResponse:
    shown = {"given": given, "fault": fault, "fault_list": [Shown(fault, "code")] if fault else []}
    return render(request, "ground/find_trap.html", shown, status=status)


urlpatterns = [
    path("my/traps/<uuid:trap>/sheet", field_sheet, name="field-sheet"),
    path("my/sites/<uuid:site>/sheets", field_sheets, name="field-sheets"),
    path("t/", find_trap, name="find-trap"),
]
