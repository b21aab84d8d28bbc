"""The shell of the page that works without a signal, the worker that keeps it, and its web manifest.

The shell holds every question of both jobs, drawn from the lists of :mod:`surveys.web.asking`, and says
nothing about anybody, so that a browser may keep it.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.conf import settings
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.template.loader import render_to_string
from django.templatetags.static import static
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.http import require_safe

from surveys.permissions import Rule
from surveys.queries.seasons import SeasonLists, current_season, lists_of
from surveys.vocabulary import DraftKind
from surveys.web.access import page
from surveys.web.asked import EMPTY_QUESTIONS, SET_QUESTIONS, UNKNOWN, UNTOLD, Asked
from surveys.web.asking import read_emptying, read_setting
from surveys.web.emptying_words import lost_words
from surveys.web.liquids import DANGERS, danger_words, poison_words
from surveys.web.steps import Choice, choices_of
from surveys.web.tally import COUNTED_TO, Tally, make_tally

_STATIC = Path(__file__).resolve().parent.parent / "static"
_WORKER = _STATIC / "surveys/js/worker.js"
#: The scripts that other scripts of the shell take in; everything else stands in the page itself.
_TAKEN_IN = ("surveys/js/field.js", "surveys/js/drafts.js")
_IN_PAGE = re.compile(r"""(?:href|src)="([^"?#]+)["?#]""")
#: The words of emptying_words.early_words, which the page shows by its own clock.
EARLY = "The trap was open for less than 16 hours. One day and one night says more. You can empty it now all the same."
#: How the page calls a setting that the service or the phone knows of.
TOLD = "told"


@dataclass(frozen=True, slots=True)
class Blank:
    """One box or list of a question, and what is said where it is left empty."""

    name: str
    missing: str


@dataclass(frozen=True, slots=True)
class Question:
    """One question of the shell. ``skip`` lists the answers, as name=value, that make it needless."""

    asked: Asked
    blanks: tuple[Blank, ...]
    skip: str
    choices: tuple[Choice, ...]
    tally: Tally | None = None


@dataclass(frozen=True, slots=True)
class Job:
    """Setting a trap, or emptying one: its questions in order."""

    kind: str
    questions: tuple[Question, ...]


def jobs_of(lists: SeasonLists) -> tuple[Job, ...]:
    """Return both jobs with the questions of a season."""
    now = timezone.now()
    return (
        _job(DraftKind.SET, SET_QUESTIONS, read_setting({}, lists, {}, now).faults, lists),
        _job(DraftKind.EMPTY, EMPTY_QUESTIONS, read_emptying({}, lists, None, now).faults, lists),
    )


def _job(kind: DraftKind, questions: tuple[Asked, ...], missing: dict[str, str], lists: SeasonLists) -> Job:
    """Draw one job. What is said of an empty box is what the reader says of it."""
    return Job(
        kind.value,
        tuple(
            Question(
                asked,
                _blanks(asked, missing),
                " ".join(skipped_where(asked, questions)),
                tuple(choices_of(asked, {})),
                make_tally(lists.groups, {}, {}) if asked.kind == "tally" else None,
            )
            for asked in questions
        ),
    )


def _blanks(asked: Asked, missing: dict[str, str]) -> tuple[Blank, ...]:
    if asked.kind == "tally":
        return (Blank("tally", next((said for name, said in missing.items() if name.startswith("n_")), "")),)
    return tuple(Blank(name, missing.get(name, str(asked.fault))) for name in asked.fields)


def skipped_where(asked: Asked, questions: tuple[Asked, ...]) -> list[str]:
    """Return the single answers, as name=value, for which a question is not asked.

    Found by trying each answer of each list on the question's own rule, so that the rule stands in one place.
    """
    tried = [("opening", TOLD)]
    tried += [(other.name, value) for other in questions if other.kind == "choice" for value, _words in other.options]
    return [f"{name}={value}" for name, value in tried if asked.skip({name: value})]


# --- pages ---------------------------------------------------------------------------------------


@require_safe
@page(Rule.ANYONE)
def in_the_garden(request: HttpRequest) -> HttpResponse:
    """Show the shell: every question of both jobs, and no answer."""
    answer = HttpResponse(_shell())
    # Asked anew each time. What works without a signal is kept by the worker alone.
    answer["Cache-Control"] = "no-cache"
    return answer


def _shell() -> str:
    """Draw the page without the request: whatever a page says of its visitor, or gives to one, is not in it."""
    season = current_season()
    shown: dict[str, Any] = {
        "season": season,
        "jobs": jobs_of(lists_of(season)) if season else (),
        "untold": UNTOLD,
        "unknown": UNKNOWN,
        "most": COUNTED_TO,
        "no_answers": {},
        "cautions": (("early", gettext(EARLY)), ("lost", lost_words()), ("liquid", danger_words())),
        "dangers": " ".join(sorted(DANGERS)),
        "liquid_told": danger_words(),
        "poison_told": poison_words(),
    }
    return render_to_string("offline/in_the_garden.html", shown)


@require_safe
@page(Rule.ANYONE)
def service_worker(request: HttpRequest) -> HttpResponse:
    """Serve the worker with the list of what it keeps; a change in any of it is a new worker."""
    shell = _shell()
    files = shell_files(shell)
    told = {
        "version": shell_version(shell, files),
        "page": reverse("in-the-garden"),
        "files": files,
        "signOut": reverse("sign-out"),
        "list": reverse("field-list"),
        "send": reverse("field-send"),
        "drafts": _address("surveys/js/drafts.js"),
    }
    text = f"const SHELL = {json.dumps(told, indent=1)};\n{_WORKER.read_text(encoding='utf-8')}"
    return HttpResponse(
        text,
        content_type="text/javascript; charset=utf-8",
        headers={"Cache-Control": "no-cache", "Service-Worker-Allowed": "/"},
    )


def shell_files(shell: str) -> list[str]:
    """Return the addresses of all files that the shell needs, read from the page itself."""
    in_page = [found for found in _IN_PAGE.findall(shell) if found.startswith(settings.STATIC_URL)]
    return sorted({*in_page, *map(_address, _TAKEN_IN), reverse("web-manifest")})


def shell_version(shell: str, files: list[str]) -> str:
    """Return a mark that changes with the page, the worker, or any file of the shell."""
    mark = hashlib.sha256(shell.encode() + _WORKER.read_bytes())
    for address in files:
        source = _STATIC / address.removeprefix(settings.STATIC_URL)
        # A name that holds a hash of its content is no file of ours: the name itself tells of a change.
        mark.update(source.read_bytes() if source.is_file() else address.encode())
    return mark.hexdigest()[:20]


def _address(name: str) -> str:
    """Return a file's address as a script names it: without a hash."""
    return f"{settings.STATIC_URL}{name}"


@require_safe
@page(Rule.ANYONE)
def web_manifest(request: HttpRequest) -> HttpResponse:
    """Say how the page stands on a phone's start screen."""
    manifest: dict[str, Any] = {
        "id": reverse("in-the-garden"),
        "name": gettext("Trapnight in the garden"),
        "short_name": "Trapnight",
        "description": gettext("Set a trap and count what fell in, with or without a signal."),
        "start_url": reverse("in-the-garden"),
        "scope": "/",
        "display": "standalone",
        "background_color": "#f3ebdb",
        "theme_color": "#21170f",
        "icons": [
            _icon("surveys/icons/lantern.svg", "any", "image/svg+xml", "any"),
            _icon("surveys/icons/lantern-192.png", "192x192", "image/png", "any"),
            _icon("surveys/icons/lantern-512.png", "512x512", "image/png", "any"),
            _icon("surveys/icons/lantern-maskable-512.png", "512x512", "image/png", "maskable"),
        ],
    }
    return JsonResponse(
        manifest, content_type="application/manifest+json; charset=utf-8", headers={"Cache-Control": "no-cache"}
    )


def _icon(name: str, sizes: str, kind: str, purpose: str) -> dict[str, str]:
    return {"src": static(name), "sizes": sizes, "type": kind, "purpose": purpose}
