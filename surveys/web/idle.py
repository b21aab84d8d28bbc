"""How long a session remembers the second factor: while somebody works, and an hour longer."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.utils.functional import SimpleLazyObject
from django_otp import DEVICE_ID_SESSION_KEY

#: Kept in the session: when it was last used since the factor was given, in seconds since 1970.
USED_AT = "second_factor_used_at"
#: The moment is written down no oftener than this, so that not every page costs a write.
NOTED_EVERY_S = 60


class IdleSecondFactor:
    """Forget the factor of a session that was idle for too long. Stands before the middleware of django-otp.

    It works only when a page asks who is there, so a session is never read for nothing.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        user = request.user
        request.user = SimpleLazyObject(lambda: _looked_at(request, user))  # type: ignore[assignment]
        return self.get_response(request)


def _looked_at(request: HttpRequest, user: Any) -> Any:
    if DEVICE_ID_SESSION_KEY in request.session:
        idle_s = time.time() - request.session.get(USED_AT, 0)
        if idle_s > settings.SECOND_FACTOR_IDLE_S:
            del request.session[DEVICE_ID_SESSION_KEY]
        elif idle_s > NOTED_EVERY_S:
            request.session[USED_AT] = int(time.time())
    return user
