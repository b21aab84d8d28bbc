"""Tokens of one's own programs: make one, see which there are, end one. A new one is shown this once."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render, resolve_url
from django.urls import path
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters, sensitive_variables
from django.views.decorators.http import require_http_methods

from surveys.errors import Faulty, NotFound
from surveys.permissions import Rule, account_of, has_second_factor, is_verified, scopes_open_to
from surveys.queries.tokens import tokens_of
from surveys.services.people import refuse_wrong_password
from surveys.services.tokens import MOST_DAYS, USUAL_DAYS, end_token, make_token
from surveys.vocabulary import TokenScope
from surveys.web.access import page
from surveys.web.people import TOO_MANY
from surveys.web.shown import Shown, by_field, shown
from surveys.web.tries import too_many_sign_ins

#: How long a token made on the page may last: a night's work, the usual time, a season.
DAYS = (7, USUAL_DAYS, MOST_DAYS)


@sensitive_post_parameters("password")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def my_tokens(request: HttpRequest) -> HttpResponse:
    """Show one's tokens and a form for a new one; make one, or end one."""
    account = account_of(request.user)
    if has_second_factor(account) and not is_verified(request.user):
        # A token counts as given for a code, so none is made without one.
        return redirect(f"{resolve_url('second-factor')}?{urlencode({'next': request.path})}")
    if request.method != "POST":
        return _page(request)
    if request.POST.get("do") == "end":
        return _end(request)
    if too_many_sign_ins(request, account.email):
        return _page(request, refused=str(TOO_MANY), status=429)
    return _make(request)


def _end(request: HttpRequest) -> HttpResponse:
    try:
        end_token(by=account_of(request.user), key=request.POST.get("key", "").replace("\0", ""))
    except NotFound as refusal:
        return _page(request, refused=refusal.sentence, status=422)
    messages.success(request, gettext("The token is ended. A program that used it is shut out."))
    return redirect("my-tokens")


@sensitive_variables("made")
def _make(request: HttpRequest) -> HttpResponse:
    account = account_of(request.user)
    asked = request.POST
    scopes = [one for one in TokenScope if one in asked.getlist("scopes")]
    days = asked.get("days", "")
    try:
        refuse_wrong_password(by=account, password=asked.get("password", ""))
        made = make_token(
            by=account,
            name=asked.get("name", ""),
            scopes=scopes,
            days=int(days) if days.isascii() and days.isdigit() and len(days) <= len(str(MOST_DAYS)) else 0,
        )
    except Faulty as refusal:
        return _page(request, shown(refusal.faults), refused=gettext(refusal.sentence), status=422)
    return _page(request, made=made)


def _page(
    request: HttpRequest, faults: list[Shown] | None = None, *, refused: str = "", status: int = 200, made: Any = None
) -> HttpResponse:
    account = account_of(request.user)
    found, asked = faults or [], QueryDict() if made else request.POST
    open_to_me = scopes_open_to(account)
    chosen = asked.getlist("scopes") if asked.get("do") == "make" else open_to_me
    context = {
        "tokens": [(one, [TokenScope(scope) for scope in one.scopes]) for one in tokens_of(account)],
        "made": made,
        "scopes": [(one, one in chosen) for one in open_to_me],
        "days": [(one, str(one) == asked.get("days", str(USUAL_DAYS))) for one in DAYS],
        "name": asked.get("name", ""),
        "refused": refused,
        "fault_list": found,
        "faults": by_field(found),
    }
    return render(request, "account/my_tokens.html", context, status=status)


urlpatterns = [path("account/tokens/", my_tokens, name="my-tokens")]
