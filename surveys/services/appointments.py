"""Roles: inviting somebody to one, taking it up, calling an invitation back, ending an appointment.

Of the link in an invitation only digests are kept. It works once, for seven days, and for the account of the mail
address that was invited. No event names an address.
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction
from django.utils.translation import gettext

from surveys.errors import Conflict, Fault, Faulty, NotAllowed, NotFound
from surveys.models import Account, Appointment, Invitation, Region
from surveys.permissions import may_appoint, may_appoint_to
from surveys.queries.appointments import digests_of, holds_all, invitations_of, leads, still_open
from surveys.queries.people import mail_is_confirmed
from surveys.services.events import write_event
from surveys.vocabulary import Role

#: How long a link in an invitation works.
VALID_FOR = timedelta(days=7)
#: Random bytes of a link: 256 bits.
_LINK_BYTES = 32
#: The longest mail address that the table holds.
LONGEST_EMAIL = 254


@dataclass(frozen=True, slots=True)
class Invited:
    """An invitation that was written down, and its link, known at this moment only."""

    link: str
    invitations: tuple[Invitation, ...]


def invite(*, by: Account | None, email: str, role: Role, regions: Sequence[str] | None, now: datetime) -> Invited:
    """Invite a mail address to a role: in the regions with these codes, or (None) in all of them.

    ``by`` is None where the operator does it on the machine itself. All faults are refused at once.
    """
    if by is not None and not may_appoint_to(by, role):
        raise NotAllowed(gettext("Only a coordinator of all regions or an operator may invite."))
    email = email.strip().lower()
    with transaction.atomic(durable=True):
        places = _places(role, regions)
        # The database takes no NUL, so what is no address is looked up nowhere.
        faults = _mail_faults(email) or _known_faults(email, role, places, now)
        if faults := [*faults, *_place_faults(role, regions, places)]:
            raise Faulty(gettext("Nobody is invited yet."), faults=tuple(faults))
        link = secrets.token_urlsafe(_LINK_BYTES)
        invitations = [
            Invitation(
                email=email, role=role, region=place, digest=digest, by=by, made_at=now, expires_at=now + VALID_FOR
            )
            for place, digest in zip(places, digests_of(link, len(places)), strict=True)
        ]
        Invitation.objects.bulk_create(invitations)
        write_event(by=by, verb="invited", subject=invitations[0], details=_details(role, places))
    return Invited(link, tuple(invitations))


def call_back_invitation(*, by: Account, invitation: int, now: datetime) -> None:
    """Call an invitation back, and forget its address; doing it twice changes nothing."""
    with transaction.atomic(durable=True):
        found = Invitation.objects.select_for_update(no_key=True).filter(pk=invitation).first()
        if found is None:
            raise NotFound(gettext("There is no such invitation."))
        if not may_appoint_to(by, Role(found.role)):
            raise NotAllowed(gettext("This invitation is not yours to call back."))
        if found.taken_up_at is not None:
            raise Conflict(gettext("This invitation was taken up already. You can end the appointment instead."))
        if found.called_back_at is None:
            found.called_back_at, found.email = now, ""
            found.save(update_fields=["called_back_at", "email"])
            write_event(by=by, verb="invitation called back", subject=found, details={})


def take_up_invitation(*, by: Account, link: str, now: datetime) -> tuple[Invitation, ...]:
    """Take up all that a link invites to; the same account doing it twice changes nothing.

    Raises NotFound for a link that nobody made, NotAllowed for the link of another address, and Conflict for one that
    was used, called back, or is over.
    """
    with transaction.atomic(durable=True):
        found = tuple(invitations_of(link).select_for_update(no_key=True, of=("self",)))
        if not found:
            raise NotFound(gettext("There is no such invitation."))
        standing = [one for one in found if still_open(now).filter(pk=one.pk).exists()]
        if not standing:
            return _taken_before(by, found)
        _refuse_somebody_else(by, standing)
        for one in standing:
            Appointment.objects.get_or_create(account=by, role=one.role, region=one.region)
            one.taken_up_at, one.email = now, ""
            one.save(update_fields=["taken_up_at", "email"])
        role = Role(standing[0].role)
        write_event(
            by=by, verb="invitation taken up", subject=by, details=_details(role, [one.region for one in standing])
        )
    return tuple(standing)


def revoke_appointment(*, by: Account, appointment: int) -> None:
    """End an appointment, from the next request on. Nobody shuts the door behind the last key in their own hand."""
    with transaction.atomic(durable=True):
        # Locked in one order, and looked at after: of two people who end each other's, one comes first.
        leading = list(leads().select_for_update(no_key=True, of=("self",)))
        found = (
            Appointment.objects.select_for_update(no_key=True, of=("self",))
            .select_related("region")
            .filter(pk=appointment)
        )
        ended = found.first()
        if ended is None:
            raise NotFound(gettext("There is no such appointment. Somebody may have ended it."))
        own = [one for one in leading if one.account_id == by.pk]
        if not own or (ended.role == Role.OPERATOR and not any(one.role == Role.OPERATOR for one in own)):
            raise NotAllowed(gettext("This appointment is not yours to end."))
        if own == [ended]:
            raise Conflict(
                gettext("This is what lets you appoint others. Somebody else who may appoint has to end it."),
                code="own_last_lead",
            )
        account, details = ended.account, _details(Role(ended.role), [ended.region])
        ended.delete()
        write_event(by=by, verb="appointment ended", subject=account, details=details)


def _taken_before(by: Account, found: Sequence[Invitation]) -> tuple[Invitation, ...]:
    """Return what this account took up before with the same link; refuse anybody else."""
    taken = [one for one in found if one.taken_up_at is not None]
    if taken and holds_all(by.pk, [(one.role, one.region_id) for one in taken]):
        return tuple(taken)
    raise Conflict(
        gettext("This invitation does not count any more. Ask whoever invited you for a new one."),
        code="invitation_over",
    )


def _refuse_somebody_else(by: Account, standing: Sequence[Invitation]) -> None:
    if any(one.email != by.email for one in standing):
        raise NotAllowed(gettext("This invitation is for another email address. Sign in with that one."))
    if not mail_is_confirmed(by):
        raise Conflict(gettext("Confirm your email address first, then take this up."), code="mail_not_confirmed")
    if any(one.by is not None and not may_appoint(one.by) for one in standing):
        raise Conflict(
            gettext("Whoever invited you may not do so any more. Ask for a new invitation."), code="inviter_gone"
        )


def _places(role: Role, regions: Sequence[str] | None) -> list[Region | None]:
    """Return the regions that are meant; one None stands for all of them. Only coordinators have regions."""
    if regions is None or role != Role.COORDINATOR:
        return [None]
    return list(Region.objects.filter(code__in=regions).order_by("position", "code"))


def _place_faults(role: Role, regions: Sequence[str] | None, places: Sequence[Region | None]) -> list[Fault]:
    if role != Role.COORDINATOR or regions is None:
        return []
    if not regions:
        return [Fault("/regions", "empty", gettext("Choose the regions, or all of them."))]
    if len(places) < len(set(regions)):
        return [Fault("/regions", "unknown_region", gettext("One of these regions is not known here."))]
    return []


def _mail_faults(email: str) -> list[Fault]:
    try:
        validate_email(email)
    except ValidationError:
        sentence = gettext("This does not read like an email address, such as name@example.org.")
        return [Fault("/email", "not_a_mail_address", sentence)]
    if len(email) > LONGEST_EMAIL:
        return [Fault("/email", "mail_address_too_long", gettext("This email address is too long."))]
    return []


def _known_faults(email: str, role: Role, places: Sequence[Region | None], now: datetime) -> list[Fault]:
    """Return a fault for each place in which the address holds the role, or is invited to it, already."""
    held = Appointment.objects.filter(account__email=email, role=role).values_list("region_id", flat=True)
    asked = set(still_open(now).filter(email=email, role=role).values_list("region_id", flat=True))
    faults, held_in = [], set(held)
    for place in places:
        key, name = (place.pk, place.name) if place else (None, gettext("all regions"))
        if key in held_in:
            sentence = gettext("This address holds that role already: %(place)s.")
            faults.append(Fault("/email", "holds_it", sentence % {"place": name}))
        elif key in asked:
            sentence = gettext("This address is invited already: %(place)s. Call that back first.")
            faults.append(Fault("/email", "invited_already", sentence % {"place": name}))
    return faults


def _details(role: Role, places: Sequence[Region | None]) -> dict[str, object]:
    return {"role": role.value, "regions": [place.code if place else "" for place in places]}
