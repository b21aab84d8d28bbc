"""Tray photos: painted anew as they come in, one for each return, cut or deleted by whoever may see them.

The picture that was sent is opened by a child process under limits and is never kept, nor is its name. A photo gets
a new public id whenever its picture changes: who cuts or deletes says by it which picture they have seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID, uuid4

from django.db import transaction
from django.utils import timezone
from django.utils.translation import gettext

from surveys.errors import Conflict, Fault, Faulty, NotFound, Stale
from surveys.models import Account, Return, TrayPhoto
from surveys.permissions import returns_in_care_of, returns_of
from surveys.photos.records import MOST_CUT, CannotPaint, Cut, Painted, PhotoFault
from surveys.services.events import write_event
from surveys.services.photos_child import cut_in_child, paint_in_child
from surveys.vocabulary import ReturnState


@dataclass(frozen=True, slots=True)
class Added:
    """A photo that was kept, and whether it is the first of its return."""

    photo: TrayPhoto
    created: bool


def add_tray_photo(*, by: Account, uuid: UUID, name: str, content: bytes) -> Added:
    """Keep the photo of one's own return, painted anew; it takes the place of one that was sent before.

    ``name`` is the file's own; its end must fit the picture, and it is not kept. Raises :class:`Faulty` for what is
    no picture, :class:`Conflict` where the season takes none or the return was taken back.
    """
    # Asked before the work and once more when it is done: the painting takes a second, and nothing is held meanwhile.
    _refuse_untaken(returns_of(by).filter(uuid=uuid).select_related("season").first())
    painted = _painted(name, content)
    with transaction.atomic(durable=True):
        Return.objects.select_for_update(no_key=True).filter(uuid=uuid).first()
        # Read anew while it is held: an erasure or a withdrawal may have ended between the two.
        report = _refuse_untaken(returns_of(by).filter(uuid=uuid).select_related("season").first())
        photo, created = TrayPhoto.objects.update_or_create(
            report=report, defaults={**_columns(painted), "received_at": timezone.now(), "cropped_at": None}
        )
        write_event(by=by, verb="tray photo sent", subject=report, details=_sizes(painted))
    return Added(photo, created)


def crop_tray_photo(*, by: Account, uuid: UUID, picture: UUID, cut: Cut) -> TrayPhoto:
    """Cut parts off the photo of a return in one's care; what was cut off is gone.

    Raises :class:`Faulty` where too much would go or nothing, :class:`Stale` where ``picture`` is not the one that is
    kept: a second tap cuts no second time.
    """
    _refuse_cut(cut)
    seen = TrayPhoto.objects.filter(report__in=returns_in_care_of(by).filter(uuid=uuid)).first()
    painted = _cut(_same_picture(seen, picture), cut)
    with transaction.atomic(durable=True):
        report = returns_in_care_of(by).select_for_update(no_key=True, of=("self",)).filter(uuid=uuid).first()
        photo = _same_picture(TrayPhoto.objects.filter(report=report).first(), picture)
        for column, value in _columns(painted).items():
            setattr(photo, column, value)
        photo.cropped_at = timezone.now()
        photo.save()
        write_event(by=by, verb="tray photo cut", subject=report, details=_sizes(painted))
    return photo


def delete_tray_photo(*, by: Account, uuid: UUID, picture: UUID | None = None) -> None:
    """Delete the photo of one's own return, or of one in one's care; where it is gone, nothing changes.

    With ``picture`` another picture than that one raises :class:`Stale`.
    """
    with transaction.atomic(durable=True):
        report = _own_or_in_care(by, uuid)
        photo = TrayPhoto.objects.filter(report=report).defer("picture").first()
        if photo is None:
            return
        if picture not in (None, photo.public_id):
            raise Stale(gettext("The picture has changed since you looked at it. Look at it once more."))
        size = {"width": photo.width, "height": photo.height}
        photo.delete()
        write_event(by=by, verb="tray photo deleted", subject=report, details=size)


def _own_or_in_care(by: Account, uuid: UUID) -> Return:
    for theirs in (returns_of(by), returns_in_care_of(by)):
        report = theirs.select_for_update(no_key=True, of=("self",)).filter(uuid=uuid).first()
        if report is not None:
            return report
    raise NotFound(gettext("There is no return with this id, or none that you may see."))


def _refuse_untaken(report: Return | None) -> Return:
    """Return the return if a photo of it may be sent."""
    if report is None:
        raise NotFound(gettext("There is no return of yours with this id."))
    if not report.season.tray_photos:
        raise Conflict(gettext("This season takes no photos of the tray."), code="no_photos")
    if report.state == ReturnState.WITHDRAWN:
        raise Conflict(gettext("This return is no longer in use, so it takes no photo."), code="withdrawn")
    return report


def _refuse_cut(cut: Cut) -> None:
    sides = {"left": cut.left, "top": cut.top, "right": cut.right, "bottom": cut.bottom}
    beyond = gettext("Write a whole number from 0 to %(most)s.") % {"most": MOST_CUT}
    faults = [
        Fault(f"/{side}", "out_of_range", beyond) for side, per_cent in sides.items() if not 0 <= per_cent <= MOST_CUT
    ]
    if not faults and not any(sides.values()):
        faults = [Fault("/left", "nothing_to_cut", gettext("Say how much to cut off, on one side at least."))]
    if faults:
        raise Faulty(gettext("The picture was not cut."), faults=tuple(faults))


def _same_picture(photo: TrayPhoto | None, picture: UUID) -> TrayPhoto:
    if photo is None:
        raise NotFound(gettext("There is no tray photo with this return."))
    if photo.public_id != picture:
        raise Stale(gettext("The picture has changed since you looked at it. Look at it once more."))
    return photo


def _painted(name: str, content: bytes) -> Painted:
    try:
        return paint_in_child(content, name)
    except CannotPaint as refusal:
        raise _said(refusal.fault, "/photo", gettext("The photo was not taken.")) from None


def _cut(photo: TrayPhoto, cut: Cut) -> Painted:
    try:
        return cut_in_child(bytes(photo.picture), cut)
    except CannotPaint as refusal:
        raise _said(refusal.fault, "/left", gettext("The picture was not cut.")) from None


def _said(fault: PhotoFault, pointer: str, what: str) -> Faulty:
    return Faulty(what, code=fault.value, faults=(Fault(pointer, fault.value, gettext(fault.label)),))


def _columns(painted: Painted) -> dict[str, object]:
    """Return the columns of a photo that its picture fills."""
    return {"public_id": uuid4(), "picture": painted.jpeg, "width": painted.width, "height": painted.height}


def _sizes(painted: Painted) -> dict[str, object]:
    return {"bytes": len(painted.jpeg), "width": painted.width, "height": painted.height}
