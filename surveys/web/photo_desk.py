"""The tray photo on a coordinator's desk: looking at it, cutting parts off, deleting it."""

from __future__ import annotations

import uuid
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _
from django.views.decorators.http import require_http_methods, require_safe

from surveys.errors import Fault, Faulty, NotFound, Refusal, Stale
from surveys.permissions import Rule, account_of
from surveys.photos.records import MOST_CUT, Cut, PhotoFault
from surveys.queries.photos import photo_in_care
from surveys.services.photos import crop_tray_photo, delete_tray_photo
from surveys.web.access import page
from surveys.web.moments import read_whole
from surveys.web.pictures import picture_answer
from surveys.web.shown import shown

#: The four sides, with the words of their boxes.
SIDES: dict[str, Any] = {
    "left": _("Left"),
    "right": _("Right"),
    "top": _("Top"),
    "bottom": _("Bottom"),
}


@require_safe
@page(Rule.COORDINATOR)
def queue_photo(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Send the picture of a return in one's care."""
    return picture_answer(bytes(photo_in_care(request.user, number).picture))


@require_http_methods(["GET", "HEAD", "POST"])
@page(Rule.COORDINATOR)
def edit_photo(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Show what a cut would leave, cut, or ask once more and delete."""
    if request.method != "POST":
        return _edit_page(request, number)
    asked = request.POST.get("do", "")
    try:
        if asked == "delete":
            return _edit_page(request, number, deleting=True)
        if asked == "delete-it":
            return _delete(request, number)
        cut = _typed_cut(request)
        if asked == "cut":
            return _crop(request, number, cut)
        return _look(request, number, cut)
    except NotFound:
        raise
    except Refusal as refusal:
        return _edit_page(request, number, refusal=refusal)


def _look(request: HttpRequest, number: uuid.UUID, cut: Cut) -> HttpResponse:
    photo = photo_in_care(request.user, number)
    if not cut.leaves_enough(photo.width, photo.height):
        fault = Fault("/left", PhotoFault.LITTLE_LEFT.value, gettext(PhotoFault.LITTLE_LEFT.label))
        raise Faulty(gettext("The picture was not cut."), faults=(fault,))
    return _edit_page(request, number, cut=cut)


def _crop(request: HttpRequest, number: uuid.UUID, cut: Cut) -> HttpResponse:
    crop_tray_photo(by=account_of(request.user), uuid=number, picture=_picture(request), cut=cut)
    messages.success(request, gettext("The photo is cut. What you cut off is gone."))
    return redirect("queue-record", number)


def _delete(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    delete_tray_photo(by=account_of(request.user), uuid=number, picture=_picture(request))
    messages.success(request, gettext("The photo is deleted."))
    return redirect("queue-record", number)


def _picture(request: HttpRequest) -> uuid.UUID:
    """Return the id of the picture that was on the page; an id that is none fits no picture."""
    try:
        return uuid.UUID(request.POST.get("picture", ""))
    except ValueError:
        return uuid.UUID(int=0)


def _typed_cut(request: HttpRequest) -> Cut:
    """Read the four boxes; an empty one is 0."""
    sides: dict[str, int] = {}
    faults = []
    for side in SIDES:
        typed = request.POST.get(side, "").strip().removesuffix("%").strip()
        per_cent = read_whole(typed) if typed else 0
        if per_cent is None or per_cent > MOST_CUT:
            sentence = gettext("Write a whole number from 0 to %(most)s.") % {"most": MOST_CUT}
            faults.append(Fault(f"/{side}", "out_of_range", sentence))
        else:
            sides[side] = per_cent
    if faults:
        raise Faulty(gettext("The picture was not cut."), faults=tuple(faults))
    return Cut(**sides)


def _edit_page(
    request: HttpRequest,
    number: uuid.UUID,
    *,
    cut: Cut | None = None,
    refusal: Refusal | None = None,
    deleting: bool = False,
) -> HttpResponse:
    photo = photo_in_care(request.user, number)
    typed = {side: request.POST.get(side, "") for side in SIDES}
    faults = shown(refusal.faults) if refusal else []
    by_side = {fault.target: fault.sentence for fault in faults}
    context = {
        "photo": photo,
        "report": photo.report,
        "deleting": deleting,
        "sides": [(side, words, typed[side], by_side.get(side, "")) for side, words in SIDES.items()],
        "stays": _stays(photo, cut or Cut()),
        "most": MOST_CUT,
        "refused": refusal.sentence if refusal else "",
        "fault_list": faults,
    }
    status = 200 if refusal is None else 409 if isinstance(refusal, Stale) else 422
    return render(request, "photos/edit.html", context, status=status)


def _stays(photo: Any, cut: Cut) -> dict[str, Any] | None:
    """Return what a cut leaves, in dots: the frame that stays and the four strips that go; None where all stays."""
    width, height = photo.width, photo.height
    left, top, right, bottom = cut.kept(width, height)
    if (left, top, right, bottom) == (0, 0, width, height):
        return None
    tall = bottom - top
    above, below = (0, 0, width, top), (0, bottom, width, height - bottom)
    strips = [above, below, (0, top, left, tall), (right, top, width - right, tall)]
    return {
        "frame": (left, top, right - left, tall),
        "strips": [strip for strip in strips if strip[2] and strip[3]],
    }


urlpatterns = [
    path("queue/<uuid:number>/photo", queue_photo, name="queue-photo"),
    path("queue/<uuid:number>/photo/edit/", edit_photo, name="queue-photo-edit"),
]
