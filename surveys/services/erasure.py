"""Erasing an account: everything that points to a person goes, in one transaction.

What was counted stays, without any link: no sender, no keeper, no name, no point finer than the grid cell. Where no
agreement is in force, the returns are withdrawn too, so that they enter nothing more. Releases are not touched: they
hold nothing personal. Data for it: ``surveys/data_register.py``.
"""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from uuid import UUID

from allauth.account.models import EmailAddress
from django.contrib.sessions.models import Session
from django.db import transaction
from django.db.models import F, Q, QuerySet
from django.db.models.functions import Greatest
from django.utils import timezone
from django_otp.plugins.otp_static.models import StaticDevice
from django_otp.plugins.otp_totp.models import TOTPDevice
from knox.models import get_token_model
from shapely import make_valid
from shapely.geometry import Point, shape

from surveys.errors import NotAllowed
from surveys.methods.garden_squares import frame_of
from surveys.methods.geography import snap_to_cell
from surveys.models import (
    Account,
    Draft,
    Erasure,
    Household,
    Invitation,
    Job,
    KeptAnswer,
    Letter,
    Opening,
    Query,
    Question,
    Return,
    SchoolClass,
    Sheet,
    Site,
    SitePoint,
    Trap,
    TrayPhoto,
    Undo,
    Verdict,
)
from surveys.permissions import roles_of
from surveys.queries.people import consent_of, sessions_of
from surveys.services.events import hold_log, write_event
from surveys.services.row_locks import lock_in_order
from surveys.services.worked import MOVED, move_return, save_together
from surveys.vocabulary import Ending, QueryReason, ReturnState, Role

#: Reasons whose sentence and evidence speak of counts, dates and codes only. Every other reason may quote a note or
#: give a point, so its words are replaced by those of the reason.
TRACELESS = frozenset(
    {
        QueryReason.PROTOCOL_HOLD, QueryReason.DATE_OFF_BY_DAYS, QueryReason.TWELVE_HOURS_OFF,
        QueryReason.DAY_MONTH_SWAPPED, QueryReason.IN_THE_FUTURE, QueryReason.SENT_TWICE, QueryReason.SAME_AS_SIBLING,
        QueryReason.SAME_ELSEWHERE, QueryReason.COPIED_FROM_EARLIER, QueryReason.TRAPS_POOLED,
        QueryReason.LOST_TRAP_ZEROS, QueryReason.ROW_SLIP, QueryReason.IMPOSSIBLE_COUNT, QueryReason.TEN_TIMES,
        QueryReason.LOOK_ALIKES, QueryReason.WRONG_HABITAT, QueryReason.SMALL_MISSED, QueryReason.UNUSUALLY_MANY,
        QueryReason.NOT_SCREENED, QueryReason.SECOND_LOOK,
    }
)  # fmt: skip


def erase_account(*, account: Account, by: Account | None) -> None:
    """Erase an account for ever; erasing it twice changes nothing.

    ``by`` is its holder, an operator, or None where a rule of the house asks for it. Raises NotAllowed for others.
    """
    if by is not None and by.pk != account.pk and Role.OPERATOR not in roles_of(by):
        raise NotAllowed("Only its holder or an operator may erase an account.")
    with transaction.atomic(durable=True):
        locked = Account.objects.select_for_update(no_key=True).filter(pk=account.pk).first()
        if locked is None:
            return
        _hold_places(locked)
        _erase(locked)
        # Who stores a return holds the log, and asks for its sender at the end: so the log comes first here, too.
        hold_log()
        # Drafts, consents, appointments go with it; senders and keepers become nobody.
        locked.delete()
        Erasure.objects.get_or_create(ledger_id=locked.ledger_id)
        # The holder's number stands in the log already, and from now on leads to nobody.
        actor = by if by is not None and by.pk != account.pk else None
        write_event(by=actor, verb="account erased", details={"ledger": str(locked.ledger_id)})


def replay_erasures(*, ledger: Iterable[UUID] = ()) -> int:
    """Erase again what a backup brought back; return how many accounts that were.

    ``ledger`` holds ids that were noted after the backup was made: they are added to the ledger of the database.
    """
    known = set(Erasure.objects.values_list("ledger_id", flat=True))
    wanted = known | set(ledger)
    found = list(Account.objects.filter(ledger_id__in=wanted))
    for account in found:
        erase_account(account=account, by=None)
    with transaction.atomic(durable=True):
        noted = set(Erasure.objects.values_list("ledger_id", flat=True))
        missing = [Erasure(ledger_id=one) for one in sorted(wanted - noted)]
        Erasure.objects.bulk_create(missing, ignore_conflicts=True)
        if found or missing:
            write_event(by=None, verb="erasures replayed", details={"erased": len(found), "noted": len(missing)})
    return len(found)


def _erase(account: Account) -> None:
    households = Household.objects.filter(keeper=account)
    traps = Trap.objects.filter(site__household__in=households)
    returns = Return.objects.filter(Q(trap__in=traps) | Q(sender=account))
    if consent_of(account) is None:
        _withdraw(returns)
    _empty_returns(returns)
    _empty_traps(traps)
    _empty_households(households)
    _close_doors(account)
    Draft.objects.filter(keeper=account).delete()
    Letter.objects.filter(account=account).delete()
    KeptAnswer.objects.filter(account=account).delete()
    # Exports go with their jobs; their files hold nothing of the account, and are swept up within a day.
    Job.objects.filter(export__by=account).delete()


def _hold_places(account: Account) -> None:
    """Hold households, sites and traps to the end, so that none comes, and nothing on them, while all is forgotten."""
    for places in (
        Household.objects.filter(keeper=account),
        Site.objects.filter(household__keeper=account),
        Trap.objects.filter(site__household__keeper=account),
    ):
        lock_in_order(places)


def _withdraw(returns: QuerySet[Return]) -> None:
    """Withdraw what was never agreed to, or not any more: it must not count once nobody can say no."""
    waiting = list(
        returns.exclude(state=ReturnState.WITHDRAWN).select_for_update(no_key=True, of=("self",)).order_by("pk")
    )
    for report in waiting:
        move_return(report, ReturnState.WITHDRAWN)
    save_together(waiting, MOVED)


def _empty_returns(returns: QuerySet[Return]) -> None:
    """Take every word that somebody typed, and every photo, out of returns and out of what was written about them."""
    # Held until all is over: a photo that is on its way finds its sender gone, or is here before they are emptied.
    ids = lock_in_order(returns)
    TrayPhoto.objects.filter(report__in=ids).delete()
    Return.objects.filter(pk__in=ids).exclude(note="").update(note="")
    Question.objects.filter(report__in=ids).delete()
    Verdict.objects.filter(report__in=ids).exclude(note="").update(note="")
    Undo.objects.filter(verdict__report__in=ids).exclude(note="").update(note="")
    for query in Query.objects.filter(report__in=ids).exclude(reason__in=TRACELESS):
        words = QueryReason(query.reason).label.capitalize() + "."
        query.sentence = query.gentle_sentence = words
        query.evidence = {"check": query.evidence["check"]} if "check" in query.evidence else {}
        query.save(update_fields=["sentence", "gentle_sentence", "evidence"])


def _empty_traps(traps: QuerySet[Trap]) -> None:
    """Close what is open, and forget where on the ground the traps stand and who was written to about them."""
    ids = list(traps.values_list("pk", flat=True))
    openings = Opening.objects.filter(trap__in=ids)
    Letter.objects.filter(opening__in=openings).delete()
    Draft.objects.filter(Q(trap__in=ids) | Q(opening__in=openings)).delete()
    openings.filter(ended_at__isnull=True).update(
        ended_at=Greatest(F("set_at"), timezone.now()), ending=Ending.CALLED_OFF
    )
    Trap.objects.filter(pk__in=ids).exclude(plan_square="").update(plan_square="")


def _empty_households(households: QuerySet[Household]) -> None:
    """Forget names, classes and spreadsheets; a site is known by its grid cell and by nothing finer."""
    ids = list(households.values_list("pk", flat=True))
    SchoolClass.objects.filter(household__in=ids).delete()
    sheets = Sheet.objects.filter(household__in=ids)
    jobs = list(sheets.exclude(job=None).values_list("job_id", flat=True))
    sheets.delete()
    Job.objects.filter(pk__in=jobs).delete()
    for point in SitePoint.objects.filter(site__household__in=ids).select_related("site__region"):
        # Screening reads a place from this table: it finds the middle of the cell, which everybody may know.
        point.latitude, point.longitude = _middle_of_cell(point.site)
        point.kept_to_m = 2 * point.site.cell_uncertainty_m
        point.save()
    for household in Household.objects.filter(pk__in=ids):
        household.keeper, household.alias = None, f"Erased {secrets.token_hex(8)}"
        household.save(update_fields=["keeper", "alias"])


def _middle_of_cell(site: Site) -> tuple[float, float]:
    """Return the middle of a site's public cell, or of its part inside the region where that lies outside.

    Both depend on the cell and the region only, so nothing of the garden is left in it.
    """
    north, east = site.cell_latitude, site.cell_longitude
    region = make_valid(shape(site.region.boundary))
    inside = region.intersection(frame_of(snap_to_cell(north, east)))
    if inside.is_empty or region.covers(Point(east, north)):
        return north, east
    middle = inside.representative_point()
    return round(middle.y, 6), round(middle.x, 6)


def _close_doors(account: Account) -> None:
    """End sessions, tokens, second factor and open invitations, and forget the mail address."""
    invitations = Invitation.objects.filter(Q(email=account.email) | Q(by=account), taken_up_at__isnull=True)
    invitations.filter(called_back_at__isnull=True).update(called_back_at=timezone.now())
    invitations.update(email="")
    TOTPDevice.objects.filter(user_id=account.pk).delete()
    StaticDevice.objects.filter(user_id=account.pk).delete()
    Session.objects.filter(session_key__in=list(sessions_of(account))).delete()
    get_token_model().objects.filter(user=account).delete()
    EmailAddress.objects.filter(Q(user_id=account.pk) | Q(email__iexact=account.email)).delete()
