"""Health for monitors: alive (the process answers) and ready (it can do its work)."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.urls import path

from surveys.permissions import Rule
from surveys.queries.health import health
from surveys.web.access import page


@page(Rule.ANYONE)
def live(request: HttpRequest) -> HttpResponse:
    """The process answers."""
    return JsonResponse({"alive": True})


@page(Rule.ANYONE)
def ready(request: HttpRequest) -> HttpResponse:
    """Database, migrations, cache and worker are able to work; 503 and the reason if not."""
    found = health()
    seen = found.worker_last_seen.isoformat() if found.worker_last_seen else None
    body = {"ready": found.ready, "checks": found.checks, "worker_last_seen": seen}
    return JsonResponse(body, status=200 if found.ready else 503)


urlpatterns = [
    path("health/live", live, name="health-live"),
    path("health/ready", ready, name="health-ready"),
]
