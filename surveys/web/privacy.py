"""What is kept about people, in two layers, and the language of the pages."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_POST, require_safe

from surveys.data_register import REGISTER
from surveys.permissions import Rule, is_account
from surveys.services.people import choose_language
from surveys.vocabulary import Language
from surveys.web.access import page
from surveys.web.people import next_page, set_language_cookie


@require_safe
@page(Rule.ANYONE)
def privacy(request: HttpRequest) -> HttpResponse:
    """Show the full notice, with everything that the register lists."""
    return render(request, "privacy.html", {"register": REGISTER})


@require_safe
@page(Rule.ANYONE)
def privacy_children(request: HttpRequest) -> HttpResponse:
    """Show the short notice, for a reader of nine to eleven."""
    return render(request, "privacy_children.html")


@require_POST
@page(Rule.ANYONE)
def set_language(request: HttpRequest) -> HttpResponse:
    """Set the language of the pages, and of the account where somebody is signed in; then go back."""
    answer = redirect(next_page(request) or "home")
    code = request.POST.get("language", "")
    # A word that is no language changes nothing: the page offers only those that are.
    if code in Language.values():
        set_language_cookie(answer, Language(code))
        if is_account(request.user):
            choose_language(by=request.user, language=Language(code))
    return answer


urlpatterns = [
    path("privacy/", privacy, name="privacy"),
    path("privacy/children/", privacy_children, name="privacy-children"),
    path("language", set_language, name="set-language"),
]
