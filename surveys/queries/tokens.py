"""One's own tokens: what is kept of them, never the tokens themselves."""

from __future__ import annotations

from functools import cache

from django.db.models import QuerySet
from django.utils import timezone

from surveys.models import Account, Token
from surveys.queries.standing_statements import Part, prepared_cursor

_TOKEN, _ACCOUNT = Part(Token, "token"), Part(Account, "account")


def tokens_of(account: Account) -> QuerySet[Token]:
    """Return an account's tokens that have not run out, newest first. One query."""
    kept: QuerySet[Token] = Token.objects.filter(user=account, expiry__gt=timezone.now())
    return kept.order_by("-created", "digest")


def token_by_digest(digest: str) -> Token | None:
    """Return the token with this digest and its account, run out or not; None where there is none. One query."""
    with prepared_cursor() as cursor:
        cursor.execute(_by_digest(), [digest])
        row = cursor.fetchone()
    if row is None:
        return None
    values = iter(row)
    token: Token = _TOKEN.take(values)
    token.user = _ACCOUNT.take(values)
    return token


@cache
def _by_digest() -> str:
    return (
        f"SELECT {_TOKEN.columns}, {_ACCOUNT.columns} FROM surveys_token token"  # noqa: S608  # names of columns
        " JOIN surveys_account account ON account.id = token.user_id WHERE token.digest = %s"
    )
