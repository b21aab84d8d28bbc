"""Which state of a return may follow which; everything else is refused in words."""

from __future__ import annotations

from surveys.errors import Refusal
from surveys.vocabulary import Decision, ReturnState

_MAY_FOLLOW: dict[ReturnState, frozenset[ReturnState]] = {
    ReturnState.RECEIVED: frozenset({ReturnState.STANDING, ReturnState.QUERIED, ReturnState.WITHDRAWN}),
    # A later night may know better what is usual, and a blind second look starts here too.
    ReturnState.STANDING: frozenset({ReturnState.QUERIED, ReturnState.WITHDRAWN}),
    ReturnState.QUERIED: frozenset(
        {ReturnState.UPHELD, ReturnState.CORRECTED, ReturnState.DISCOUNTED, ReturnState.WITHDRAWN}
    ),
    # A verdict can be taken back; the return then waits again.
    ReturnState.UPHELD: frozenset({ReturnState.QUERIED, ReturnState.WITHDRAWN}),
    ReturnState.CORRECTED: frozenset({ReturnState.QUERIED, ReturnState.WITHDRAWN}),
    ReturnState.DISCOUNTED: frozenset({ReturnState.QUERIED, ReturnState.WITHDRAWN}),
    ReturnState.WITHDRAWN: frozenset(),
}

STATE_OF_DECISION: dict[Decision, ReturnState] = {
    Decision.UPHELD: ReturnState.UPHELD,
    Decision.CORRECTED: ReturnState.CORRECTED,
    Decision.DISCOUNTED: ReturnState.DISCOUNTED,
}


class CannotMove(Refusal):
    """The return is not in a state from which it can go there."""

    code = "cannot_move"


def move(now: str, to: ReturnState) -> ReturnState:
    """Return ``to`` if it may follow ``now``; raise :class:`CannotMove` with both words if not."""
    state = ReturnState(now)
    if to in _MAY_FOLLOW[state]:
        return to
    allowed = ", ".join(sorted(word.label for word in _MAY_FOLLOW[state])) or "nothing"
    raise CannotMove(
        f"This return is {state.label}, so it cannot become {to.label}. "
        f"From here it can become: {allowed}. Load it again to see what happened."
    )
