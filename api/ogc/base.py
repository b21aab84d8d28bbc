"""What all addresses below /ogc share: open to everybody, one form of answer, short caching, links."""

from __future__ import annotations

import logging
from typing import Any

from django.conf import settings
from rest_framework.exceptions import ErrorDetail, ValidationError
from rest_framework.negotiation import BaseContentNegotiation
from rest_framework.renderers import JSONRenderer
from rest_framework.request import Request
from rest_framework.response import Response

from api.base import Resource
from api.errors import NotSent
from api.etags import etag_of, not_modified
from api.permissions import rule
from api.throttling import PerReader
from surveys.errors import Faulty
from surveys.permissions import Rule
from surveys.queries.release_shown import FilesAway

log = logging.getLogger(__name__)

JSON = "application/json"
GEOJSON = "application/geo+json"
OPENAPI = "application/vnd.oai.openapi+json;version=3.0"
#: Figures change once a night. Old map programs ask for very many pages, and caches answer them.
KEPT = "public, max-age=300"
_FILES_AWAY = "The newest release cannot be read as it was written. That is our fault. Try again later."


class OneForm(BaseContentNegotiation):
    """Answers have one form, whatever is asked for (RFC 9110, section 12.5.1): browsers and old programs get it too."""

    def select_parser(self, request: Request, parsers: Any) -> Any:
        return parsers[0]

    def select_renderer(self, request: Request, renderers: Any, format_suffix: str | None = None) -> Any:
        return renderers[0], renderers[0].media_type


class OpenResource(Resource):
    """An address that everybody reads, with an allowance of its own. No token is looked at."""

    authentication_classes = ()
    permission_classes = (rule(Rule.ANYONE),)
    throttle_classes = (PerReader,)
    renderer_classes = (JSONRenderer,)
    content_negotiation_class = OneForm
    scope = None
    #: These addresses describe themselves, at /ogc/api.
    schema = None
    http_method_names = ("get", "head", "options")

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        for name, values in request.query_params.lists():
            if len(values) > 1:
                raise refused(name, "repeated", f"The parameter {name!r} stands here more than once.")

    def handle_exception(self, exc: Exception) -> Response:
        """Answer 400 to a parameter that fits nothing, as section 7.5.1 of the standard asks for.

        Files of a release that are not there come back from a backup, in a while: that is 503.
        """
        if isinstance(exc, FilesAway):
            log.error("%s", exc)
            return super().handle_exception(NotSent(503, _FILES_AWAY, {"Retry-After": "600"}))
        if isinstance(exc, Faulty):
            named = {fault.pointer.lstrip("/"): [ErrorDetail(fault.sentence, fault.code)] for fault in exc.faults}
            return super().handle_exception(ValidationError(named))
        return super().handle_exception(exc)

    def finalize_response(self, request: Request, response: Any, *args: Any, **kwargs: Any) -> Response:
        answer = super().finalize_response(request, response, *args, **kwargs)
        answer["Access-Control-Allow-Origin"] = "*"
        answer["Access-Control-Expose-Headers"] = "ETag, Link"
        if answer.status_code in (200, 304):
            answer["Cache-Control"] = KEPT
        return answer


def refused(name: str, code: str, sentence: str) -> ValidationError:
    """Return the refusal of one query parameter."""
    return ValidationError({name: [ErrorDetail(sentence, code)]})


def answer(request: Request, body: dict[str, Any], *, mark: str, form: str = JSON, next_page: str = "") -> Response:
    """Return an answer with its tag, or 304 where the reader has it. ``mark`` changes when the answer does.

    The tag is weak: the time of the answer stands in it as well.
    """
    tag = etag_of(settings.CODE_VERSION, mark, request.build_absolute_uri())
    found = not_modified(request, tag) or Response(body, content_type=form)
    found["ETag"] = f"W/{tag}"
    if next_page:
        found["Link"] = f'<{next_page}>; rel="next"; type="{form}"'  # RFC 8288
    return found


def link(request: Request, rel: str, address: str, form: str, title: str) -> dict[str, str]:
    """Return one link. ``address`` is a path below /ogc, or a whole address."""
    path = address if "://" in address or address.startswith("/") else f"/ogc/{address}".rstrip("/")
    return {"href": request.build_absolute_uri(path), "rel": rel, "type": form, "title": title}
