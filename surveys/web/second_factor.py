"""The second factor of coordinators and operators: set it up, give its code, make new backup codes."""

from __future__ import annotations

import time
from base64 import b32encode
from typing import Any
from urllib.parse import urlencode

import django_otp
import segno
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render, resolve_url
from django.urls import path
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext_lazy as _
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters, sensitive_variables
from django.views.decorators.http import require_http_methods

from surveys.errors import NotAllowed, Refusal, TooSoon
from surveys.permissions import Rule, account_of, admits, has_second_factor, is_verified
from surveys.queries.second_factor import app_address, backup_codes_left
from surveys.services.second_factor import confirm_second_factor, give_code, make_backup_codes, new_key
from surveys.web.access import page
from surveys.web.idle import USED_AT
from surveys.web.people import TOO_MANY, next_page
from surveys.web.shown import Shown
from surveys.web.tries import too_many_codes

#: Kept in the session until the app has proved that it holds it.
NEW_KEY = "second_factor_key"
NO_KEY = _("This page was open for too long. Here is a new square. Scan it, then type the code.")


@sensitive_post_parameters("code")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.APPOINTED)
def second_factor(request: HttpRequest) -> HttpResponse:
    """Ask for the code, and go where the coordinator was going."""
    account = account_of(request.user)
    if not has_second_factor(account):
        return redirect(f"{resolve_url('second-factor-new')}?{_next_query(request)}")
    if is_verified(request.user):
        return redirect(_way_on(request))
    if request.method != "POST":
        return _code_page(request)
    if too_many_codes(account.pk):
        return _code_page(request, refused=str(TOO_MANY), status=429)
    try:
        device = give_code(by=account, code=request.POST.get("code", ""))
    except Refusal as refusal:
        return _code_page(request, fault=refusal.sentence, status=429 if isinstance(refusal, TooSoon) else 422)
    _remember(request, device)
    return redirect(_way_on(request))


@sensitive_post_parameters("code")
@sensitive_variables("key", "made")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.APPOINTED)
def new_second_factor(request: HttpRequest) -> HttpResponse:
    """Show the square for the app; once its code is right, set the factor up and show the backup codes."""
    account = account_of(request.user)
    if has_second_factor(account) and not is_verified(request.user):
        return redirect(f"{resolve_url('second-factor')}?next={resolve_url('second-factor-new')}")
    if request.method != "POST":
        return _new_page(request)
    key = request.session.get(NEW_KEY)
    if key is None:
        return _new_page(request, refused=str(NO_KEY), status=422)
    if too_many_codes(account.pk):
        return _new_page(request, refused=str(TOO_MANY), status=429)
    try:
        made = confirm_second_factor(by=account, key=key, code=request.POST.get("code", ""))
    except NotAllowed:
        raise
    except Refusal as refusal:
        return _new_page(request, fault=refusal.sentence, status=422)
    del request.session[NEW_KEY]
    _remember(request, made.device)
    return _codes_page(request, made.codes)


@sensitive_variables("codes")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.OFFICE)
def backup_codes(request: HttpRequest) -> HttpResponse:
    """Say how many backup codes are left. POST makes new ones and shows them, this once."""
    account = account_of(request.user)
    codes = make_backup_codes(by=account) if request.method == "POST" else ()
    return _codes_page(request, codes)


def _remember(request: HttpRequest, device: Any) -> None:
    """Note in the session that the factor was given, under a new key: whoever saw the old one has nothing."""
    request.session.cycle_key()
    django_otp.login(request, device)
    request.session[USED_AT] = int(time.time())


def _way_on(request: HttpRequest) -> str:
    """Return where the visitor was going, or else where the work is."""
    return next_page(request) or resolve_url("queue" if admits(Rule.COORDINATOR, request.user) else "people")


def _next_query(request: HttpRequest) -> str:
    return urlencode({"next": found}) if (found := next_page(request)) else ""


def _code_page(request: HttpRequest, *, refused: str = "", fault: str = "", status: int = 200) -> HttpResponse:
    context = {
        "refused": refused,
        "fault_list": [Shown(fault, "code")] if fault else [],
        "fault": fault,
        "next": next_page(request),
    }
    return render(request, "account/second_factor.html", context, status=status)


def _new_page(request: HttpRequest, *, refused: str = "", fault: str = "", status: int = 200) -> HttpResponse:
    account = account_of(request.user)
    # Loaded once more, the page shows the same square: an app that has scanned it keeps working.
    key = request.session.setdefault(NEW_KEY, new_key())
    context = {
        "refused": refused,
        "fault_list": [Shown(fault, "code")] if fault else [],
        "fault": fault,
        "next": next_page(request),
        "square_code": _square_code(app_address(account, key)),
        "key": in_fours(key),
        "replaces": has_second_factor(account),
    }
    return render(request, "account/second_factor_new.html", context, status=status)


def _codes_page(request: HttpRequest, codes: tuple[str, ...]) -> HttpResponse:
    context = {
        "codes": codes,
        "left": backup_codes_left(account_of(request.user)),
        "next": _way_on(request),
    }
    return render(request, "account/backup_codes.html", context)


def in_fours(key: str) -> str:
    """Return a key as an app takes it by hand: letters and digits (RFC 4648, section 6), four at a time."""
    letters = b32encode(bytes.fromhex(key)).decode()
    return " ".join(letters[start : start + 4] for start in range(0, len(letters), 4))


def _square_code(address: str) -> SafeString:
    """Return the square that an app scans. The key stands beside it in letters, so it says nothing aloud."""
    drawn = segno.make_qr(address, error="m").svg_inline(
        omitsize=True, svgclass="square-code", lineclass=None, border=4
    )
    return mark_safe(drawn.replace("<svg ", '<svg aria-hidden="true" focusable="false" ', 1))  # noqa: S308  # made here


urlpatterns = [
    path("second-factor/", second_factor, name="second-factor"),
    path("second-factor/new/", new_second_factor, name="second-factor-new"),
    path("second-factor/codes/", backup_codes, name="backup-codes"),
]
