"""The tray photo of one's own return: sending it, looking at it, deleting it."""

from __future__ import annotations

import uuid

from django.contrib import messages
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.urls import path
from django.utils.translation import gettext
from django.views.decorators.csrf import csrf_exempt, csrf_protect
from django.views.decorators.http import require_POST, require_safe

from surveys.errors import Fault, Faulty, NotFound, Refusal, TooSoon
from surveys.permissions import Rule, account_of
from surveys.photos.records import MOST_BYTES, PhotoFault
from surveys.queries.photos import own_photo
from surveys.queries.returns import own_return
from surveys.services.photos import add_tray_photo, delete_tray_photo
from surveys.web.access import page
from surveys.web.pictures import picture_answer
from surveys.web.returns import told_back
from surveys.web.tries import WINDOW_S, too_many_photos
from surveys.web.uploads import CappedUpload

#: Beyond this nothing more is listened to, and the line is cut.
_LISTENED_TO = 4 * MOST_BYTES


@require_safe
@page(Rule.SIGNED_IN)
def my_photo(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Send the picture of one's own return."""
    return picture_answer(bytes(own_photo(request.user, number).picture))


# The file must not be read before the cap is set, and looking for the token reads it: so the token is looked for
# inside, after that.
@require_POST
@csrf_exempt
@page(Rule.SIGNED_IN)
def send_photo(request: HttpRequest, number: uuid.UUID) -> HttpResponseBase:
    """Take the photo of one's own return, in the place of one that was sent before."""
    upload = CappedUpload(request, MOST_BYTES, listened_to=_LISTENED_TO)
    request.upload_handlers = [upload]
    return csrf_protect(_send_photo)(request, number, upload)


def _send_photo(request: HttpRequest, number: uuid.UUID, upload: CappedUpload) -> HttpResponse:
    try:
        name, content = _sent(request, upload)
        add_tray_photo(by=account_of(request.user), uuid=number, name=name, content=content)
    except NotFound:
        raise
    except Refusal as refusal:
        return told_back(request, number, refusal, status=_status_of(refusal))
    messages.success(request, gettext("Thank you. Your photo has arrived."))
    return redirect("my-return", number)


def _sent(request: HttpRequest, upload: CappedUpload) -> tuple[str, bytes]:
    """Return name and content of the file, or refuse what cannot be a picture."""
    sent = request.FILES.get("photo")
    if too_many_photos(account_of(request.user).pk):
        raise TooSoon(gettext("You sent very many photos. Wait an hour, then send this one."), wait_s=WINDOW_S)
    if upload.too_big:
        raise _faulty(PhotoFault.TOO_BIG, gettext(PhotoFault.TOO_BIG.label))
    if not isinstance(sent, UploadedFile):
        raise _faulty(PhotoFault.EMPTY, gettext("Choose a picture first."))
    return sent.name or "", sent.read()


def _faulty(fault: PhotoFault, sentence: str) -> Faulty:
    faults = (Fault("/photo", fault.value, sentence),)
    return Faulty(gettext("The photo was not taken."), code=fault.value, faults=faults)


def _status_of(refusal: Refusal) -> int:
    """Return the status of a refused photo (RFC 9110, 15.5.14 and 15.5.21; RFC 6585, 4)."""
    if isinstance(refusal, TooSoon):
        return 429
    return 413 if refusal.code == PhotoFault.TOO_BIG else 422


@require_POST
@page(Rule.SIGNED_IN)
def delete_photo(request: HttpRequest, number: uuid.UUID) -> HttpResponse:
    """Delete the photo of one's own return; a second tap finds it gone and says the same."""
    report = own_return(request.user, number)
    delete_tray_photo(by=account_of(request.user), uuid=report.uuid)
    messages.success(request, gettext("The photo is deleted."))
    return redirect("my-return", number)


urlpatterns = [
    path("my/returns/<uuid:number>/photo", my_photo, name="my-photo"),
    path("my/returns/<uuid:number>/photo/send", send_photo, name="send-photo"),
    path("my/returns/<uuid:number>/photo/delete", delete_photo, name="delete-photo"),
]
