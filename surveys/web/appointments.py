"""People of the office: who holds which role, inviting, ending an appointment, a lost second factor, an invitation."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone
from django.utils.translation import get_language, gettext
from django.utils.translation import gettext_lazy as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from surveys.errors import Conflict, Faulty, NotAllowed, NotFound, Refusal
from surveys.permissions import Rule, account_of, is_account, may_appoint
from surveys.queries.appointments import (
    invitations_of,
    open_invitations,
    people_in_office,
    person_in_office,
    regions_on_offer,
    still_open,
)
from surveys.queries.people import mail_is_confirmed
from surveys.services.appointments import call_back_invitation, invite, revoke_appointment, take_up_invitation
from surveys.services.invitation_mail import send_invitation
from surveys.services.second_factor import reset_second_factor
from surveys.vocabulary import Language, Role
from surveys.web.access import page
from surveys.web.people import COMING_FROM, TOO_MANY
from surveys.web.shown import by_field, shown
from surveys.web.tries import too_many_invitations

#: What somebody can be invited to; an operator is made on the machine itself.
ALL_REGIONS, SOME_REGIONS, RESEARCHER = "all", "some", "researcher"
TASKS = (
    (SOME_REGIONS, _("coordinator of some regions")),
    (ALL_REGIONS, _("coordinator of all regions: may invite others")),
    (RESEARCHER, _("researcher")),
)
MAIL_LOST = _("The email could not be handed in. Call the invitation back, and invite once more.")


@never_cache
@require_http_methods(["GET", "HEAD"])
@page(Rule.OFFICE)
def people(request: HttpRequest) -> HttpResponse:
    """Show who holds which role, and who is invited."""
    context = {
        "people": _by_person(request),
        "may_appoint": may_appoint(request.user),
        "invitations": open_invitations(request.user, now=timezone.now()),
    }
    return render(request, "desk/people.html", context)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.LEAD)
def invite_somebody(request: HttpRequest) -> HttpResponse:
    """Ask whom to invite to what, or write the invitation down and send its link."""
    if request.method != "POST":
        return _invite_page(request)
    account = account_of(request.user)
    if too_many_invitations(account.pk):
        return _invite_page(request, Refusal(str(TOO_MANY)), status=429)
    task = request.POST.get("task", SOME_REGIONS)
    try:
        invited = invite(
            by=account,
            email=request.POST.get("email", ""),
            role=Role.RESEARCHER if task == RESEARCHER else Role.COORDINATOR,
            regions=request.POST.getlist("regions") if task == SOME_REGIONS else None,
            now=timezone.now(),
        )
    except Faulty as refusal:
        return _invite_page(request, refusal, status=422)
    if send_invitation(invited=invited, language=Language((get_language() or "en")[:2])):
        messages.success(request, gettext("The invitation is on its way. Its link works for seven days."))
    else:
        messages.warning(request, str(MAIL_LOST))
    return redirect("people")


@require_POST
@page(Rule.LEAD)
def call_back(request: HttpRequest, invitation: int) -> HttpResponse:
    """Call an invitation back."""
    try:
        call_back_invitation(by=account_of(request.user), invitation=invitation, now=timezone.now())
        messages.success(request, gettext("The invitation is called back. Its link does not work any more."))
    except Conflict as refusal:
        messages.warning(request, refusal.sentence)
    return redirect("people")


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.LEAD)
def end_appointment(request: HttpRequest, appointment: int) -> HttpResponse:
    """Ask once more, or end an appointment."""
    found = people_in_office(request.user).filter(pk=appointment).first()
    if found is None:
        raise NotFound(gettext("There is no such appointment. Somebody may have ended it."))
    if request.method != "POST":
        return render(request, "desk/end_appointment.html", {"one": found})
    try:
        revoke_appointment(by=account_of(request.user), appointment=appointment)
        messages.success(request, gettext("The appointment is ended."))
    except (Conflict, NotAllowed) as refusal:
        context = {"one": found, "refused": refusal.sentence}
        return render(request, "desk/end_appointment.html", context, status=409)
    return redirect("people")


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.LEAD)
def reset_factor(request: HttpRequest, account: int) -> HttpResponse:
    """Ask once more, or take a lost second factor off somebody."""
    person = person_in_office(request.user, account)
    if request.method != "POST":
        return render(request, "desk/reset_factor.html", {"person": person})
    try:
        reset_second_factor(by=account_of(request.user), account=account)
        messages.success(request, gettext("The app is taken off. At the next sign-in, a new one is set up."))
    except NotAllowed as refusal:
        context = {"person": person, "refused": refusal.sentence}
        return render(request, "desk/reset_factor.html", context, status=409)
    return redirect("people")


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.ANYONE)
def invitation(request: HttpRequest, link: str) -> HttpResponse:
    """Show what a link invites to and what is still to do, or take it up."""
    found = list(invitations_of(link))
    if not found:
        raise NotFound(gettext("There is no such invitation."))
    if request.method == "POST":
        return _take_up(request, link, found)
    return _invitation_page(request, found)


def _take_up(request: HttpRequest, link: str, found: list[Any]) -> HttpResponse:
    if not is_account(request.user):
        return _invitation_page(request, found)
    try:
        taken = take_up_invitation(by=request.user, link=link, now=timezone.now())
    except (Conflict, NotAllowed) as refusal:
        return _invitation_page(request, found, refused=refusal.sentence)
    messages.success(request, gettext("Thank you for taking this on."))
    return redirect("people" if taken[0].role == Role.COORDINATOR else "my-account")


def _invitation_page(request: HttpRequest, found: list[Any], *, refused: str = "") -> HttpResponse:
    now, user = timezone.now(), request.user
    standing = list(still_open(now).filter(pk__in=[one.pk for one in found]).select_related("region").order_by("pk"))
    theirs = is_account(user) and bool(standing) and all(one.email == user.email for one in standing)
    confirmed = theirs and is_account(user) and mail_is_confirmed(user)
    if standing and not confirmed:
        request.session[COMING_FROM] = request.path  # whoever joins or confirms an address first, comes back here
    context = {
        "standing": standing,
        "first": standing[0] if standing else None,
        "theirs": theirs,
        "confirmed": confirmed,
        "refused": refused,
    }
    status = 410 if not standing else 422 if refused else 200
    return render(request, "desk/invitation.html", context, status=status)


def _invite_page(request: HttpRequest, refusal: Refusal | None = None, *, status: int = 200) -> HttpResponse:
    faults = shown(refusal.faults) if refusal else []
    context = {
        "tasks": TASKS,
        "regions": regions_on_offer(),
        "given": {"email": request.POST.get("email", ""), "task": request.POST.get("task", SOME_REGIONS)},
        "chosen": request.POST.getlist("regions"),
        "refused": refusal.sentence if refusal else "",
        "fault_list": faults,
        "faults": by_field(faults),
    }
    return render(request, "desk/invite.html", context, status=status)


def _by_person(request: HttpRequest) -> list[dict[str, Any]]:
    """Return each person once, with all appointments that the visitor may know of."""
    found: dict[int, dict[str, Any]] = {}
    one: Any  # an appointment that carries has_factor
    for one in people_in_office(request.user):
        person = found.setdefault(
            one.account_id, {"account": one.account, "has_factor": one.has_factor, "appointments": []}
        )
        person["appointments"].append(one)
    return list(found.values())


urlpatterns = [
    path("desk/people/", people, name="people"),
    path("desk/people/invite/", invite_somebody, name="invite"),
    path("desk/people/invitations/<int:invitation>/", call_back, name="call-back-invitation"),
    path("desk/people/appointments/<int:appointment>/", end_appointment, name="end-appointment"),
    path("desk/people/<int:account>/second-factor/", reset_factor, name="reset-second-factor"),
    path("invitation/<str:link>/", invitation, name="invitation"),
]
