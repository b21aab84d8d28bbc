"""Tokens: get one for a script, see which there are, and give them up again."""

from __future__ import annotations

from typing import Any

from django.contrib.auth import authenticate
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request
from rest_framework.response import Response

from api.base import Resource
from api.fields import ListedWord, ShortText, StrictSerializer, WholeNumber
from api.permissions import rule
from api.throttling import PerAccountOrAddress, SignInThrottle
from surveys.errors import ScopeNeeded
from surveys.permissions import Rule, account_of
from surveys.queries.tokens import tokens_of
from surveys.services.second_factor import refuse_without_code
from surveys.services.tokens import MOST_DAYS, NAME_LETTERS, USUAL_DAYS, end_token, make_token
from surveys.vocabulary import TokenScope


class TokenIn(StrictSerializer):
    """Mail address and password of an account, the code of its second factor if it has one, and what it is for."""

    email = ShortText(longest=254)
    password = ShortText(longest=512)
    code = ShortText(
        longest=20,
        required=False,
        help_text="What the authenticator app shows now, or a backup code. Needed by an account with a second factor.",
    )
    name = ShortText(
        longest=NAME_LETTERS,
        required=False,
        allow_blank=True,
        default="",
        help_text="By which you know it again in the list of your tokens, such as the name of the script.",
    )
    scopes = serializers.ListField(
        child=ListedWord(TokenScope),
        required=False,
        allow_empty=False,
        max_length=len(TokenScope),
        help_text="What it may be used for. Without it: all that the account may use.",
    )
    days = WholeNumber(
        low=1, high=MOST_DAYS, required=False, default=USUAL_DAYS, help_text="After how many days it runs out."
    )


class TokenOut(serializers.Serializer[Any]):
    """A token, shown this once. Send it as ``Authorization: Bearer <token>``."""

    token = serializers.CharField()
    id = serializers.CharField(help_text="The beginning of the token: it names it and opens nothing.")
    name = serializers.CharField(allow_blank=True)
    scopes = serializers.ListField(child=serializers.ChoiceField(choices=TokenScope.choices()))
    expires_at = serializers.DateTimeField()


class KeptTokenOut(serializers.Serializer[Any]):
    """What is kept of a token."""

    id = serializers.CharField(help_text="The beginning of the token: it names it and opens nothing.")
    name = serializers.CharField(allow_blank=True)
    scopes = serializers.ListField(child=serializers.ChoiceField(choices=TokenScope.choices()))
    made_at = serializers.DateTimeField()
    expires_at = serializers.DateTimeField()
    last_used_at = serializers.DateTimeField(allow_null=True, help_text="To the hour; null before the first use.")
    current = serializers.BooleanField(help_text="True for the token that this request carries.")


class Tokens(Resource):
    """Get a token with a password, or see which ones the account has."""

    permission_classes = [rule(Rule.ANYONE)]
    rule_of_method = {"GET": Rule.SIGNED_IN}
    scope = None
    throttle_classes = [PerAccountOrAddress, SignInThrottle]
    also_refuses = {"POST": ("code-needed", "wrong-code")}

    @extend_schema(operation_id="list_tokens", responses=KeptTokenOut(many=True), tags=["tokens"])
    def get(self, request: Request) -> Response:
        shown = [_shown(one, request) for one in tokens_of(account_of(request.user))]
        return Response({"items": shown, "next": None}, headers={"Cache-Control": "no-store"})

    @extend_schema(operation_id="get_token", request=TokenIn, responses={201: TokenOut}, tags=["tokens"])
    def post(self, request: Request) -> Response:
        given = TokenIn(data=request.data)
        given.is_valid(raise_exception=True)
        wanted = given.validated_data
        account = authenticate(request._request, username=wanted["email"].strip().lower(), password=wanted["password"])
        if account is None:
            raise AuthenticationFailed("No account fits this email address and password. Check both and try again.")
        refuse_without_code(account=account, code=wanted.get("code", ""))
        made = make_token(by=account, name=wanted["name"], scopes=wanted.get("scopes"), days=wanted["days"])
        answer = {
            "token": made.secret,
            "id": made.kept.token_key,
            "name": made.kept.name,
            "scopes": made.kept.scopes,
            "expires_at": made.kept.expiry,
        }
        return Response(answer, 201, headers={"Cache-Control": "no-store"})


def _shown(token: Any, request: Request) -> dict[str, Any]:
    return {
        "id": token.token_key,
        "name": token.name,
        "scopes": token.scopes,
        "made_at": token.created,
        "expires_at": token.expiry,
        "last_used_at": token.last_used_at,
        "current": token.pk == token_shown(request).pk,
    }


def token_shown(request: Request) -> Any:
    """Return the token that a request carries; behind a rule for those who are signed in there is one."""
    return request.auth


class CurrentToken(Resource):
    """Give up the token that this request carries."""

    permission_classes = [rule(Rule.SIGNED_IN)]
    scope = None

    @extend_schema(operation_id="give_up_token", request=None, responses={204: None}, tags=["tokens"])
    def delete(self, request: Request) -> Response:
        end_token(by=account_of(request.user), key=token_shown(request).token_key)
        return Response(status=204)


class OneToken(Resource):
    """Give up one of one's own tokens. The one that is shown may do at least as much: a stolen one ends no better."""

    permission_classes = [rule(Rule.SIGNED_IN)]
    scope = None
    also_refuses = {"DELETE": ("scope-needed",)}

    @extend_schema(operation_id="end_token", request=None, responses={204: None}, tags=["tokens"])
    def delete(self, request: Request, key: str) -> Response:
        account = account_of(request.user)
        for one in tokens_of(account).filter(token_key=key):
            if not set(one.scopes) <= set(token_shown(request).scopes):
                raise ScopeNeeded(
                    f"The token {key} may do more than the one you show. Show one with its scopes: "
                    f"{', '.join(one.scopes)}. Or end it on the page of your account."
                )
        end_token(by=account, key=key)
        return Response(status=204)
