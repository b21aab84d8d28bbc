"""Settings of the server that ingest.py measures: those of development, with the bare view among the addresses."""

from __future__ import annotations

from project.settings.development import *  # noqa: F403

ROOT_URLCONF = "tests.benchmarks.bare_urls"
