"""What all resources share: a rule, known query parameters, and the rate limit in every answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rest_framework.exceptions import ErrorDetail, PermissionDenied, ValidationError
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from api.permissions import rule
from api.throttling import rate_limit_headers
from surveys.errors import ScopeNeeded
from surveys.permissions import Rule
from surveys.vocabulary import TokenScope


class Resource(APIView):
    """A resource of the API. Each one names its rule in ``permission_classes``, and its ``scope``.

    A resource without a scope says so with None; one that says nothing lets nobody in.
    """

    #: What a token must be made for to come here; None where any token does, or none is needed.
    scope: TokenScope | None
    #: Methods for which another rule holds than that of ``permission_classes``.
    rule_of_method: Mapping[str, Rule] = {}
    #: Query parameters that the resource knows; any other is refused.
    query_parameters: tuple[str, ...] = ()
    #: Whether writing here needs an Idempotency-Key.
    needs_key = False
    #: Whether writing here needs If-Match.
    needs_match = False
    #: Codes of problems, by method, that an operation can answer with and that do not follow from its kind.
    also_refuses: Mapping[str, Sequence[str]] = {}

    def perform_authentication(self, request: Request) -> None:
        """Ask who sends the request and count it: one that is refused counts too, or tokens could be guessed freely."""
        try:
            super().perform_authentication(request)
        finally:
            super().check_throttles(request)

    def get_permissions(self) -> list[Any]:
        """Return the rule of the method that is asked for, of the resource where that has none of its own."""
        of_method = self.rule_of_method.get(str(getattr(self.request, "method", "")))
        return [rule(of_method)()] if of_method else list(super().get_permissions())

    def check_permissions(self, request: Request) -> None:
        """Ask the rule first: whether the account may come here at all. Then whether this token is for it."""
        super().check_permissions(request)
        if not hasattr(self, "scope"):
            raise PermissionDenied
        scope = self.scope
        if scope is not None and scope not in getattr(request.auth, "scopes", ()):
            raise ScopeNeeded(
                f"This token is for other uses. Make one with the scope {scope.value!r}, which is for {scope.label}."
            )

    def check_throttles(self, request: Request) -> None:
        """Nothing more: the request was counted when it was asked who sends it."""

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        unknown = [name for name in request.query_params if name not in self.query_parameters]
        if unknown:
            known = ", ".join(self.query_parameters) or "none"
            raise ValidationError(
                {
                    name: [
                        ErrorDetail(
                            f"This address does not know the parameter {name!r}. It knows: {known}.",
                            "unknown_parameter",
                        )
                    ]
                    for name in unknown
                }
            )

    def finalize_response(self, request: Request, response: Any, *args: Any, **kwargs: Any) -> Response:
        answer: Response = super().finalize_response(request, response, *args, **kwargs)
        for name, value in rate_limit_headers(request).items():
            answer[name] = value
        return answer
