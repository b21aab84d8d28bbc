"""One's own tokens: what is kept of them, never the tokens themselves."""

from __future__ import annotations

from django.db.models import QuerySet
from django.utils import timezone

from surveys.models import Account, Token


def tokens_of(account: Account) -> QuerySet[Token]:
    """Return an account's tokens that have not run out, newest first. One query."""
    kept: QuerySet[Token] = Token.objects.filter(user=account, expiry__gt=timezone.now())
    return kept.order_by("-created", "digest")
