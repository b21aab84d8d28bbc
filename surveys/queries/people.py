"""What is known of a person: their mail address, their consent, their sessions."""

from __future__ import annotations

import json
from collections.abc import Iterator
from uuid import UUID

from allauth.account.models import EmailAddress
from django.contrib.sessions.models import Session
from django.db.models import Q, QuerySet

from surveys.errors import NotFound
from surveys.models import Account, Consent, Erasure, Opening, Season
from surveys.permissions import traps_of
from surveys.vocabulary import Licence, SeasonState


def mail_is_confirmed(account: Account) -> bool:
    """Say whether the account's mail address was confirmed. One query."""
    return bool(EmailAddress.objects.filter(user_id=account.pk, email=account.email, verified=True).exists())


def account_by_mail(email: str) -> Account:
    """Return the account of a mail address. One query. Raises NotFound."""
    found = Account.objects.filter(email=email.strip().lower()).first()
    if found is None:
        raise NotFound(f"There is no account with the email address {email!r}.")
    return found


def licence_asked() -> Licence:
    """Return the licence that people agree to now: that of the newest open season, else CC BY 4.0. One query."""
    season = Season.objects.filter(state=SeasonState.OPEN).order_by("-opens_on", "-pk").first()
    return Licence(season.licence) if season else Licence.CC_BY_4


def consent_of(account: Account) -> Consent | None:
    """Return the agreement of an account that is in force. One query."""
    return account.consents.filter(withdrawn_at__isnull=True).order_by("-given_at").first()


def accounts_with_consent(licence: Licence) -> QuerySet[Account]:
    """Return the accounts whose returns may be published under ``licence``."""
    agreed = Consent.objects.filter(withdrawn_at__isnull=True, licence=licence)
    return Account.objects.filter(pk__in=agreed.values("account_id"))


def agreed_to(licence: Licence) -> Q:
    """Return the condition for returns that may be published under ``licence``.

    Their household's keeper agrees to it now, or has erased the account: what an erased account had not agreed to was
    withdrawn in that moment.
    """
    keeper = "trap__site__household__keeper"
    return Q(**{f"{keeper}__in": accounts_with_consent(licence)}) | Q(**{f"{keeper}__isnull": True})


def sessions_of(account: Account) -> Iterator[str]:
    """Yield the keys of the sessions that hold something of an account: its sign-in, or its mail address.

    One query; every session is opened, as what is inside is packed.
    """
    address = json.dumps(account.email)
    for session in Session.objects.iterator(chunk_size=1000):
        inside = session.get_decoded()
        if inside.get("_auth_user_id") == str(account.pk) or address in json.dumps(inside, default=str):
            yield session.session_key


def erased_ledger_ids() -> list[UUID]:
    """Return the random ids of all accounts that were erased, oldest first. One query."""
    return list(Erasure.objects.order_by("pk").values_list("ledger_id", flat=True))


def open_traps(account: Account) -> int:
    """Return how many traps of an account are open at this moment. One query."""
    return Opening.objects.filter(trap__in=traps_of(account), ended_at__isnull=True).count()
