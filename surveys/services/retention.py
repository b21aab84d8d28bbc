"""How long things are kept: each rule is one function of a moment, and each run does what is due by then.

A rule that finds nothing to do writes nothing. Terms are those of ``surveys/data_register.py``.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from allauth.account.models import EmailAddress
from django.contrib.sessions.models import Session
from django.db import transaction
from django.db.models import F, OuterRef, QuerySet, Subquery
from django.db.models.functions import Greatest
from knox.models import get_token_model

from surveys.models import Account, Draft, Invitation, KeptAnswer, Lease, Opening, Return, Sheet
from surveys.services.erasure import erase_account
from surveys.services.events import write_event
from surveys.services.exports import drop_old_exports
from surveys.services.letters import write_letter
from surveys.services.row_locks import lock_in_order
from surveys.vocabulary import LetterKind, SheetState

DRAFTS = timedelta(days=90)  # standards notes C16
DORMANT = timedelta(days=730)  # standards notes C16: 24 months
NOTICE = timedelta(days=30)
SHEETS = timedelta(days=1)
#: An address that nobody confirmed may be a stranger's: an account under it that holds nothing goes after this.
UNCONFIRMED = timedelta(days=30)
#: A program that sends again after so long sends a return that is known by its own id.
KEPT_ANSWERS = timedelta(days=30)
TOO_OLD = "This sheet is older than a day, so it was emptied. Send it once more."


def keep_house(*, now: datetime) -> dict[str, int]:
    """Do everything that is due; return how many rows each rule was about."""
    return {
        "drafts dropped": drop_old_drafts(now=now),
        "sheets emptied": empty_old_sheets(now=now),
        "kept answers dropped": drop_old_answers(now=now),
        "sessions and tokens dropped": drop_ended_sessions(now=now),
        "invitations forgotten": forget_old_invitations(now=now),
        "leases dropped": drop_ended_leases(now=now),
        "exports dropped": drop_old_exports(now=now),
        "accounts woken": wake_accounts(now=now),
        "dormant accounts told": tell_dormant_accounts(now=now),
        "dormant accounts erased": erase_dormant_accounts(now=now),
        "unconfirmed accounts erased": erase_unconfirmed_accounts(now=now),
    }


def drop_old_drafts(*, now: datetime) -> int:
    """Drop drafts that were not touched for 90 days."""
    with transaction.atomic(durable=True):
        dropped = Draft.objects.filter(saved_at__lt=now - DRAFTS).delete()[0]
        return _log("old drafts dropped", dropped)


def empty_old_sheets(*, now: datetime) -> int:
    """Empty spreadsheets that came more than a day ago; one that was not taken in yet says so."""
    with transaction.atomic(durable=True):
        old = Sheet.objects.filter(received_at__lt=now - SHEETS).exclude(
            content=None, marked=None, name="", faults=[], ready=[]
        )
        ids = lock_in_order(old)
        sheets = Sheet.objects.filter(pk__in=ids)
        sheets.filter(state__in=[SheetState.WAITING, SheetState.READ]).update(state=SheetState.REFUSED, refusal=TOO_OLD)
        sheets.update(content=None, marked=None, name="", faults=[], ready=[])
        return _log("old sheets emptied", len(ids))


def drop_old_answers(*, now: datetime) -> int:
    """Drop the kept answers of idempotency keys after a month."""
    with transaction.atomic(durable=True):
        return _log("old answers dropped", KeptAnswer.objects.filter(kept_at__lt=now - KEPT_ANSWERS).delete()[0])


def drop_ended_sessions(*, now: datetime) -> int:
    """Drop sessions and tokens that ran out."""
    with transaction.atomic(durable=True):
        sessions = Session.objects.filter(expire_date__lt=now).delete()[0]
        tokens = get_token_model().objects.filter(expiry__lt=now).delete()[0]
        return _log("ended sessions dropped", sessions + tokens)


def drop_ended_leases(*, now: datetime) -> int:
    """Drop the notes of who read which return, once they are over. They never had a line in the log."""
    with transaction.atomic(durable=True):
        return int(Lease.objects.filter(until__lte=now).delete()[0])


def forget_old_invitations(*, now: datetime) -> int:
    """Forget the mail address of each invitation that nobody took up in its seven days."""
    with transaction.atomic(durable=True):
        over = Invitation.objects.filter(expires_at__lte=now).exclude(email="")
        return _log("old invitations forgotten", over.update(email=""))


def wake_accounts(*, now: datetime) -> int:
    """Forget the notice to an account that was used since."""
    with transaction.atomic(durable=True):
        used = _with_last_use().filter(dormancy_told_at__isnull=False, last_use__gt=F("dormancy_told_at"))
        woken = Account.objects.filter(pk__in=list(used.values_list("pk", flat=True))).update(dormancy_told_at=None)
        return _log("accounts woken", woken)


def tell_dormant_accounts(*, now: datetime) -> int:
    """Write to each account that was not used for 24 months, once. Who holds a role is left alone."""
    dormant = _with_last_use().filter(dormancy_told_at__isnull=True, last_use__lt=now - DORMANT, appointments=None)
    told = 0
    for pk in list(dormant.values_list("pk", flat=True)):
        with transaction.atomic(durable=True):
            account = (
                Account.objects.select_for_update(no_key=True).filter(pk=pk, dormancy_told_at__isnull=True).first()
            )
            if account is None:
                continue
            account.dormancy_told_at = now
            account.save(update_fields=["dormancy_told_at"])
            write_letter(
                account=account,
                kind=LetterKind.DORMANT,
                key=f"dormant:{account.ledger_id}:{now:%Y-%m-%d}",
                due_at=now,
                context={"path": "/sign-in", "erased_on": (now + NOTICE).date().isoformat()},
            )
            write_event(by=None, verb="dormant account told", subject=account, details={})
            told += 1
    return told


def erase_dormant_accounts(*, now: datetime) -> int:
    """Erase each account that was told 30 days ago and was not used since."""
    due = _with_last_use().filter(
        dormancy_told_at__lte=now - NOTICE, last_use__lte=F("dormancy_told_at"), appointments=None
    )
    return _erase_all(due)


def erase_unconfirmed_accounts(*, now: datetime) -> int:
    """Erase accounts under an address that nobody confirmed in 30 days, where nothing hangs on them."""
    unconfirmed = EmailAddress.objects.filter(verified=False, primary=True).values("user_id")
    return _erase_all(
        _with_last_use().filter(
            pk__in=unconfirmed,
            last_use__lt=now - UNCONFIRMED,
            appointments=None,
            households__sites=None,
            returns=None,
        )
    )


def _with_last_use() -> QuerySet[Any]:
    """Return accounts with the moment at which each was last used: signed in, set a trap, or sent a return."""
    returns = Return.objects.filter(sender=OuterRef("pk")).order_by("-received_at").values("received_at")[:1]
    openings = Opening.objects.filter(by=OuterRef("pk")).order_by("-received_at").values("received_at")[:1]
    # PostgreSQL's greatest() passes over what is NULL.
    last_use = Greatest("created_at", "last_login", Subquery(returns), Subquery(openings))
    return Account.objects.annotate(last_use=last_use)


def _erase_all(due: QuerySet[Any]) -> int:
    accounts = list(due.distinct())
    for account in accounts:
        erase_account(account=account, by=None)
    return len(accounts)


def _log(verb: str, rows: int) -> int:
    if rows:
        write_event(by=None, verb=verb, details={"rows": rows})
    return rows
