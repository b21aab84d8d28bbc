"""Pages for those who run a count: threats and what holds them, an assessment of data protection, what size costs.

All are texts beside the code, set as the methods are. They stay English, as the methods do.
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


@require_safe
@page(Rule.ANYONE)
def size(request: HttpRequest) -> HttpResponse:
    """Show what a return costs at each size, as it was measured, and what to do when there are more."""
    return render(request, "security/size.html", {"text": security_text("SIZE.md")})


@cache
def security_text(name: str) -> MethodsText:
    """Return a text of the package as a page has it; made once in each process."""
    return set_text(files("surveys.security").joinpath(name).read_text(encoding="utf-8"))


urlpatterns = [
    path("security/threats/", threats, name="threats"),
    path("security/assessment/", assessment, name="assessment"),
    path("size/", size, name="size"),
]
