"""Tokens: get one for a script, and give it up again."""

from __future__ import annotations

from typing import Any

from django.contrib.auth import authenticate
from drf_spectacular.utils import extend_schema
from knox.models import get_token_model
from knox.settings import knox_settings
from rest_framework import serializers
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request
from rest_framework.response import Response

from api.base import Resource
from api.fields import ShortText, StrictSerializer
from api.permissions import rule
from api.throttling import PerAccountOrAddress, SignInThrottle
from surveys.permissions import Rule


class TokenIn(StrictSerializer):
    """Mail address and password of an account."""

    email = ShortText(longest=254)
    password = ShortText(longest=512)


class TokenOut(serializers.Serializer[Any]):
    """A token, shown this once. Send it as ``Authorization: Bearer <token>``."""

    token = serializers.CharField()
    expires_at = serializers.DateTimeField()


class Tokens(Resource):
    """Get a token."""

    permission_classes = [rule(Rule.ANYONE)]
    throttle_classes = [PerAccountOrAddress, SignInThrottle]

    @extend_schema(operation_id="get_token", request=TokenIn, responses={201: TokenOut}, tags=["tokens"])
    def post(self, request: Request) -> Response:
        given = TokenIn(data=request.data)
        given.is_valid(raise_exception=True)
        account = authenticate(
            request._request,
            username=given.validated_data["email"].strip().lower(),
            password=given.validated_data["password"],
        )
        if account is None:
            raise AuthenticationFailed("No account fits this mail address and password. Check both and try again.")
        made, token = get_token_model().objects.create(user=account)
        _give_up_the_oldest(account)
        return Response({"token": token, "expires_at": made.expiry}, 201, headers={"Cache-Control": "no-store"})


def _give_up_the_oldest(account: Any) -> None:
    # A script that fetches a token each night is never locked out, and its old ones do not pile up.
    newest = account.auth_token_set.order_by("-created", "-digest").values("pk")[: knox_settings.TOKEN_LIMIT_PER_USER]
    account.auth_token_set.exclude(pk__in=newest).delete()


class CurrentToken(Resource):
    """Give up the token that this request carries."""

    permission_classes = [rule(Rule.SIGNED_IN)]

    @extend_schema(operation_id="give_up_token", request=None, responses={204: None}, tags=["tokens"])
    def delete(self, request: Request) -> Response:
        request.auth.delete()
        return Response(status=204)
