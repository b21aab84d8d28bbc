"""Examples of getting, listing and giving up tokens. All invented; none of these opens anything."""

from __future__ import annotations

from typing import Any

_TOKEN: dict[str, Any] = {
    "id": "tn_0123456789ab",
    "name": "night script",
    "scopes": ["send"],
    "expires_at": "2026-08-01T06:00:00Z",
}

EXAMPLES: dict[str, dict[str, Any]] = {
    "get_token": {
        "request": {
            "email": "garden-012@merrow.example",
            "password": "a lantern over wet moss",
            "name": "night script",
            "scopes": ["send"],
            "days": 90,
        },
        "201": {"token": "tn_0123456789ab" + "c" * 52, **_TOKEN},
    },
    "list_tokens": {
        "200": {
            "items": [
                {
                    **_TOKEN,
                    "made_at": "2026-05-03T06:00:00Z",
                    "last_used_at": "2026-05-03T17:31:12Z",
                    "current": True,
                }
            ],
            "next": None,
        }
    },
}
