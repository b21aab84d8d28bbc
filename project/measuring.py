"""What the one who runs the service can measure: requests as they pass, and the state of the work at each asking.

Labels come from closed lists only: names of addresses, methods, status codes, kinds and states of jobs. Nothing here
is about a person. Source of the form: Prometheus documentation, "Metric and label naming", text format 0.0.4.
"""

from __future__ import annotations

import hmac
import logging
import os
import time
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from django.conf import settings
from django.db import DatabaseError
from django.http import Http404, HttpRequest, HttpResponse
from prometheus_client import CollectorRegistry, Counter, Histogram, generate_latest
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector

from project.logs import route_of
from surveys.permissions import Rule
from surveys.queries.measures import measures
from surveys.queries.replica import replica_now
from surveys.web.access import page

log = logging.getLogger("trapnight.request")

METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
#: Seconds. Pages should take a tenth of one; what takes ten is a fault. Common practice, no source.
BUCKETS = (0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)
REQUESTS = Counter("trapnight_requests", "Requests that were answered.", ["route", "method", "status"])
SECONDS = Histogram("trapnight_request_seconds", "Seconds until an answer began.", ["route"], buckets=BUCKETS)


class Told:
    """Count each request, time it, and write one line about it: never its path, its query or who asked."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        begun = time.perf_counter()
        response = self.get_response(request)
        seconds = time.perf_counter() - begun
        route = "static" if request.path_info.startswith(f"/{settings.STATIC_URL.lstrip('/')}") else route_of(request)
        method = request.method if request.method in METHODS else "other"
        REQUESTS.labels(route, method, str(response.status_code)).inc()
        SECONDS.labels(route).observe(seconds)
        kept = {
            "route": route,
            "method": method,
            "status": response.status_code,
            "duration_ms": round(seconds * 1000, 1),
        }
        log.info("%s %s %s", method, route, response.status_code, extra=kept)
        return response


class Work(Collector):
    """The state of the work, read from PostgreSQL at each asking."""

    def collect(self) -> Iterable[Metric]:
        """Return one family for each measure; ``trapnight_database_up`` alone where the database is away."""
        try:
            found = measures()
        except DatabaseError as fault:
            logging.getLogger(__name__).warning("the work could not be measured (%s)", type(fault).__name__)
            yield GaugeMetricFamily("trapnight_database_up", "Whether the database answers.", value=0)
            return
        yield GaugeMetricFamily("trapnight_database_up", "Whether the database answers.", value=1)
        yield from _families(found)
        yield from _replica()


def _replica() -> Iterator[Metric]:
    """Yield what is known of the replica, nothing where there is none."""
    found = replica_now()
    if found is None:
        return
    told = "Whether research is read from the replica: it answers, and lags less than is allowed."
    yield GaugeMetricFamily("trapnight_replica_read", told, value=float(found.keeps_up(0)))
    if found.lag_s is not None:
        yield GaugeMetricFamily("trapnight_replica_lag_seconds", "Seconds that the replica lags.", value=found.lag_s)


def _families(found: dict[str, Any]) -> Iterator[Metric]:
    for name, (told, labels) in GAUGES.items():
        value = found[name]
        if isinstance(value, dict):
            family = GaugeMetricFamily(f"trapnight_{name}", told, labels=labels)
            for key, number in sorted(value.items()):
                family.add_metric(key, number)
            yield family
        elif value is not None:  # nothing is said where there is nothing yet
            yield GaugeMetricFamily(f"trapnight_{name}", told, value=value)


#: Each gauge: what it is, and its labels.
GAUGES: dict[str, tuple[str, list[str]]] = {
    "jobs": ("Jobs by kind and state.", ["kind", "state"]),
    "oldest_waiting_job_seconds": ("Age of the oldest job that nobody works on.", []),
    "last_night_age_seconds": ("Seconds since a nightly computation was last done.", []),
    "last_night_duration_seconds": ("Seconds that it took.", []),
    "worker_silent_seconds": ("Seconds since a worker last finished its small job of each minute.", []),
    "returns_to_screen": ("Returns that were received and not screened yet.", []),
    "returns_held": ("Returns that wait for a coordinator.", []),
    "letters_overdue": ("Letters that should have gone out ten minutes ago.", []),
    "log_events": ("Events in the log.", []),
    "log_lag_seconds": ("Seconds since the newest event of the log.", []),
    "archive_lag_bytes": ("Bytes of the write-ahead log that no archive has yet, by slot.", ["slot"]),
    "archive_running": ("Whether the slot of the archive is being read, by slot.", ["slot"]),
    "database_bytes": ("Size of the database.", []),
    "connections": ("Connections to the database by state.", ["state"]),
    "connections_most": ("Connections that the server allows.", []),
}


@page(Rule.ANYONE)
def metrics(request: HttpRequest) -> HttpResponse:
    """Show what is measured to whoever has the token; without one set, to this machine alone. Not there for others."""
    if not _is_operators(request):
        raise Http404
    requests = CollectorRegistry()
    work = CollectorRegistry()
    work.register(Work())
    if os.environ.get("PROMETHEUS_MULTIPROC_DIR"):
        MultiProcessCollector(requests)  # type: ignore[no-untyped-call]
    else:
        requests.register(REQUESTS)
        requests.register(SECONDS)
    body = generate_latest(requests) + generate_latest(work)
    return HttpResponse(
        body, content_type="text/plain; version=0.0.4; charset=utf-8", headers={"Cache-Control": "no-store"}
    )


def _is_operators(request: HttpRequest) -> bool:
    token = settings.METRICS_TOKEN
    if token:
        given = request.headers.get("Authorization", "").removeprefix("Bearer ")
        return hmac.compare_digest(given.encode(), token.encode())
    # Behind a proxy of this machine everybody comes from this machine.
    passed_on = request.headers.get("X-Forwarded-For") or request.headers.get("Forwarded")
    return not passed_on and not settings.REST_FRAMEWORK["NUM_PROXIES"] and request.META.get("REMOTE_ADDR") in LOOPBACK


LOOPBACK = ("127.0.0.1", "::1", "")
