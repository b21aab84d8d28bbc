"""Who is asking: a bearer token, and nothing else. Cookies open pages, never the API."""

from __future__ import annotations

from typing import Any

from django.db import DataError
from django.utils import timezone
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from knox.auth import TokenAuthentication
from knox.crypto import hash_token
from rest_framework.exceptions import AuthenticationFailed

from surveys.queries.tokens import token_by_digest
from surveys.services.tokens import note_use


class BearerToken(TokenAuthentication):  # type: ignore[misc]
    """``Authorization: Bearer <token>``. Only a digest of the token is stored."""

    def authenticate(self, request: Any) -> Any:
        try:
            found = super().authenticate(request)
        except (AuthenticationFailed, UnicodeError, DataError) as fault:  # no text of a header, or a NUL inside
            raise AuthenticationFailed(
                "This token is not known, or has run out. Get a new one at /api/v1/tokens."
            ) from fault
        if found is not None:
            found[0].came_by_token = True  # permissions ask: such a visitor has no session that remembers a code
            note_use(token=found[1])
        return found

    def authenticate_credentials(self, token: bytes) -> tuple[Any, Any]:
        """Return account and token. One that has run out is deleted; others are left to the nightly sweep.

        It is found by its digest, of which nobody can guess a part: sha512 of 256 random bits.
        """
        found = token_by_digest(hash_token(token.decode()))
        if found is None:
            raise AuthenticationFailed
        if found.expiry is not None and found.expiry < timezone.now():
            found.delete()
            raise AuthenticationFailed
        account, known = self.validate_user(found)
        return account, known


class BearerTokenScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    """How the OpenAPI description names it."""

    target_class = "api.authentication.BearerToken"
    name = "token"

    def get_security_definition(self, auto_schema: Any) -> dict[str, str]:
        return {"type": "http", "scheme": "bearer"}
