"""Answering an idempotency key once: the answer is kept in the transaction that earns it.

A service that writes on behalf of a request takes a :class:`Once`, calls :meth:`Once.claim` first
and :meth:`Once.keep` last, both inside its own transaction. So either the work is done *and* the
answer kept, or neither.

Source of the behaviour: draft-ietf-httpapi-idempotency-key-header, sections 2.6 and 2.7.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from typing import Any

from surveys.errors import KeyReused, StillRunning
from surveys.models import Account
from surveys.queries.standing_statements import prepared_cursor


@dataclass(frozen=True, slots=True)
class Kept:
    """An answer: its HTTP status and body, and whether it was given before."""

    status: int
    body: Any
    before: bool = False


@dataclass(frozen=True, slots=True)
class Once:
    """One idempotency key of one account on one route, with the fingerprint of its request."""

    account: Account
    route: str
    key: str
    fingerprint: str

    def claim(self) -> Kept | None:
        """Return the kept answer, or None when this request is the first: then it holds the key.

        Raises :class:`KeyReused` for another request under the same key and :class:`StillRunning`
        while the first one has not finished.
        """
        if not self._lock():
            raise StillRunning("This request is being worked on at this moment. Send it again in a few seconds.")
        with prepared_cursor() as cursor:
            cursor.execute(
                "SELECT fingerprint, status, body::text FROM surveys_keptanswer"
                " WHERE account_id = %s AND route = %s AND key = %s",
                [self.account.pk, self.route, self.key],
            )
            kept = cursor.fetchone()
        if kept is None:
            return None
        fingerprint, status, body = kept
        if fingerprint != self.fingerprint:
            raise KeyReused(
                "This Idempotency-Key was used before for a different request. "
                "Use a new key for each new request, and the same key only to send the same one again."
            )
        return Kept(status, json.loads(body), before=True)

    def keep(self, status: int, body: Any) -> None:
        """Keep the answer for everybody who asks again with this key."""
        with prepared_cursor() as cursor:
            cursor.execute(
                "INSERT INTO surveys_keptanswer (account_id, route, key, fingerprint, status, body, kept_at)"
                " VALUES (%s, %s, %s, %s, %s, %s::jsonb, now())",
                [self.account.pk, self.route, self.key, self.fingerprint, status, json.dumps(body)],
            )

    @property
    def lock_number(self) -> int:
        """The number of the advisory lock that whoever works on this key holds."""
        name = f"{self.account.pk}/{self.route}/{self.key}".encode()
        return int.from_bytes(hashlib.sha256(name).digest()[:8], "big", signed=True)

    def _lock(self) -> bool:
        with prepared_cursor() as cursor:
            cursor.execute("SELECT pg_try_advisory_xact_lock(%s::bigint)", [self.lock_number])
            row = cursor.fetchone()
        return bool(row and row[0])
