"""Which return a row is: the same row sent again, from this file or a mended one, is the same return.

The id is derived from household, trap, night and content, never from the file or the place of the row in it. So a
file that is sent twice, or mended and sent again, stores no row twice. A row whose content was changed after it was
taken in gets another id; that the night has a return already is then seen by trap and night. Returns that were taken
back count into the id: after that the same row can be sent anew.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any
from uuid import UUID, uuid5

#: Namespace of rows of sheets: random, fixed for good.
_ROWS = UUID("5b3c8f7e-0f52-4c0e-9d5c-6f6f2b1a9e44")


def night_key(trap: str, night: date) -> str:
    """Return the name of a trap's night: the local day on which the trap was set."""
    return f"{trap}/{night.isoformat()}"


def identity_of(
    *,
    household: str,
    trap: str,
    set_at: datetime,
    emptied_at: datetime,
    habitat: str,
    fields: Mapping[str, Any],
    answers: Mapping[str, int | str],
    withdrawn: int,
) -> str:
    """Return the id of the return that a row is; ``withdrawn`` returns of that night were taken back before."""
    content = {
        "household": household,
        "night": night_key(trap, set_at.date()),
        "set_at": set_at.timestamp(),
        "emptied_at": emptied_at.timestamp(),
        "habitat": habitat,
        "fields": dict(fields),
        "answers": dict(answers),
        "withdrawn": withdrawn,
    }
    return str(uuid5(_ROWS, json.dumps(content, sort_keys=True)))
