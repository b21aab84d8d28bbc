"""The files of releases at addresses that stay: /releases/1.2.0/returns.csv, and /releases/latest/returns.csv."""

from __future__ import annotations

import logging
import re
from typing import Any

from django.http import HttpRequest, HttpResponse, HttpResponseBase, HttpResponseRedirect
from django.urls import path, reverse
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.views.decorators.csrf import csrf_exempt

from surveys.errors import NotFound
from surveys.permissions import Rule
from surveys.queries.downloads import ListedFile, listed_file, replacement_of
from surveys.queries.releases import newest_release, release_by_version
from surveys.release_files.listing import looked_at
from surveys.vocabulary import ReleaseState
from surveys.web.access import page
from surveys.web.downloads import send_file
from surveys.web.file_refusals import OPEN_TO_SCRIPTS, Told, Way, file_is_away, no_such_method, not_there, tell

log = logging.getLogger(__name__)

#: As the database keeps them; what else may stand in an address, such as a NUL, is never asked about.
_VERSION = re.compile(r"[0-9]{1,4}\.[0-9]{1,4}\.[0-9]{1,4}")
#: Nothing is ever written here, so there is nothing to forge: without this a POST would hear of a form instead of 405.
_open_to_all = csrf_exempt


@_open_to_all
@page(Rule.ANYONE)
def release_file(request: HttpRequest, version: str, file: str) -> HttpResponseBase:
    """Send one file of one release."""
    if not _VERSION.fullmatch(version):
        return _unknown(request, version, file)
    try:
        release = release_by_version(version)
        listed = listed_file(release, file)
    except NotFound:
        return _unknown(request, version, file)
    if release.state == ReleaseState.WITHDRAWN:
        return _tombstone(request, release)
    size_bytes = _size_of_manifest(listed) if listed.size_bytes is None else listed.size_bytes
    if size_bytes is None:
        return file_is_away(request)
    return send_file(
        request,
        listed.path,
        media_type=listed.media_type,
        name=listed.name,
        sha256=listed.sha256,
        modified=release.published_at,
        immutable=True,
        size_bytes=size_bytes,
    )


@_open_to_all
@page(Rule.ANYONE)
def latest_release_file(request: HttpRequest, file: str) -> HttpResponseBase:
    """Show the way to a file of the newest published release."""
    if request.method not in ("GET", "HEAD"):
        return no_such_method(request, "GET, HEAD")
    release = newest_release()
    if release is None:
        return not_there(request, _("No release is published yet."))
    try:
        listed_file(release, file)
    except NotFound:
        return _unknown(request, release.version, file)
    # 302 and kept nowhere: the next release makes it another address. RFC 9110, section 15.4.3.
    headers = {"Cache-Control": "no-store", **OPEN_TO_SCRIPTS}
    return HttpResponseRedirect(reverse("release-file", args=[release.version, file]), headers=headers)


def _size_of_manifest(listed: ListedFile) -> int | None:
    """Return how long the manifest is, None unless it is what was published: its checksum is looked at each time."""
    try:
        found = looked_at(listed.path)
    except OSError as fault:
        log.error("%s cannot be sent: %s", listed.path, fault)
        return None
    if found.sha256 != listed.sha256:
        log.error("%s cannot be sent: it is not what was published", listed.path)
        return None
    return found.size_bytes


def _unknown(request: HttpRequest, version: str, file: str) -> HttpResponse:
    sentence = _("There is no file %(file)s of a release %(version)s. The list of releases shows what there is.") % {
        "file": file,
        "version": version,
    }
    return not_there(request, sentence, [Way(_("All releases"), "/releases/")])


def _tombstone(request: HttpRequest, release: Any) -> HttpResponse:
    """Answer 410 with what is still to be said of a withdrawn release (RFC 9110, section 15.5.11)."""
    day = date_format(timezone.localdate(release.withdrawn_at), _("j F Y"))
    newer = replacement_of(release)
    told = [
        _("Release %(version)s was withdrawn on %(day)s.") % {"version": release.version, "day": day},
        _("Reason: %(reason)s") % {"reason": release.withdrawn_because},
        _("Version %(version)s takes its place.") % {"version": newer} if newer else _("Nothing takes its place yet."),
        _("SHA-256 of its list of files: %(sha256)s") % {"sha256": release.sha256},
    ]
    ways = [Way(_("What is known of release %(version)s") % {"version": release.version}, _page_of(release.version))]
    if newer:
        ways.insert(0, Way(_("Release %(version)s") % {"version": newer}, _page_of(newer)))
    members = {
        "withdrawn_at": release.withdrawn_at,
        "because": release.withdrawn_because,
        "replaced_by": request.build_absolute_uri(_page_of(newer)) if newer else None,
        "manifest_sha256": release.sha256,
    }
    title = _("This release was withdrawn")
    return tell(request, 410, Told(title, " ".join(told), "withdrawn", ways, members))


def _page_of(version: str) -> str:
    return f"/releases/{version}/"


urlpatterns = [
    path("releases/latest/<str:file>", latest_release_file, name="latest-release-file"),
    path("releases/<str:version>/<str:file>", release_file, name="release-file"),
]
