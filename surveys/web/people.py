"""Joining, confirming a mail address, signing in and out.

Nobody learns here who has an account: joining with a known address looks like joining with a new one, and the mailbox
is told which it was. An address that is not confirmed closes nothing but mail: reminders are not sent to it.
"""

from __future__ import annotations

from random import Random, SystemRandom
from typing import Any

from allauth.account.forms import ConfirmEmailVerificationCodeForm
from allauth.account.internal.flows.email_verification_by_code import EmailVerificationProcess
from django.conf import settings
from django.contrib import messages
from django.contrib.auth import authenticate, login, logout
from django.contrib.auth.hashers import make_password
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render, resolve_url
from django.urls import path
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import get_language, gettext
from django.utils.translation import gettext_lazy as _
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from surveys.errors import Conflict, Fault, Faulty, Refusal
from surveys.permissions import Rule, account_of, is_account
from surveys.queries.people import licence_asked, mail_is_confirmed
from surveys.queries.sites import own_households
from surveys.services.people import (
    CONSENT_VERSION,
    confirm_mail,
    found_household,
    give_consent,
    joining_faults,
    open_account,
)
from surveys.vocabulary import LICENCE_URLS, HouseholdKind, Language, Licence
from surveys.web.access import page
from surveys.web.aliases import make_alias
from surveys.web.noted import UNCONFIRMED, note_account
from surveys.web.shown import Shown, by_field, shown
from surveys.web.tries import too_many_joins, too_many_mails, too_many_sign_ins

#: The same words whatever was wrong, so that nobody learns who has an account.
NO_MATCH = _("This email address and this password do not belong together. Check both and try once more.")
TOO_MANY = _("There were too many tries in this hour. Wait an hour and try again. Nothing is lost.")
NO_KIND = _("Say whether you join as a household or as a school.")
NO_CONSENT = _("Read what happens to your counts, and tick the box if you agree.")
NOT_OPENED = _("The account could not be opened yet.")
WRONG_CODE = _("This is not the code from the email. Look at it once more.")
NO_CODE = _("This code does not count any more. Send a new one.")
SIGN_IN_FOR_A_CODE = _("This code does not count any more. Sign in, then send a new one.")
#: Kept in the session of somebody who joins or confirms an address on the way to a page of ours.
COMING_FROM = "coming_from"
BACKEND = "django.contrib.auth.backends.ModelBackend"
#: So many fresh names are tried before the sender is told; with millions of names, one is enough.
NAMES_TO_TRY = 20


@sensitive_post_parameters("password")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.ANYONE)
def sign_in(request: HttpRequest) -> HttpResponse:
    """Show the sign-in form, or sign somebody in and go where they were going."""
    if request.method != "POST":
        return _sign_in_page(request)
    email, password = request.POST.get("email", "").strip().lower(), request.POST.get("password", "")
    if too_many_sign_ins(request, email):
        return _sign_in_page(request, str(TOO_MANY), status=429)
    # The database takes no NUL, and no mail address holds one.
    account = None if "\0" in email else authenticate(request, username=email, password=password)
    if account is None:
        return _sign_in_page(request, str(NO_MATCH), status=422)
    login(request, account)
    return _greet(request, redirect(next_page(request) or resolve_url(settings.LOGIN_REDIRECT_URL)))


@require_POST
@page(Rule.ANYONE)
def sign_out(request: HttpRequest) -> HttpResponse:
    """Sign out and go home; what pages kept on this machine goes too."""
    logout(request)
    messages.success(request, gettext("You are signed out."))
    return forget_on_this_machine(redirect("home"))


def forget_on_this_machine(answer: HttpResponse) -> HttpResponse:
    """Let the browser drop what pages keep there: drafts and lists (ASVS 5.0.0, 14.3.1; W3C Clear Site Data)."""
    answer["Clear-Site-Data"] = '"storage"'
    return answer


@sensitive_post_parameters("password")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.ANYONE)
def join(request: HttpRequest) -> HttpResponse:
    """Show the form to join, or open an account with a household or school and send a code to its mail address."""
    if request.method != "POST":
        return _join_page(request, [])
    email = request.POST.get("email", "").strip().lower()
    if too_many_joins(request) or too_many_mails(request, email):
        return _join_page(request, [], refused=str(TOO_MANY), status=429)
    try:
        account = _join(request, email)
    except Refusal as refusal:
        return _join_page(request, shown(refusal.faults), refused=gettext(refusal.sentence), status=422)
    coming_from = request.session.get(COMING_FROM, "")
    logout(request)
    request.session[COMING_FROM] = coming_from
    EmailVerificationProcess.initiate(request=request, user=account, email=email)
    return redirect("confirm-mail")


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.ANYONE)
def confirm(request: HttpRequest) -> HttpResponse:
    """Ask for the code that was sent to a mail address, take it, or send another."""
    waiting = EmailVerificationProcess.resume(request)
    if is_account(request.user) and mail_is_confirmed(request.user):
        request.session.pop(UNCONFIRMED, None)
        return redirect("my-account")
    if request.method != "POST":
        return _confirm_page(request, waiting)
    if waiting is None and not is_account(request.user):
        return _confirm_page(request, None, refused=str(SIGN_IN_FOR_A_CODE), status=422)
    return _send_code(request, waiting) if request.POST.get("do") == "send" else _try_code(request, waiting)


def _join(request: HttpRequest, email: str) -> Any:
    """Open the account, found its household and note the consent; None where the address has an account.

    Raises Faulty with everything that is wrong with the form, and never with the account that is there already.
    """
    answers = request.POST
    password, licence = answers.get("password", ""), licence_asked()
    found = joining_faults(email=email, password=password, adult=answers.get("adult") == "yes")
    faults = [*_kind_faults(answers), *(one for one in found if one.code != "account_exists")]
    if answers.get("consent") != consent_key(licence):
        faults.append(Fault("/consent", "consent_missing", str(NO_CONSENT)))
    if faults:
        raise Faulty(str(NOT_OPENED), faults=tuple(faults))
    if any(one.code == "account_exists" for one in found):
        make_password(password)  # the work that a new account takes: the clock tells nobody either
        return None
    try:
        account = open_account(email=email, password=password, adult=True, language=_language())
    except Faulty:  # somebody was faster with the same address
        return None
    found_under_fresh_name(account, HouseholdKind(answers["kind"]), SystemRandom())
    give_consent(by=account, version=CONSENT_VERSION, licence=licence)
    return account


def found_under_fresh_name(account: Any, kind: HouseholdKind, rng: Random) -> str:
    """Found the household or school under a fresh public name, and return the name."""
    for _try in range(NAMES_TO_TRY):
        try:
            return found_household(by=account, kind=kind, alias=make_alias(rng)).alias
        except Conflict:
            continue
    raise Refusal("No free public name was found. Your account is open, but has no household yet. Tell us.")


def consent_key(licence: Licence) -> str:
    """Return what a form says of the text that was read: its version and the licence in it."""
    return f"{CONSENT_VERSION} {licence.value}"


def next_page(request: HttpRequest) -> str:
    """Return where the visitor was going, if that is a page of ours; an address elsewhere is dropped."""
    wanted = request.POST.get("next") or request.GET.get("next", "")
    safe = url_has_allowed_host_and_scheme(wanted, {request.get_host()}, require_https=request.is_secure())
    return wanted if safe else ""


def _send_code(request: HttpRequest, waiting: Any) -> HttpResponse:
    user, email = (waiting.user, waiting.email) if waiting else (request.user, account_of(request.user).email)
    if too_many_mails(request, email):
        return _confirm_page(request, waiting, refused=str(TOO_MANY), status=429)
    EmailVerificationProcess.initiate(request=request, user=user, email=email)
    messages.success(request, gettext("A new email is on its way."))
    return redirect("confirm-mail")


def _try_code(request: HttpRequest, waiting: Any) -> HttpResponse:
    if waiting is None:
        return _confirm_page(request, None, refused=str(NO_CODE), status=422)
    user = waiting.user
    # Nobody was sent a code where the address had an account already: then no code is right.
    form = ConfirmEmailVerificationCodeForm(
        request.POST, code=waiting.code if user else "", user=user, email=waiting.email
    )
    if not form.is_valid() or not is_account(user):
        if waiting.record_invalid_attempt():
            return _confirm_page(request, waiting, fault=str(WRONG_CODE), status=422)
        refused = NO_CODE if is_account(request.user) else SIGN_IN_FOR_A_CODE
        return _confirm_page(request, None, refused=str(refused), status=422)
    waiting.abort()
    confirm_mail(by=user, email=waiting.email)
    if request.user != user:
        login(request, user, backend=BACKEND)
    note_account(request)
    messages.success(request, _welcome(user))
    return redirect(request.session.pop(COMING_FROM, "") or "my-sites")


def _welcome(account: Any) -> str:
    aliases = [one.alias for one in own_households(account)]
    if not aliases:
        return gettext("Your email address is confirmed.")
    words = gettext(
        "Your email address is confirmed. Your public name is %(alias)s. It is the only name that others see."
    )
    return words % {"alias": aliases[0]}


def _greet(request: HttpRequest, response: HttpResponse) -> HttpResponse:
    """Note what every page shows of the account, and keep its language unless this machine has one."""
    account = account_of(request.user)
    note_account(request)
    if settings.LANGUAGE_COOKIE_NAME not in request.COOKIES:
        set_language_cookie(response, Language(account.language))
    return response


def set_language_cookie(response: HttpResponse, language: Language) -> None:
    """Keep a language on the visitor's machine."""
    response.set_cookie(
        settings.LANGUAGE_COOKIE_NAME,
        language.value,
        max_age=365 * 24 * 3600,
        secure=settings.LANGUAGE_COOKIE_SECURE,
        httponly=settings.LANGUAGE_COOKIE_HTTPONLY,
        samesite="Lax",
    )


def _language() -> Language:
    code = (get_language() or "")[:2]
    return Language(code) if code in Language.values() else Language.ENGLISH


def _kind_faults(answers: QueryDict) -> list[Fault]:
    """Nothing is chosen beforehand: a school must not become a household because nobody looked."""
    known = answers.get("kind", "") in HouseholdKind.values()
    return [] if known else [Fault("/kind", "unknown_word", str(NO_KIND))]


def _sign_in_page(request: HttpRequest, refused: str = "", *, status: int = 200) -> HttpResponse:
    context = {"refused": refused, "email": request.POST.get("email", ""), "next": next_page(request)}
    return render(request, "sign_in.html", context, status=status)


def _confirm_page(
    request: HttpRequest, waiting: Any, *, refused: str = "", fault: str = "", status: int = 200
) -> HttpResponse:
    context = {
        "refused": refused,
        "fault_list": [Shown(fault, "code")] if fault else [],
        "fault": fault,
        "email": waiting.email if waiting else getattr(request.user, "email", ""),
        "sent": waiting is not None,
    }
    return render(request, "account/confirm_mail.html", context, status=status)


def _join_page(request: HttpRequest, faults: list[Shown], *, refused: str = "", status: int = 200) -> HttpResponse:
    answers = {name: request.POST.get(name, "") for name in ("kind", "email", "adult", "consent")}
    licence = licence_asked()
    context = {
        "refused": refused,
        "fault_list": faults,
        "faults": by_field(faults),
        "answers": answers,
        # A tuple: a template would call the class of words itself.
        "kinds": tuple(HouseholdKind),
        "licence": licence,
        "licence_url": LICENCE_URLS[licence],
        "consent_key": consent_key(licence),
        "consent_text": f"account/consent/{CONSENT_VERSION}.html",
    }
    return render(request, "join.html", context, status=status)


urlpatterns = [
    path("sign-in", sign_in, name="sign-in"),
    path("sign-out", sign_out, name="sign-out"),
    path("join", join, name="join"),
    path("join/confirm", confirm, name="confirm-mail"),
]
