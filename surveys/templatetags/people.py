"""A line on every page that asks somebody to confirm the mail address."""

from __future__ import annotations

from typing import Any

from django import template
from django.http import HttpRequest

from surveys.web.noted import UNCONFIRMED

register = template.Library()


@register.inclusion_tag("account/confirm_line.html", takes_context=True)
def confirm_line(context: template.Context) -> dict[str, Any]:
    """Ask for the confirmation, where it is missing. No query: the sign-in has noted it in the session.

    A page that is made for nobody in particular, to be kept on a phone, asks nobody.
    """
    request: HttpRequest | None = context.get("request")
    asks = request is not None and request.user.is_authenticated and bool(request.session.get(UNCONFIRMED))
    return {"asks": asks}
