"""The pages of releases: the list, the newest one, and each with what it holds, shows and how it is read."""

from __future__ import annotations

import logging
from functools import lru_cache
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path, reverse
from django.utils.translation import get_language
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from surveys.permissions import Rule
from surveys.queries.downloads import replacement_of
from surveys.queries.release_shown import FilesAway, ReleaseShown, release_shown, released_cells
from surveys.queries.releases import newest_release, release_by_version
from surveys.queries.releases import releases as all_releases
from surveys.release_files.json_ld import dataset_json_ld
from surveys.vocabulary import LICENCE_URLS, Licence, ReleaseState
from surveys.web.access import page
from surveys.web.json_block import json_block
from surveys.web.release_changes import changes_shown
from surveys.web.release_figures import cells_shown, index_shown
from surveys.web.release_words import citation, exclusions_in_words, files_shown, review_in_words
from surveys.web.snippets import snippets

log = logging.getLogger(__name__)


@require_safe
@page(Rule.ANYONE)
def releases(request: HttpRequest) -> HttpResponse:
    """List every release, newest first; those that were withdrawn stay on the list."""
    return render(request, "releases/releases.html", {"releases": list(all_releases())})


@never_cache
@require_safe
@page(Rule.ANYONE)
def latest(request: HttpRequest) -> HttpResponse:
    """Send on to the newest release that is published; show the list where there is none (404)."""
    newest = newest_release()
    if newest is None:
        return render(request, "releases/releases.html", {"releases": list(all_releases())}, status=404)
    return redirect("release", newest.version)


@require_safe
@page(Rule.ANYONE)
def release(request: HttpRequest, version: str) -> HttpResponse:
    """Show a release; of one that was withdrawn: when, why, and what to take instead (410)."""
    found = release_by_version(version)
    newest = newest_release()
    context: dict[str, Any] = {"release": found, "newest": newest, **_licence(found.season)}
    if found.state == ReleaseState.WITHDRAWN:
        context["replacement"] = replacement_of(found)
        return render(request, "releases/withdrawn.html", context, status=410)
    try:
        shown = release_shown(found)
    except FilesAway as fault:
        log.error("%s", fault)
        return _away(request, context)
    return render(request, "releases/release.html", context | _shown(request, found, shown))


def _away(request: HttpRequest, context: dict[str, Any]) -> HttpResponse:
    """Answer for a release whose files are not as they should be: they come back from a backup, in a while."""
    answer = render(request, "releases/release.html", {**context, "away": True}, status=503)
    answer.headers["Retry-After"] = "600"
    return answer


def _licence(season: Any) -> dict[str, Any]:
    licence = Licence(season.licence)
    return {"licence": licence, "licence_address": LICENCE_URLS[licence]}


def _shown(request: HttpRequest, found: Any, shown: ReleaseShown) -> dict[str, Any]:
    """Return everything that the page tells out of the release's files. No query once it was told in this process."""
    group, window = request.GET.get("group"), request.GET.get("window")
    index = _index(shown, group, window, get_language())
    base = request.build_absolute_uri(reverse("release", args=[found.version]))
    return {
        **_told(shown, found.version, get_language()),
        "shown": shown,
        "index": index,
        "snippets": snippets(_values(shown, index, base, request)),
    }


# A release never changes: what was told of it once is told again. Drawing maps of fine boundaries takes a second.
@lru_cache(maxsize=256)
def _index(shown: ReleaseShown, group: str | None, window: str | None, language: str | None) -> dict[str, Any]:
    return index_shown(shown, group=group, window=window)


@lru_cache(maxsize=16)
def _told(shown: ReleaseShown, version: str, language: str | None) -> dict[str, Any]:
    """Return what the page tells whatever is chosen on it. Two queries: the release and its cells."""
    found = release_by_version(version)
    files = found.manifest["files"]
    return {
        "facts": shown.facts,
        "cells": cells_shown(shown, released_cells(found)),
        "changes": changes_shown(shown),
        "review": review_in_words(shown),
        "exclusions": exclusions_in_words(shown.exclusions),
        "few": any(one.returns is None for one in shown.exclusions),
        "files": files_shown(files),
        "citation": citation(shown.facts),
        "json_ld": json_block(dataset_json_ld(shown.facts, files, period=shown.period)),
    }


def _values(shown: ReleaseShown, index: dict[str, Any], base: str, request: HttpRequest) -> dict[str, str]:
    """Return what stands in the programs of the page: its address, and one figure that there is."""
    row = next((row for row in index["rows"] if row["shown"]), index["rows"][0])
    return {
        "base": base,
        "ogc": request.build_absolute_uri(reverse("ogc")),
        "season": shown.facts.season,
        "region": row["figure"].region,
        "group": index["group"].code,
        "window": index["window"].code,
    }


urlpatterns = [
    path("releases/", releases, name="releases"),
    path("releases/latest/", latest, name="latest-release"),
    path("releases/<str:version>/", release, name="release"),
]
