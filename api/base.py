"""What all resources share: a rule, known query parameters, and the rate limit in every answer."""

from __future__ import annotations

from typing import Any

from rest_framework.exceptions import ErrorDetail, ValidationError
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from api.throttling import rate_limit_headers


class Resource(APIView):
    """A resource of the API. Each one names its rule in ``permission_classes``."""

    #: Query parameters that the resource knows; any other is refused.
    query_parameters: tuple[str, ...] = ()
    #: Whether writing here needs an Idempotency-Key.
    needs_key = False
    #: Whether writing here needs If-Match.
    needs_match = False

    def perform_authentication(self, request: Request) -> None:
        """Ask who sends the request and count it: one that is refused counts too, or tokens could be guessed freely."""
        try:
            super().perform_authentication(request)
        finally:
            super().check_throttles(request)

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
