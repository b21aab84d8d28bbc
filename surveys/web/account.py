"""One's own account: what is kept, the agreement, a download of everything, and erasure."""

from __future__ import annotations

from itertools import chain
from typing import Any

from django.contrib import messages
from django.contrib.auth import logout
from django.http import HttpRequest, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from surveys.data_register import REGISTER
from surveys.errors import Fault, Faulty, Refusal
from surveys.permissions import Rule, account_of, admits, has_second_factor, regions_of, roles_of
from surveys.queries.own_rows import everything_about, own_sheets
from surveys.queries.people import consent_of, licence_asked, mail_is_confirmed, open_traps
from surveys.queries.photos import own_photos
from surveys.queries.sites import own_households
from surveys.services.erasure import erase_account
from surveys.services.people import (
    CONSENT_VERSION,
    choose_morning_letter,
    end_sessions,
    give_consent,
    note_download,
    refuse_wrong_password,
    withdraw_consent,
)
from surveys.vocabulary import LICENCE_URLS, Language, Licence
from surveys.web import passwords
from surveys.web.access import page
from surveys.web.download import archive_of
from surveys.web.people import NO_CONSENT, TOO_MANY, consent_key, forget_on_this_machine
from surveys.web.shown import Shown, by_field, shown
from surveys.web.tries import too_many_downloads, too_many_sign_ins

TOO_MANY_DOWNLOADS = _("You have had this several times in this hour. Wait an hour and ask again.")


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def my_account(request: HttpRequest) -> HttpResponse:
    """Show one's account, or sign it out on every other machine."""
    account = account_of(request.user)
    if request.method == "POST":
        end_sessions(by=account, but=request.session.session_key)
        messages.success(request, gettext("Every other machine is signed out."))
        return redirect("my-account")
    context = {
        "account": account,
        "confirmed": mail_is_confirmed(account),
        "households": own_households(account),
        "roles": sorted(roles_of(account)),
        "languages": tuple(Language),
        "register": REGISTER,
        **_desk_words(request),
        **_consent_words(account),
    }
    return render(request, "account/my_account.html", context)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def consent(request: HttpRequest) -> HttpResponse:
    """Show the text that is agreed to; agree to it, or take it back."""
    account = account_of(request.user)
    if request.method != "POST":
        return _consent_page(request, [])
    if request.POST.get("do") == "withdraw":
        withdraw_consent(by=account)
        messages.success(request, gettext("You have taken it back. Your counts are left out of all that comes."))
        return redirect("consent")
    try:
        _give(account, request.POST.get("consent", ""))
    except Refusal as refusal:
        return _consent_page(request, shown(refusal.faults), refused=gettext(refusal.sentence), status=422)
    messages.success(request, gettext("Thank you. Your counts may be published."))
    return redirect("consent")


@sensitive_post_parameters("password")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def my_data(request: HttpRequest) -> HttpResponseBase:
    """Ask for the password once more, and send everything that is stored about its holder."""
    account = account_of(request.user)
    if request.method != "POST":
        return _asking_page(request, "account/my_data.html")
    if too_many_downloads(account.pk):
        return _asking_page(request, "account/my_data.html", refused=str(TOO_MANY_DOWNLOADS), status=429)
    if refused := _password_refused(request, "account/my_data.html"):
        return refused
    note_download(by=account)
    sheets = ((f"spreadsheets/{one.public_id}.{one.kind}", bytes(one.content or b"")) for one in own_sheets(account))
    photos = ((f"tray_photos/{one.report.uuid}.jpg", bytes(one.picture)) for one in own_photos(account).iterator(10))
    files = chain(sheets, photos)
    answer = StreamingHttpResponse(archive_of(everything_about(account), files), content_type="application/zip")
    answer["Content-Disposition"] = 'attachment; filename="trapnight-my-data.zip"'
    return answer


@sensitive_post_parameters("password")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def erase_me(request: HttpRequest) -> HttpResponse:
    """Say what goes and what stays, ask for the password once more, and erase the account."""
    account = account_of(request.user)
    context: dict[str, Any] = {"agreed": consent_of(account) is not None, "open_traps": open_traps(account)}
    if request.method != "POST":
        return _asking_page(request, "account/erase_me.html", [], **context)
    if refused := _password_refused(request, "account/erase_me.html", **context):
        return refused
    erase_account(account=account, by=account)
    logout(request)
    messages.success(request, gettext("Your account is erased. Thank you for every night that you counted."))
    return forget_on_this_machine(redirect("home"))


@require_POST
@page(Rule.APPOINTED)
def morning_letter(request: HttpRequest) -> HttpResponse:
    """Keep whether a coordinator wants a letter each morning."""
    choose_morning_letter(by=account_of(request.user), wanted=request.POST.get("wanted") == "yes")
    messages.success(request, gettext("That is kept."))
    return redirect("my-account")


def _desk_words(request: HttpRequest) -> dict[str, Any]:
    """Return what the page says to coordinators and operators only."""
    if not admits(Rule.APPOINTED, request.user):
        return {"appointed": False}
    account = account_of(request.user)
    return {
        "appointed": True,
        "has_factor": has_second_factor(account),
        "coordinator": regions_of(account).exists(),
    }


def _give(account: Any, read: str) -> None:
    licence = licence_asked()
    if read != consent_key(licence):
        raise Faulty(gettext("Nothing was done yet."), faults=(Fault("/consent", "consent_missing", str(NO_CONSENT)),))
    give_consent(by=account, version=CONSENT_VERSION, licence=licence)


def _password_refused(request: HttpRequest, template: str, **context: Any) -> HttpResponse | None:
    """Return the page that refuses a wrong password, or None where it is the right one."""
    account = account_of(request.user)
    if too_many_sign_ins(request, account.email):
        return _asking_page(request, template, refused=str(TOO_MANY), status=429, **context)
    try:
        refuse_wrong_password(by=account, password=request.POST.get("password", ""))
    except Refusal as refusal:
        faults = shown(refusal.faults)
        return _asking_page(request, template, faults, refused=gettext(refusal.sentence), status=422, **context)
    return None


def _asking_page(
    request: HttpRequest,
    template: str,
    faults: list[Shown] | None = None,
    *,
    refused: str = "",
    status: int = 200,
    **context: Any,
) -> HttpResponse:
    found = faults or []
    context = {**context, "refused": refused, "fault_list": found, "faults": by_field(found)}
    return render(request, template, context, status=status)


def _consent_words(account: Any) -> dict[str, Any]:
    current, licence = consent_of(account), licence_asked()
    return {
        "current": current,
        "newer_text": current is not None and (current.version, current.licence) != (CONSENT_VERSION, licence),
        "licence": licence,
        "licence_url": LICENCE_URLS[licence],
        "agreed_licence": Licence(current.licence) if current else None,
        "consent_key": consent_key(licence),
        "consent_text": f"account/consent/{CONSENT_VERSION}.html",
    }


def _consent_page(request: HttpRequest, faults: list[Shown], *, refused: str = "", status: int = 200) -> HttpResponse:
    context = {
        **_consent_words(account_of(request.user)),
        "refused": refused,
        "fault_list": faults,
        "faults": by_field(faults),
    }
    return render(request, "account/consent.html", context, status=status)


urlpatterns = [
    *passwords.urlpatterns,
    path("my/account/", my_account, name="my-account"),
    path("my/account/morning-letter", morning_letter, name="morning-letter"),
    path("my/account/consent", consent, name="consent"),
    path("my/account/data", my_data, name="my-data"),
    path("my/account/erase", erase_me, name="erase-me"),
]
