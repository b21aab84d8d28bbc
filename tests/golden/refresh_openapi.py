"""Write the OpenAPI description as it is now: ``python -m tests.golden.refresh_openapi``.

Run it when the API is meant to change, and read the difference before it is committed.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

GOLDEN = Path(__file__).with_name("openapi.json")


def described() -> str:
    """Return the description as indented JSON, always in the same order."""
    from drf_spectacular.generators import SchemaGenerator

    return json.dumps(SchemaGenerator().get_schema(request=None, public=True), indent=1, sort_keys=True) + "\n"


if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "project.settings.test")
    os.environ.setdefault("DATABASE_URL", "postgresql:///none")
    import django

    django.setup()
    GOLDEN.write_text(described())
