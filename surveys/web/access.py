"""Who may come to a page: every view is wrapped by :func:`page` and names its rule."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, Protocol, cast
from urllib.parse import quote

from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponseBase
from django.shortcuts import redirect, resolve_url

from surveys.errors import NotAllowed, NotFound
from surveys.permissions import Rule, admits, awaits_second_factor

View = Callable[..., HttpResponseBase]


class Page(Protocol):
    """A view that says for whom it is."""

    rule: Rule

    def __call__(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase: ...


def page(rule: Rule) -> Callable[[View], Page]:
    """Return a decorator: the view answers those whom ``rule`` admits, and carries it as ``rule``.

    Somebody who is not signed in is sent to sign in and comes back, and a coordinator who has not given
    the second factor is sent to give it; a wrong role gets the page for that (403). A view's ``NotFound``
    and ``NotAllowed`` become the pages 404 and 403.
    """

    def guard(view: View) -> Page:
        @wraps(view)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
            if not admits(rule, request.user):
                return _turn_away(request, rule)
            try:
                return view(request, *args, **kwargs)
            except NotFound as refusal:
                raise Http404(refusal.sentence) from refusal
            except NotAllowed as refusal:
                raise PermissionDenied(refusal.sentence) from refusal

        guarded.rule = rule  # type: ignore[attr-defined]
        return cast(Page, guarded)

    return guard


def _turn_away(request: HttpRequest, rule: Rule) -> HttpResponseBase:
    # A form that was posted is gone by now: come back to the page, not to its POST.
    if awaits_second_factor(rule, request.user):
        return redirect(f"{resolve_url('second-factor')}?next={quote(request.get_full_path())}")
    if request.user.is_authenticated:
        raise PermissionDenied
    return redirect_to_login(request.get_full_path(), resolve_url("sign-in"))
