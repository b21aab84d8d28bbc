"""Tray photos: send that of one's own return as it is, look at it, delete it; look at one in one's care."""

from __future__ import annotations

from typing import IO, Any
from uuid import UUID

from django.http import HttpResponse, UnreadablePostError
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.exceptions import UnsupportedMediaType
from rest_framework.parsers import BaseParser
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from api.base import Resource
from api.errors import FaultyBody, TooLarge
from api.permissions import rule
from surveys.errors import Fault, Faulty, TooSoon
from surveys.permissions import Rule, account_of
from surveys.photos.kinds import KINDS
from surveys.photos.records import MOST_BYTES, PhotoFault
from surveys.queries.photos import own_photo, photo_in_care
from surveys.queries.returns import own_return, return_in_care
from surveys.services.photos import add_tray_photo, delete_tray_photo
from surveys.vocabulary import TokenScope
from surveys.web.pictures import picture_answer
from surveys.web.tries import WINDOW_S, too_many_photos

_ENDINGS = {kind.media_type: kind.endings[0] for kind in KINDS}


class PhotoOut(serializers.Serializer[Any]):
    """What is kept of a tray photo, in dots."""

    width = serializers.IntegerField()
    height = serializers.IntegerField()
    received_at = serializers.DateTimeField()


class Picture(BaseParser):
    """A picture as it is, at most 10 MB: nothing opens it here."""

    media_type = "image/*"

    def parse(self, stream: IO[Any], media_type: str | None = None, parser_context: Any = None) -> Any:
        try:
            content: bytes = stream.read(MOST_BYTES + 1)
        except UnreadablePostError:
            raise FaultyBody("The body broke off on its way here. Send it again.", code="broken_off") from None
        if len(content) > MOST_BYTES:
            raise TooLarge(PhotoFault.TOO_BIG.label)
        return content


class Jpeg(JSONRenderer):
    """Lets a reader ask for image/jpeg. The picture goes past it; what is written here is a problem, as JSON."""

    media_type = "image/jpeg"
    format = "jpg"


class OwnPhoto(Resource):
    """The tray photo of one's own return. Nothing of the file is kept but the picture, painted anew and smaller."""

    permission_classes = [rule(Rule.SIGNED_IN)]
    scope = TokenScope.SEND
    parser_classes = [Picture]
    renderer_classes = [JSONRenderer, Jpeg]
    takes = f"The body must be a picture. Send it with Content-Type: {', '.join(_ENDINGS)}."

    @extend_schema(
        operation_id="read_own_photo", responses={(200, "image/jpeg"): OpenApiTypes.BINARY}, tags=["returns"]
    )
    def get(self, request: Request, uuid: UUID) -> HttpResponse:
        return picture_answer(bytes(own_photo(request.user, uuid).picture))

    @extend_schema(
        operation_id="send_photo",
        request=dict.fromkeys(_ENDINGS, OpenApiTypes.BINARY),
        responses={(200, "application/json"): PhotoOut, (201, "application/json"): PhotoOut},
        tags=["returns"],
    )
    def put(self, request: Request, uuid: UUID) -> Response:
        account = account_of(request.user)
        name, content = _sent(request)
        if too_many_photos(account.pk):
            raise TooSoon("You sent very many photos. Wait an hour, then send this one.", wait_s=WINDOW_S)
        try:
            added = add_tray_photo(by=account, uuid=uuid, name=name, content=content)
        except Faulty as refusal:
            raise _of_the_header(refusal) from None
        return Response(PhotoOut(added.photo).data, 201 if added.created else 200)

    @extend_schema(operation_id="delete_own_photo", responses={204: None}, tags=["returns"])
    def delete(self, request: Request, uuid: UUID) -> Response:
        own_return(request.user, uuid)
        delete_tray_photo(by=account_of(request.user), uuid=uuid)
        return Response(status=204)


class PhotoInCare(Resource):
    """The tray photo of a return in one's care."""

    permission_classes = [rule(Rule.COORDINATOR)]
    scope = TokenScope.DESK
    renderer_classes = [JSONRenderer, Jpeg]

    @extend_schema(
        operation_id="read_photo_in_care", responses={(200, "image/jpeg"): OpenApiTypes.BINARY}, tags=["review"]
    )
    def get(self, request: Request, uuid: UUID) -> HttpResponse:
        return picture_answer(bytes(photo_in_care(request.user, uuid).picture))

    @extend_schema(operation_id="delete_photo_in_care", responses={204: None}, tags=["review"])
    def delete(self, request: Request, uuid: UUID) -> Response:
        return_in_care(request.user, uuid)
        delete_tray_photo(by=account_of(request.user), uuid=uuid)
        return Response(status=204)


def _sent(request: Request) -> tuple[str, bytes]:
    """Return a name that fits the kind which the header says, and the picture."""
    kind = (request.content_type or "").split(";")[0].strip().lower()
    if kind not in _ENDINGS:
        raise UnsupportedMediaType(kind)
    content = request.data  # an empty body comes as no bytes
    return f"tray{_ENDINGS[kind]}", content if isinstance(content, bytes) else b""


def _of_the_header(refusal: Faulty) -> Faulty:
    """Return a refusal in the words of a program: here a header says the kind, and no name of a file."""
    if refusal.code != PhotoFault.OTHER_ENDING:
        return refusal
    sentence = "The Content-Type says one kind of picture, and the body is another. Send what the header says."
    return Faulty(refusal.sentence, code=refusal.code, faults=(Fault("", refusal.code, sentence),))
