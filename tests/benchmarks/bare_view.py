"""The peer of taking in: a bare view of Django REST framework that does one INSERT, beside the service's own addresses.

It reads the same body by one serializer and stores it in one table: without a token, a limit, a key, a protocol check
or a log. As settings (``DJANGO_SETTINGS_MODULE=tests.benchmarks.bare_view``) this module puts it at ``/bare`` into
the same server, behind the same middleware, so that both are served alike.
"""

from __future__ import annotations

from project.settings.development import *  # noqa: F403

ROOT_URLCONF = "tests.benchmarks.bare_urls"

TABLE = """
CREATE TABLE IF NOT EXISTS bare_return (
    id uuid PRIMARY KEY, trap uuid, set_at timestamptz, emptied_at timestamptz, habitat text, mouth_mm float8,
    material text, rim text, cover text, refuge text, trap_state text, looked_for_all text, catch jsonb,
    received_at timestamptz DEFAULT now()
)
"""
