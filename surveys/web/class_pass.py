"""The pass of a class: what a right code gives to a browser.

It is a signed cookie of its own, beside a session that somebody may have: it holds the class's id and the moment
at which the code ends, and lives a little longer than the code, so that a page can say that it is over. Whether
the code is still live, the database says each time.
"""

from __future__ import annotations

import uuid
from datetime import datetime, timedelta
from typing import Any

from django.conf import settings
from django.core import signing
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from surveys.queries.schools import ClassPass, is_trap_code, pass_of_code
from surveys.web.class_tries import TooManyTries, tried

WRONG_CODE = _("This code opens no class. Look at the board once more. It may be over: then ask your teacher.")
TRAP_CODE = _("This is the code of a trap, from the paper. Type the code on the board. Then you choose your trap.")
NO_CODE = _("Type the code that your teacher shows you.")
TOO_MANY = _("Too many wrong codes came from here in this hour. Wait an hour, or ask your teacher to type for you.")
CODE_OVER = _("The code of your class is over. Ask your teacher for a new one.")
#: The name of the box for a code, and its id.
CODE_BOX = "code"
#: The pass outlives its code by so much, only to tell "over" from "never had one".
_AFTERGLOW = timedelta(hours=12)
_SALT = "surveys.class-pass"


def try_code(request: HttpRequest) -> tuple[ClassPass | None, Any, int]:
    """Read the code that was typed: the pass it gives, or what to say and with which status.

    The code of a trap opens nothing here, but it is no guess at the code of a class either: it is not counted as one.
    """
    typed = request.POST.get(CODE_BOX, "").strip()
    if not typed:
        return None, NO_CODE, 422
    try:
        found = tried(request, lambda: pass_of_code(typed, now=timezone.now()) or is_trap_code(typed) or None)
    except TooManyTries:
        return None, TOO_MANY, 429
    return (found, "", 200) if isinstance(found, ClassPass) else (None, TRAP_CODE if found else WRONG_CODE, 422)


def pass_or_code(request: HttpRequest) -> tuple[ClassPass | None, Any, int]:
    """Return the pass of a fresh code if one was typed, otherwise that of the cookie."""
    if request.POST.get(CODE_BOX):
        return try_code(request)
    return pass_in(request), CODE_OVER, 403


def pass_in(request: HttpRequest) -> ClassPass | None:
    """Return the pass that the browser carries, if it is one of ours, be it over or not."""
    try:
        number, until = signing.loads(request.COOKIES.get(_cookie_name(), ""), salt=_SALT)
        return ClassPass(uuid.UUID(number), datetime.fromisoformat(until))
    except (signing.BadSignature, ValueError, TypeError):
        return None


def carrying(response: HttpResponse, ticket: ClassPass) -> HttpResponse:
    """Return the response with a pass in it."""
    response.set_cookie(
        _cookie_name(),
        signing.dumps([ticket.school_class.hex, ticket.expires_at.isoformat()], salt=_SALT),
        expires=ticket.expires_at + _AFTERGLOW,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
    )
    return response


def without_pass(response: HttpResponse) -> HttpResponse:
    """Return the response; it takes the pass away."""
    # Browsers take a cookie named __Host- only when it is secure, also to delete it.
    response.set_cookie(
        _cookie_name(), "", max_age=0, secure=settings.SESSION_COOKIE_SECURE, httponly=True, samesite="Lax"
    )
    return response


def _cookie_name() -> str:
    return f"{settings.SESSION_COOKIE_NAME}-class"
