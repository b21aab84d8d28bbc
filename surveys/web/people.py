"""Signing in and out, and joining."""

from __future__ import annotations

from random import Random, SystemRandom
from typing import NamedTuple

from django.conf import settings
from django.contrib import messages
from django.contrib.auth import authenticate, login, logout
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render, resolve_url
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from surveys.errors import Conflict, Fault, Faulty, Refusal
from surveys.permissions import Rule, account_of
from surveys.services.people import found_household, open_account
from surveys.vocabulary import HouseholdKind
from surveys.web.access import page
from surveys.web.aliases import make_alias
from surveys.web.tries import too_many_joins, too_many_sign_ins

#: The same words whatever was wrong, so that nobody learns who has an account.
NO_MATCH = "This mail address and this password do not belong together. Check both and try once more."
TOO_MANY = "There were too many tries in this hour. Wait an hour and try again. Nothing is lost."
NO_KIND = "Say whether you join as a household or as a school."
#: So many fresh names are tried before the sender is told; with millions of names, one is enough.
NAMES_TO_TRY = 20


class Shown(NamedTuple):
    """One fault as the page shows it: its sentence and the id of the field that it belongs to."""

    sentence: str
    target: str


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
        return _sign_in_page(request, TOO_MANY, status=429)
    # The database takes no NUL, and no mail address holds one.
    account = None if "\0" in email else authenticate(request, username=email, password=password)
    if account is None:
        return _sign_in_page(request, NO_MATCH, status=422)
    login(request, account)
    return redirect(_next(request) or resolve_url(settings.LOGIN_REDIRECT_URL))


@require_POST
@page(Rule.ANYONE)
def sign_out(request: HttpRequest) -> HttpResponse:
    """Sign out and go home."""
    logout(request)
    messages.success(request, "You are signed out.")
    return redirect("home")


@sensitive_post_parameters("password")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.ANYONE)
def join(request: HttpRequest) -> HttpResponse:
    """Show the form to join, or open an account with a household or school under a fresh public name."""
    if request.method != "POST":
        return _join_page(request, [])
    if too_many_joins(request):
        return _join_page(request, [], refused=TOO_MANY, status=429)
    try:
        kind = _kind(request.POST)
        _open_account(request)
        alias = _found_household(request, kind, SystemRandom())
    except Refusal as refusal:
        return _join_page(request, _shown(refusal), refused=refusal.sentence, status=422)
    messages.success(request, f"Welcome. Your public name is {alias}. It is the only name that others see.")
    return redirect("my-sites")


def _open_account(request: HttpRequest) -> None:
    """Open the account and sign its holder in. Raises Refusal with the faults of the form."""
    answers = request.POST
    account = open_account(
        email=answers.get("email", ""), password=answers.get("password", ""), adult=answers.get("adult") == "yes"
    )
    login(request, account, backend="django.contrib.auth.backends.ModelBackend")


def _found_household(request: HttpRequest, kind: HouseholdKind, rng: Random) -> str:
    """Found the household or school under a fresh public name, and return the name."""
    for _ in range(NAMES_TO_TRY):
        try:
            return found_household(by=account_of(request.user), kind=kind, alias=make_alias(rng)).alias
        except Conflict:
            continue
    raise Refusal("No free public name was found. Your account is open, but has no household yet. Tell us.")


def _kind(answers: QueryDict) -> HouseholdKind:
    """Return the kind that was chosen; the form comes with one chosen, so only a hand-made request lacks it."""
    if (kind := answers.get("kind", "")) in HouseholdKind.values():
        return HouseholdKind(kind)
    raise Faulty("The account could not be opened yet.", faults=(Fault("/kind", "unknown_word", NO_KIND),))


def _next(request: HttpRequest) -> str:
    """Return where the visitor was going, if that is a page of ours; an address elsewhere is dropped."""
    wanted = request.POST.get("next") or request.GET.get("next", "")
    safe = url_has_allowed_host_and_scheme(wanted, {request.get_host()}, require_https=request.is_secure())
    return wanted if safe else ""


def _sign_in_page(request: HttpRequest, refused: str = "", *, status: int = 200) -> HttpResponse:
    context = {"refused": refused, "email": request.POST.get("email", ""), "next": _next(request)}
    return render(request, "sign_in.html", context, status=status)


def _join_page(request: HttpRequest, faults: list[Shown], *, refused: str = "", status: int = 200) -> HttpResponse:
    by_field: dict[str, list[str]] = {}
    for fault in faults:
        by_field.setdefault(fault.target, []).append(fault.sentence)
    answers = {name: request.POST.get(name, "") for name in ("email", "adult")}
    answers["kind"] = request.POST.get("kind", HouseholdKind.HOUSEHOLD)
    # A tuple: a template would call the class of words itself.
    kinds = tuple(HouseholdKind)
    context = {"refused": refused, "fault_list": faults, "faults": by_field, "answers": answers, "kinds": kinds}
    return render(request, "join.html", context, status=status)


def _shown(refusal: Refusal) -> list[Shown]:
    return [Shown(fault.sentence, fault.pointer.strip("/").replace("/", "-")) for fault in refusal.faults]
