"""Tokens of scripts: made for some uses and some days, shown once, given up. Only a digest is kept."""

from __future__ import annotations

import logging
from collections.abc import Collection
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from django.db import InternalError, OperationalError, transaction
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext
from knox.settings import knox_settings

from surveys.errors import Fault, Faulty, NotFound
from surveys.models import Account, Token
from surveys.permissions import scopes_open_to
from surveys.queries.outages import FULL, READ_ONLY, outage_of
from surveys.services.events import write_event
from surveys.vocabulary import TokenScope

log = logging.getLogger(__name__)

#: How long a token lasts where nobody says: as long as the shortest notice of a change to the API. Own choice.
USUAL_DAYS, MOST_DAYS = 90, 365
NAME_LETTERS = 80
#: The moment of the last use is written down once in so long: often enough to see which token is idle.
USE_STEP = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class MadeToken:
    """A token that was just made: what is kept of it, and the token itself, which is shown this once."""

    kept: Token
    secret: str


def make_token(
    *, by: Account, name: str = "", scopes: Collection[TokenScope] | None = None, days: int = USUAL_DAYS
) -> MadeToken:
    """Make a token of an account for ``scopes``, or for all that the account may use.

    Past the account's share (settings, REST_KNOX) the oldest gives way: a script that fetches one each night is never
    locked out, and its old ones do not pile up. Raises Faulty for a use, a name or a number of days that cannot be.
    """
    wanted = _wanted(by, scopes)
    kept_name = " ".join("".join(sign if sign.isprintable() else " " for sign in name).split())
    faults = [*_scope_faults(by, wanted), *_name_faults(kept_name), *_day_faults(days)]
    if faults:
        raise Faulty(gettext("No token was made yet."), faults=tuple(faults))
    with transaction.atomic(durable=True):
        made, secret = Token.objects.create(
            user=by, expiry=timedelta(days=days), name=kept_name, scopes=[one.value for one in wanted]
        )
        newest = Token.objects.filter(user=by).order_by("-created", "-digest").values("pk")
        Token.objects.filter(user=by).exclude(pk__in=newest[: knox_settings.TOKEN_LIMIT_PER_USER]).delete()
        write_event(by=by, verb="token made", subject=by, details={"scopes": list(made.scopes), "days": days})
    return MadeToken(made, secret)


def end_token(*, by: Account, key: str) -> None:
    """End one token of an account, by the beginning that names it."""
    with transaction.atomic(durable=True):
        ended, _ = Token.objects.filter(user=by, token_key=key).delete()
        if not ended:
            raise NotFound(gettext("You have no token that begins like this. It may have run out or been ended."))
        write_event(by=by, verb="token ended", subject=by, details={})


def note_use(*, token: Token) -> None:
    """Note that a token was used; once an hour is enough. It has no line in the log: each use would be one.

    A database that takes nothing in is no reason to refuse a reader.
    """
    now = timezone.now()
    if token.last_used_at is not None and token.last_used_at > now - USE_STEP:
        return
    stale = Q(last_used_at__isnull=True) | Q(last_used_at__lte=now - USE_STEP)
    try:
        Token.objects.filter(stale, pk=token.pk).update(last_used_at=now)
    except (InternalError, OperationalError) as fault:
        if outage_of(fault) not in (FULL, READ_ONLY):
            raise
        log.warning("the database takes nothing in: the use of a token goes unnoted")


def _wanted(by: Account, scopes: Collection[TokenScope] | None) -> list[TokenScope]:
    given = scopes_open_to(by) if scopes is None else scopes
    return [one for one in TokenScope if one in given]


def _scope_faults(by: Account, wanted: list[TokenScope]) -> list[Fault]:
    if not wanted:
        return [Fault("/scopes", "no_scope", gettext("Choose at least one use for the token."))]
    allowed = scopes_open_to(by)
    return [
        Fault(
            "/scopes",
            "scope_not_yours",
            gettext("Your account may not use {scope!r}. It may use: {allowed}.").format(
                scope=one.value, allowed=", ".join(allowed)
            ),
        )
        for one in wanted
        if one not in allowed
    ]


def _name_faults(name: str) -> list[Fault]:
    if len(name) <= NAME_LETTERS:
        return []
    sentence = gettext("The name has {found} letters, and at most {most} are kept. Shorten it.")
    return [Fault("/name", "too_long", sentence.format(found=len(name), most=NAME_LETTERS))]


def _day_faults(days: Any) -> list[Fault]:
    if isinstance(days, int) and 1 <= days <= MOST_DAYS:
        return []
    sentence = gettext("A token lasts 1 to {most} days. Type a number in between.")
    return [Fault("/days", "out_of_range", sentence.format(most=MOST_DAYS))]
