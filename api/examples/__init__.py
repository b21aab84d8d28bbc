"""Examples for the description of the API: of every request, every answer and every problem. All invented.

Each module holds ``EXAMPLES``: by operation, what is sent (``request``) and what is answered (by status).
"""

from __future__ import annotations

from typing import Any

from api.examples import desk, open_figures, research, sending, tokens

#: By operation: ``request`` and the statuses that it may answer with.
EXAMPLES: dict[str, dict[str, Any]] = {
    **open_figures.EXAMPLES,
    **sending.EXAMPLES,
    **desk.EXAMPLES,
    **tokens.EXAMPLES,
    **research.EXAMPLES,
}
