"""What the change index of a night is laid out from."""

from __future__ import annotations

from surveys.methods.season_change import SeasonReturns, SeveralSeasons
from surveys.queries.night import NightInput


def several_seasons(given: NightInput) -> SeveralSeasons:
    """Return the returns of a night that tell of a change, laid out once for all groups. No query."""
    return SeveralSeasons(
        now=SeasonReturns(given.lists.by_code, given.frame),
        earlier=[SeasonReturns(one.lists.by_code, one.frame) for one in given.earlier],
        returning=given.returning,
    )
