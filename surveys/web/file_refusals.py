"""What is said in the place of a file: as a page, as a problem (RFC 9457) or in plain words, as the reader asks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.utils.cache import patch_vary_headers
from django.utils.translation import gettext as _

PROBLEM = "application/problem+json"
#: Scripts of other web sites may read what is open, and these fields of the answer. Fetch standard, section 3.3.3.
OPEN_TO_SCRIPTS = {
    "Access-Control-Allow-Origin": "*",
    "Access-Control-Expose-Headers": (
        "Accept-Ranges, Content-Digest, Content-Disposition, Content-Length, Content-Range, ETag, Last-Modified, Link, "
        "Repr-Digest"
    ),
}
#: Without a wish the words come plain: they are read in a terminal, or in the message of an exception.
_FORMS = ("text/plain", "text/html", PROBLEM, "application/json")


class Way(NamedTuple):
    """Where a reader may go from here: what is there, and its address."""

    name: str
    address: str


class Told(NamedTuple):
    """One refusal: its title, one or more sentences, ways on, and members of the problem beside those.

    ``code`` is that of a page below /problems/, or empty where the status says it all (RFC 9457, section 4.2.1).
    """

    title: str
    sentence: str
    code: str = ""
    ways: Sequence[Way] = ()
    members: Mapping[str, Any] = {}


def tell(request: HttpRequest, status: int, told: Told, headers: Mapping[str, str] | None = None) -> HttpResponse:
    """Return the answer that says why there is no file here. It is kept in no cache."""
    form = request.get_preferred_type(_FORMS) or _FORMS[0]
    answer = _written(request, status, told, form)
    for name, value in {"Cache-Control": "no-store", **OPEN_TO_SCRIPTS, **(headers or {})}.items():
        answer.headers[name] = value
    patch_vary_headers(answer, ["Accept"])
    if request.method == "HEAD":
        answer.headers["Content-Length"] = str(len(answer.content))
        answer.content = b""
    return answer


def _written(request: HttpRequest, status: int, told: Told, form: str) -> HttpResponse:
    if form == "text/html":
        return render(request, "errors/no_file.html", told._asdict(), status=status)
    if form == "text/plain":
        ways = "".join(f"\n{way.name}: {request.build_absolute_uri(way.address)}" for way in told.ways)
        text = f"{told.title}\n\n{told.sentence}\n{ways}"
        return HttpResponse(text.rstrip() + "\n", status=status, content_type="text/plain; charset=utf-8")
    return JsonResponse(_problem(request, status, told), status=status, content_type=PROBLEM)


def _problem(request: HttpRequest, status: int, told: Told) -> dict[str, Any]:
    return {
        "type": request.build_absolute_uri(f"/problems/{told.code}/") if told.code else "about:blank",
        "title": told.title,
        "status": status,
        "detail": told.sentence,
        "instance": f"urn:trapnight:request:{request.META.get('TRAPNIGHT_REQUEST_ID', 'unknown')}",
        "errors": [],
        **told.members,
    }


def no_such_method(request: HttpRequest, allowed: str) -> HttpResponse:
    """Answer 405 (RFC 9110, section 15.5.6)."""
    sentence = _("Files are read here, with GET or HEAD. Nothing can be sent to this address.")
    told = Told(_("This address does not do that"), sentence, "method-not-allowed")
    return tell(request, 405, told, {"Allow": allowed})


def not_there(request: HttpRequest, sentence: str, ways: Sequence[Way] = ()) -> HttpResponse:
    """Answer 404 (RFC 9110, section 15.5.5)."""
    return tell(request, 404, Told(_("There is no such file"), sentence, "not-found", ways))


def other_version(request: HttpRequest) -> HttpResponse:
    """Answer 412 (RFC 9110, section 15.5.13)."""
    sentence = _("The file here is not the version that the request names. Load it again from its first byte.")
    return tell(request, 412, Told(_("This is another version of the file"), sentence))


def outside_the_file(request: HttpRequest, size: int) -> HttpResponse:
    """Answer 416 with the size of the file (RFC 9110, sections 14.4 and 15.5.17)."""
    sentence = _("The file has %(size)d bytes, and the request asks for bytes that are not in it.") % {"size": size}
    told = Told(_("The file has no such bytes"), sentence, "no-such-bytes")
    return tell(request, 416, told, {"Content-Range": f"bytes */{size}", "Accept-Ranges": "bytes"})


def file_is_away(request: HttpRequest) -> HttpResponse:
    """Answer 503: the file is not on the disk as it should be, and no other bytes are sent in its place."""
    sentence = _(
        "The file is known here, but it cannot be read as it was written. That is our fault; it has been written down. "
        "Try again later."
    )
    told = Told(_("This file cannot be sent now"), sentence)
    # Somebody has to bring it back from a backup: asking again at once does not help.
    return tell(request, 503, told, {"Retry-After": "600"})
