"""Amending a return: a new return takes the place of the old one, which its sender takes back in the same moment.

What was sent is never edited. Intake calls these two inside the transaction that stores the new return.
"""

from __future__ import annotations

from uuid import UUID

from surveys.errors import Conflict, NotFound
from surveys.models import Account, Return, TrayPhoto
from surveys.permissions import returns_of
from surveys.services.worked import MOVED, move_return
from surveys.vocabulary import ReturnState


def lock_to_amend(*, by: Account, uuid: UUID, into: UUID) -> Return:
    """Lock one's own return that is to be amended by the return ``into``.

    Raises :class:`NotFound` for a return that is not one's own and :class:`Conflict` for one that was taken back, or
    that another return took the place of. The same amendment sent again is let through: it changes nothing.
    """
    before = returns_of(by).select_for_update(no_key=True, of=("self",)).filter(uuid=uuid).first()
    if before is None:
        raise NotFound("There is no return of yours with this id, so it cannot be changed.")
    after = Return.objects.filter(amends=before).values_list("uuid", flat=True).first()
    if after not in (None, into):
        raise Conflict(
            "You have changed this return before. Open the newer one and change that.", code="amended_before"
        )
    if after is None and before.state == ReturnState.WITHDRAWN:
        raise Conflict("You took this return back, so it cannot be changed. Send a new one.", code="withdrawn")
    return before


def take_the_place(*, before: Return, after: Return, created: bool) -> dict[str, object]:
    """Take back the return that was amended; return what the log says of it. Its tray photo goes on to the new one.

    Raises :class:`Conflict` where ``after`` is a return that was sent for itself.
    """
    if after.amends_id != before.pk:
        raise Conflict(
            "There is already a return with this id that does not change this one. Give the new one an id of its own."
        )
    was = before.state
    if created:
        move_return(before, ReturnState.WITHDRAWN)
        before.save(update_fields=MOVED)
        TrayPhoto.objects.filter(report=before).update(report=after)
    return {"amends": before.pk, "was": str(was)}
