"""Pages for those who run a count: threats and what holds them, and a form for the assessment of data protection.

Both are texts beside the code, set as the methods are. They stay English, as the methods do.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_safe

from surveys.data_register import REGISTER
from surveys.permissions import Rule
from surveys.web.access import page
from surveys.web.methods import MethodsText, set_text


@require_safe
@page(Rule.ANYONE)
def threats(request: HttpRequest) -> HttpResponse:
    """Show what could go wrong, what holds it, and what is left."""
    return render(request, "security/threats.html", {"text": security_text("THREATS.md")})


@require_safe
@page(Rule.ANYONE)
def assessment(request: HttpRequest) -> HttpResponse:
    """Show a form to print and fill in, with the register as its annex."""
    return render(request, "security/assessment.html", {"text": security_text("ASSESSMENT.md"), "register": REGISTER})


@cache
def security_text(name: str) -> MethodsText:
    """Return a text of the package as a page has it; made once in each process."""
    return set_text(files("surveys.security").joinpath(name).read_text(encoding="utf-8"))


urlpatterns = [
    path("security/threats/", threats, name="threats"),
    path("security/assessment/", assessment, name="assessment"),
]
