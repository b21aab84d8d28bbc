"""Settings of the web server that are code: its log lines, and counters shared by its processes.

Each process keeps its counters in a file of one folder, and any of them adds all up when it is asked. Source:
prometheus_client documentation, "Multiprocess Mode (Gunicorn)".
"""

from __future__ import annotations

import os
import shutil
import tempfile
from typing import Any

from project.logs import logging_of

logconfig_dict = logging_of(json=os.environ.get("DJANGO_SETTINGS_MODULE", "").endswith("production"))


def on_starting(server: Any) -> None:
    """Make the folder of the counters, before any process is there that counts."""
    os.environ["PROMETHEUS_MULTIPROC_DIR"] = tempfile.mkdtemp(prefix="trapnight-metrics-")


def post_worker_init(worker: Any) -> None:
    """Load every page before the first visitor comes: Django otherwise does it while they wait."""
    from django.urls import get_resolver

    _ = get_resolver().url_patterns


def child_exit(server: Any, worker: Any) -> None:
    """Close the account of a process that ended. What it counted stays."""
    from prometheus_client import multiprocess

    multiprocess.mark_process_dead(worker.pid)  # type: ignore[no-untyped-call]


def on_exit(server: Any) -> None:
    """Take the folder away with the server."""
    shutil.rmtree(os.environ.pop("PROMETHEUS_MULTIPROC_DIR", "") or "/nonexistent", ignore_errors=True)
