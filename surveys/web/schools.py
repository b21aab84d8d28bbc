"""A teacher's classes and their entry codes."""

from __future__ import annotations

import uuid
from random import SystemRandom

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from surveys.errors import Fault, Faulty, NotFound, Refusal
from surveys.permissions import Rule, account_of
from surveys.queries.schools import (
    class_drafts,
    live_code_of,
    own_class,
    own_classes,
    own_school,
    own_schools,
    survey_zone,
)
from surveys.services.schools import (
    CODE_HOURS,
    USUAL_HOURS,
    MadeCode,
    add_class,
    close_class,
    end_class_code,
    make_class_code,
)
from surveys.web.access import page
from surveys.web.return_form import read_identity
from surveys.web.shown import Shown


@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def my_classes(request: HttpRequest) -> HttpResponse:
    """List one's own classes, or add one under a fresh pseudonym."""
    if request.method != "POST":
        return _classes_page(request)
    try:
        made = add_class(
            by=account_of(request.user),
            household=_school(request),
            uuid=read_identity(request.POST.get("id", "")),
            rng=SystemRandom(),
        )
    except NotFound:
        raise
    except Refusal as refusal:
        return _classes_page(request, refusal)
    messages.success(request, gettext("The new class is called %(name)s.") % {"name": made.pseudonym})
    return redirect("my-class", made.public_id)


@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def my_class(request: HttpRequest, school_class: uuid.UUID) -> HttpResponse:
    """Show one class: its code, what it has counted; or close it."""
    if request.method == "POST":
        found = close_class(by=account_of(request.user), school_class=school_class)
        messages.success(request, gettext("The class %(name)s is closed.") % {"name": found.pseudonym})
        return redirect("my-classes")
    found = own_class(request.user, school_class)
    shown = {
        "school_class": found,
        "code": live_code_of(found, now=timezone.now()),
        "drafts": class_drafts(request.user, school_class),
        "zone": survey_zone(),
    }
    return render(request, "schools/my_class.html", shown)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.SIGNED_IN)
def class_code(request: HttpRequest, school_class: uuid.UUID) -> HttpResponse:
    """Ask for how long a code shall work; make one and show it once, large; or end the one there is."""
    own_class(request.user, school_class)
    if request.method != "POST":
        return _code_page(request, school_class)
    by = account_of(request.user)
    if request.POST.get("step") == "end":
        end_class_code(by=by, school_class=school_class)
        messages.success(request, gettext("The code is over. Nobody gets in with it any more."))
        return redirect("my-class", school_class)
    try:
        made = make_class_code(by=by, school_class=school_class, hours=_hours(request))
    except NotFound:
        raise
    except Refusal as refusal:
        return _code_page(request, school_class, refusal)
    return _board(request, school_class, made)


def _school(request: HttpRequest) -> uuid.UUID:
    """Return the id of the school that was chosen, or of the only one. Raises NotFound for anybody else's."""
    given = request.POST.get("household", "")
    try:
        return own_school(request.user, uuid.UUID(given)).public_id
    except ValueError:
        schools = list(own_schools(request.user))
    if len(schools) == 1:
        return schools[0].public_id
    if not schools:
        raise NotFound("Classes are for schools.")
    faults = (Fault("/household", "unknown_household", gettext("Choose the school of the class.")),)
    raise Faulty(gettext("No class was added yet."), faults=faults)


def _hours(request: HttpRequest) -> int:
    given = request.POST.get("hours", "")
    return int(given) if given.isascii() and given.isdigit() and len(given) < 3 else 0


def _board(request: HttpRequest, school_class: uuid.UUID, made: MadeCode) -> HttpResponse:
    """Show a fresh code for the board, with the address to type: host and path, no more."""
    address = request.get_host() + reverse("enter-class")
    # Two threes are easier to carry from a board to a desk than six in a row.
    signs = (made.code[:3], made.code[3:])
    shown = {
        "school_class": own_class(request.user, school_class),
        "made": made,
        "signs": signs,
        "address": address,
        "zone": survey_zone(),
    }
    return render(request, "schools/code_on_the_board.html", shown)


def _classes_page(request: HttpRequest, refusal: Refusal | None = None) -> HttpResponse:
    now = timezone.now()
    shown = {
        "schools": list(own_schools(request.user)),
        "classes": own_classes(request.user, now=now),
        "id": uuid.uuid4(),
        "zone": survey_zone(),
        **_told(refusal),
    }
    return render(request, "schools/my_classes.html", shown, status=422 if refusal else 200)


def _code_page(request: HttpRequest, school_class: uuid.UUID, refusal: Refusal | None = None) -> HttpResponse:
    found = own_class(request.user, school_class)
    shown = {
        "school_class": found,
        "code": live_code_of(found, now=timezone.now()),
        "zone": survey_zone(),
        "hours": [(hours, hours == USUAL_HOURS) for hours in CODE_HOURS],
        **_told(refusal),
    }
    return render(request, "schools/class_code.html", shown, status=422 if refusal else 200)


def _told(refusal: Refusal | None) -> dict[str, object]:
    """Return a refusal as a page shows it."""
    if refusal is None:
        return {"refused": "", "fault_list": [], "faults": {}}
    listed = [Shown(fault.sentence, fault.pointer.strip("/")) for fault in refusal.faults]
    return {"refused": refusal.sentence, "fault_list": listed, "faults": {one.target: one.sentence for one in listed}}


urlpatterns = [
    path("my/classes/", my_classes, name="my-classes"),
    path("my/classes/<uuid:school_class>/", my_class, name="my-class"),
    path("my/classes/<uuid:school_class>/code", class_code, name="class-code"),
]
